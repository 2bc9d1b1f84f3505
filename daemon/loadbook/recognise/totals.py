"""Running sums over readings: energy, voltage, time. Exact integers, so that the cut into chunks cannot matter.

Pure. Units: mW, ms, mV, and energy in mW·ms; the meter's counter in tenths of Wh.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from loadbook.reading import HOLD_MS

MWMS_PER_WH = 3_600_000 * 1_000
NO_VALUE = -(1 << 40)
"""Stands for *not read* in integer columns."""


@dataclass(slots=True)
class Totals:
    """Sums since the beginning, up to the reading at ``at_ms`` (its own held time not yet counted)."""

    at_ms: int = -1
    power_mw: int = 0
    counter_mwh: int = NO_VALUE
    energy_mwms: int = 0
    volts_mv: int = 0
    volts_n: int = 0
    peak_mw: int = 0

    def add(self, at_ms: int, power_mw: int, voltage_mv: int, counter_mwh: int) -> None:
        """One more reading: the one before held until now, for at most 10 s; a counter bridges longer gaps."""
        if self.at_ms >= 0:
            dt_ms = at_ms - self.at_ms
            if dt_ms > HOLD_MS and NO_VALUE not in (counter_mwh, self.counter_mwh) and counter_mwh >= self.counter_mwh:
                self.energy_mwms += (counter_mwh - self.counter_mwh) * 3_600_000
            else:
                self.energy_mwms += self.power_mw * min(dt_ms, HOLD_MS)
        self.at_ms, self.power_mw, self.counter_mwh = at_ms, power_mw, counter_mwh
        if voltage_mv != NO_VALUE:
            self.volts_mv += voltage_mv
            self.volts_n += 1
        self.peak_mw = max(self.peak_mw, power_mw)

    def save(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def restore(cls, state: dict[str, Any]) -> Totals:
        return cls(**state)


def mean_volts_amps(readings: list[tuple[int, int, int, int]]) -> tuple[float, float]:
    """Mean V and A of readings (at_ms, mW, mV, mA); where the meter has no current, A is W over V."""
    volts = sum(r[2] for r in readings) / len(readings) / 1000
    amps = sum(r[3] / 1000 if r[3] != NO_VALUE else r[1] / max(r[2], 1) for r in readings) / len(readings)
    return volts, amps


def lately_v(readings: Iterable[tuple[int, int, int, int]], first_ms: int, last_ms: int) -> float | None:
    """Mean V of those readings that lie in a time; None where none do. What a heater draws follows the supply."""
    volts = [r[2] for r in readings if first_ms <= r[0] <= last_ms]
    return sum(volts) / len(volts) / 1000 if volts else None
