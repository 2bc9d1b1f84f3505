"""What can be said of a heater by its plate alone, where no chart says when it should be on.

Pure. Only what holds whatever else was on is said: too low when even the whole draw is below the heater's band, too
high when the draw is above its band and the bands of all other parts together.
"""

from __future__ import annotations

from typing import Any

from loadbook.events import Alert, Event
from loadbook.judge.bands import Part, parts_of
from loadbook.judge.causes import Evidence
from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.machine import Machine
from loadbook.recognise.track import Moment

LEAST_HEATER_W = 200.0


class HeaterWatch:
    """One machine's one heater. Fed with levels while a cycle is open; a machine with two heaters is left alone."""

    def __init__(self, machine: Machine, limits: Limits, findings: Findings) -> None:
        self.limits, self.findings = limits, findings
        parts = parts_of(machine, limits.missing_fraction)
        heaters = [p for p in parts if p.resistive and p.rated_w >= LEAST_HEATER_W]
        self.heater: Part | None = heaters[0] if len(heaters) == 1 else None
        self.standby_w = machine.machine.standby_w or 0.0
        self.others_w = sum(p.high_w for p in parts if p is not self.heater)
        self.on_ms: int | None = None
        self.wrong_ms: int | None = None
        self.wrong: str | None = None

    def look(self, now: Moment, heating: bool, cycle_key_ms: int | None) -> list[Event]:
        """The level as it stands now; ``heating`` when it is a heater's."""
        heater = self.heater
        if heater is None:
            return []
        if not heating:
            self.on_ms = self.wrong_ms = None  # a thermostat's rest clears nothing; the end of the cycle does
            return self._over(now.at_ms) if cycle_key_ms is None and self.wrong else []
        if self.on_ms is None:
            self.on_ms = now.start_ms
        if cycle_key_ms is None or now.at_ms - self.on_ms < self.limits.heater_settle_s * 1000 or now.n < 3:
            return []
        low_w, high_w = heater.band(now.volts)
        drawn_w = now.level_w - self.standby_w
        kind = None
        if low_w is not None and drawn_w < low_w - now.resolution_w:
            kind = "power_low"
        elif drawn_w > high_w + self.others_w + now.resolution_w:
            kind = "power_high"
        if kind is None:
            self.wrong_ms = None
            return self._over(now.at_ms)
        if self.wrong != kind or self.wrong_ms is None:
            self.wrong, self.wrong_ms = kind, max(now.start_ms, self.on_ms)
        if now.at_ms - self.wrong_ms < self.limits.steady_s * 1000:
            return []
        high_all_w = high_w if kind == "power_low" else high_w + self.others_w
        alert = Alert(
            kind, self.wrong_ms, now.at_ms, cycle_key_ms=cycle_key_ms, component=heater.id,
            measured=round(drawn_w, 1), low=None if low_w is None else round(low_w, 1), high=round(high_all_w, 1),
            unit="W",
        )  # fmt: skip
        evidence = Evidence(
            kind, "heat", None, heater.id, alert.measured, alert.low, alert.high, "W",
            expected_w=heater.expected_w(now.volts), voltage_v=now.volts, parts={heater.id: "drew"},
        )  # fmt: skip
        return list(self.findings.raise_(_NAME, alert, evidence))

    def _over(self, at_ms: int) -> list[Event]:
        self.wrong = None
        return list(self.findings.clear(_NAME, at_ms))

    def save(self) -> list[Any]:
        return [self.on_ms, self.wrong_ms, self.wrong]

    def load(self, state: list[Any]) -> None:
        self.on_ms, self.wrong_ms, self.wrong = state


_NAME = "plates/heater"
