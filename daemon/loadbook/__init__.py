"""Loadbook: records what washing appliances draw, recognises the programme's phases, judges and costs them."""

__version__ = "0.1.0"
