"""Readings, events and requests over MQTT."""
