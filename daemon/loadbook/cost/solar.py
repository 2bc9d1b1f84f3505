"""Own energy and bought energy: what of a cycle the roof gave, what that was worth, and what it saved.

Three sources, all as microjoules that flowed by an instant: a meter on the generation, a meter on the grid connection
(import positive, export negative), or a generation curve from a file.

- Generation: at each instant the machine takes what is generated first, the rest is bought. Other loads of the house
  are not seen, so the own share is the most it can have been.
- Grid connection: bought is what the connection imports, at most the machine's own draw: exactly what the import would
  fall by without the machine. Other loads are seen.

Own energy costs what exporting it would have earned. Where the second meter is silent, energy counts as bought.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np

from loadbook.cost.energy_curve import UJ_PER_KWH, EnergyCurve, Ints
from loadbook.cost.money import exact_text
from loadbook.cost.price import Cost, add_up
from loadbook.cost.solar_curve import SolarCurve
from loadbook.cost.tariff import NO_BAND, PRICE_SCALE, Tariff
from loadbook.reading import HOLD_MS, Series

Source = Literal["generation", "grid"]


@dataclass(frozen=True, slots=True)
class SolarCost:
    """A cost split into bought and own energy.

    ``bought`` is priced by the import prices. ``own_uj`` is own energy; ``export_lost`` what it would have earned;
    ``bought_instead`` what it would have cost. Both are None where the tariff knows no price then.
    """

    bought: Cost
    own_uj: int
    export_lost: Fraction | None
    bought_instead: Fraction | None

    @property
    def energy_uj(self) -> int:
        return self.bought.energy_uj + self.own_uj

    @property
    def own_share(self) -> float | None:
        """Self-use share: own energy over all energy, 0 to 1; None without energy."""
        return self.own_uj / self.energy_uj if self.energy_uj > 0 else None

    @property
    def own_kwh(self) -> float:
        return self.own_uj / UJ_PER_KWH

    @property
    def total(self) -> Fraction | None:
        """What the energy cost: bought at the import price, own at the export it displaced."""
        if self.bought.gross is None or self.export_lost is None:
            return None
        return self.bought.gross + self.export_lost

    @property
    def saved(self) -> Fraction | None:
        """What own energy saved against buying all: the import price less the export price of it."""
        if self.bought_instead is None or self.export_lost is None:
            return None
        return self.bought_instead - self.export_lost

    def text(self) -> str | None:
        """Decimal text of ``total`` for the ledger."""
        return None if self.total is None else exact_text(self.total)


def price_with_meter(
    tariff: Tariff,
    series: Series,
    second: Series,
    source: Source,
    *,
    start_ms: int | None = None,
    end_ms: int | None = None,
) -> SolarCost:
    """The cost of what flowed, with a second meter's readings over the same time.

    ``second`` is generation in W (its sign does not matter) or the grid connection in W (import positive).
    """
    load, other = EnergyCurve(series), EnergyCurve(second)
    start, end = _range(load, start_ms, end_ms)
    if end <= start:
        return _nothing(tariff)
    held = np.concatenate((second.at_ms, second.at_ms + HOLD_MS))  # where a silence begins to be unknown
    edges = _edges(tariff, start, end, series.at_ms, series.at_ms + HOLD_MS, held)
    drawn, seen = np.diff(load.at(edges)), np.diff(other.at(edges))
    if source == "generation":
        own = np.minimum(drawn, np.abs(seen))
    else:
        known = _covered(edges, second.at_ms)
        own = np.where(known, drawn - np.clip(seen, 0, np.maximum(drawn, 0)), 0)
    return _split(tariff, edges, drawn, np.clip(own, 0, np.maximum(drawn, 0)))


def price_with_curve(
    tariff: Tariff, series: Series, curve: SolarCurve, start_ms: int | None = None, end_ms: int | None = None
) -> SolarCost:
    """The same with a generation curve from a file."""
    load = EnergyCurve(series)
    start, end = _range(load, start_ms, end_ms)
    if end <= start:
        return _nothing(tariff)
    slots = curve.spans(start, end)
    edges = _edges(tariff, start, end, series.at_ms, series.at_ms + HOLD_MS, slots.edges_ms)
    drawn = np.diff(load.at(edges))
    slot = np.searchsorted(slots.edges_ms, edges[:-1], side="right") - 1
    given = slots.power_mw[slot] * np.diff(edges)  # mW times ms is a microjoule
    return _split(tariff, edges, drawn, np.clip(np.minimum(drawn, given), 0, None))


def _range(load: EnergyCurve, start_ms: int | None, end_ms: int | None) -> tuple[int, int]:
    return load.first_ms if start_ms is None else start_ms, load.last_ms if end_ms is None else end_ms


def _nothing(tariff: Tariff) -> SolarCost:
    return SolarCost(Cost(tariff.currency), 0, Fraction(0), Fraction(0))


def _edges(tariff: Tariff, start: int, end: int, *more: Ints) -> Ints:
    """All instants within the range at which a power or a price may change, its ends included."""
    cuts = np.concatenate([tariff.spans(start, end).edges_ms, *more])
    return np.unique(cuts[(cuts >= start) & (cuts <= end)])


def _covered(edges: Ints, at_ms: Ints) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether each piece lies within the hold of a reading."""
    if len(at_ms) == 0:
        return np.zeros(len(edges) - 1, dtype=np.bool_)
    last = np.searchsorted(at_ms, edges[:-1], side="right") - 1
    covered = (last >= 0) & (edges[:-1] < at_ms[np.maximum(last, 0)] + HOLD_MS)
    return np.asarray(covered & (edges[:-1] < at_ms[-1]), dtype=np.bool_)


def _split(tariff: Tariff, edges: Ints, drawn: Ints, own: Ints) -> SolarCost:
    spans = tariff.spans(int(edges[0]), int(edges[-1]))
    at = np.searchsorted(spans.edges_ms, edges[:-1], side="right") - 1
    number = len(spans.price)
    bought_uj = _per_span(at, drawn - own, number)
    own_uj = _per_span(at, own, number)
    rows = list(zip(spans.period.tolist(), spans.band.tolist(), bought_uj, spans.price.tolist(), strict=True))
    instead = add_up(tariff, ((p, b, uj, price) for (p, b, _, price), uj in zip(rows, own_uj, strict=True)))
    scale = UJ_PER_KWH * PRICE_SCALE
    known = all(band != NO_BAND or uj == 0 for band, uj in zip(spans.band.tolist(), own_uj, strict=True))
    lost = Fraction(sum(uj * price for uj, price in zip(own_uj, spans.export.tolist(), strict=True)), scale)
    return SolarCost(add_up(tariff, rows), sum(own_uj), lost if known else None, instead.gross)


def _per_span(at: Ints, energy_uj: Ints, number: int) -> list[int]:
    """Energy of the pieces summed by the price span they lie in."""
    total = np.zeros(number, dtype=np.int64)
    np.add.at(total, at, energy_uj)
    return [int(uj) for uj in total]
