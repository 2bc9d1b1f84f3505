"""Tariffs, what a cycle cost, when it would have been cheaper. Pure."""
