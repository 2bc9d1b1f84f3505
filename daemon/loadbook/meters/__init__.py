"""From the wire to readings."""
