"""From phases and watts to alerts and their causes. Pure."""
