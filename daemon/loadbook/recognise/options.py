"""The explanations of one level in one phase, and what is asked of them again and again, worked out once.

Pure. ``levels`` makes them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from loadbook.recognise import prices
from loadbook.recognise.resistive import Resistive

Fault = tuple[str, int]
"""What is wrong, and with which part (-1: no part): one of the kinds in ``prices``."""


UNTOLD_Z = 0.25
"""A small part beside a motor that varies is not told from its absence by a difference up to this."""


class Option(NamedTuple):
    """One way to explain a level. ``z`` is how far-fetched, in nats, apart from the price of its faults."""

    faults: tuple[Fault, ...]
    mask: int
    z: float

    @property
    def price(self) -> float:
        """What it costs once its faults are certain."""
        return self.z * 0.5 + sum(prices.PRICE[kind] for kind, _ in self.faults)

    def price_knowing(self, believed: frozenset[Fault]) -> float:
        """The same, where some faults are believed already."""
        faults = sum(prices.PRICE[f[0]] * (prices.AGAIN if f in believed else 1.0) for f in self.faults)
        return self.z * 0.5 + faults


class Options(tuple[Option, ...]):
    """Every sensible explanation of one level in one phase, the healthy one first. Never empty.

    ``healthy`` is the one without a fault; ``price`` what the cheapest costs in full. ``likely`` are those that may be
    the cheapest at all: faults cost something, so beside a healthy one only what is less far-fetched has a chance.
    """

    healthy: Option | None
    likely: tuple[Option, ...]
    price: float
    awake: tuple[Option, ...]
    """The likely ones while the motors that come and go in the phase do so: that all stands still is none of them."""
    every: tuple[Option, ...]
    """Also those with the same faults in which other parts draw, though that is more far-fetched."""

    @classmethod
    def of(cls, options: Iterable[Option], every: Iterable[Option] = ()) -> Options:
        self = cls(options)
        self.every = tuple(every) or tuple(self)
        first = self[0]
        self.healthy = None if first.faults else first
        self.likely = tuple(self) if first.faults else (first, *(o for o in self[1:] if o.z < first.z))
        self.price = min(o.price for o in self)
        self.awake = tuple(o for o in self.likely if ("idle", -1) not in o.faults) or self.likely
        return self

    def may_do_without(self, option: Option, fault: Fault) -> bool:
        """Whether the level of ``option`` might as well be drawn with a part of it missing, as ``fault`` has it."""
        mask = option.mask & ~(1 << fault[1])
        return bool(mask) and any(o.faults == (fault,) and o.mask == mask and o.z <= option.z + UNTOLD_Z for o in self)


NO_FIT_Z = 1e9


@dataclass(slots=True)
class Here:
    """The level that was asked for last, and the answers by phase. Levels are told apart to about 1 % (``coarse_w``),
    beside a known heater to 4 W, volts to two (``coarse_v``): the heater's share of the level is moved to those."""

    level_w: float
    volts: float | None
    coarse_w: float
    coarse_v: float | None
    key: tuple[int, int]
    options: dict[int, Options] = field(default_factory=dict)
    healthy_z: dict[int, float] = field(default_factory=dict)

    @classmethod
    def of(cls, level_w: float, volts: float | None, resistive: Resistive) -> Here:
        pairs_v = -1 if volts is None else int(volts / 2 + 0.5)
        coarse_v = None if pairs_v < 0 else pairs_v * 2.0
        beside = resistive.beside(level_w, volts)
        at_v_w = level_w if beside is None else resistive.at_volts(level_w, volts, coarse_v, beside)
        fine = beside is not None or level_w < 1000
        step = 0.25 if level_w < 25 else 1.0 if level_w < 100 else 4.0 if fine else 12.0
        steps = int(at_v_w / step + 0.5)
        key = (steps + 10_000 * int(step * 4), pairs_v)
        return cls(level_w, volts, steps * step, coarse_v, key)
