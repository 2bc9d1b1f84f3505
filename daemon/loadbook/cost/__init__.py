"""Tariffs, what a cycle cost, when it would have been cheaper. Pure: text and readings in, objects out.

Energy is counted in whole microjoules and money in exact fractions, so that a cycle may be cut anywhere and its parts
still add up to the last digit; a figure is rounded (half up) where it is shown, and nowhere before.
"""

from loadbook.cost.energy_curve import UJ_PER_KWH, EnergyCurve
from loadbook.cost.money import exact_text, shown
from loadbook.cost.price import BandShare, Cost, price_series
from loadbook.cost.tariff import Tariff, parse_tariff

__all__ = [
    "UJ_PER_KWH",
    "BandShare",
    "Cost",
    "EnergyCurve",
    "Tariff",
    "exact_text",
    "parse_tariff",
    "price_series",
    "shown",
]
