"""Money: exact until it is shown. Currencies and their smallest unit are ISO 4217's.

Amounts travel as ``Fraction`` (a price without tax may have no end of decimals), in files and in the ledger as decimal
text of ``KEPT_DECIMALS`` digits *cut off*, never rounded: rounding half up twice could turn 0.4149999 into 0.42.
"""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_HALF_UP, Context, Decimal
from fractions import Fraction
from functools import cache

KEPT_DECIMALS = 12
_CONTEXT = Context(prec=60)


@cache
def _minor_units() -> dict[str, int]:
    # Only when money is spoken of: reading the tables takes a while on a small board.
    from iso4217 import Currency  # noqa: PLC0415

    return {currency.code: currency.exponent for currency in Currency if currency.exponent is not None}


def known_currency(code: str) -> bool:
    """Whether ``code`` is an ISO 4217 currency that has a smallest unit (metals and test codes have none)."""
    return code in _minor_units()


def minor_decimals(code: str) -> int:
    """Decimals of the currency's smallest unit: EUR 2, JPY 0, KWD 3 (ISO 4217). Raises ValueError."""
    if code not in _minor_units():
        raise ValueError(f"{code!r} is no ISO 4217 currency")
    return _minor_units()[code]


def as_decimal(amount: Fraction, decimals: int, rounding: str) -> Decimal:
    """``amount`` with that many decimals, exactly rounded."""
    scaled = amount * 10**decimals
    whole, rest = divmod(abs(scaled.numerator), scaled.denominator)
    if rounding == ROUND_HALF_UP and 2 * rest >= scaled.denominator:
        whole += 1
    return _CONTEXT.scaleb(Decimal(-whole if scaled < 0 and whole else whole), -decimals)


def half_up(amount: Fraction, decimals: int) -> Decimal:
    """``amount`` rounded half up (away from zero) to that many decimals."""
    return as_decimal(amount, decimals, ROUND_HALF_UP)


def exact_text(amount: Fraction) -> str:
    """``amount`` as plain decimal text for the ledger, cut off after ``KEPT_DECIMALS``; trailing zeros left out."""
    text = f"{as_decimal(amount, KEPT_DECIMALS, ROUND_DOWN):f}"
    return text.rstrip("0").rstrip(".")


def shown(amount: Fraction, currency: str) -> str:
    """``amount`` as people are shown it: half up to the currency's smallest unit, with its code: ``0.41 EUR``."""
    return f"{half_up(amount, minor_decimals(currency)):f} {currency}"


def amount_of(text: str) -> Fraction:
    """An amount from the decimal text of the ledger or a file. Raises ValueError."""
    return Fraction(Decimal(text))
