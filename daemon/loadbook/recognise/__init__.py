"""From readings to plateaus, phases and cycles. Pure: no clock, no file, no broker."""
