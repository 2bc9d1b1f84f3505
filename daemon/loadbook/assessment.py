"""A whole log through the one core: cycles, alerts, verdict, and the outside form of the contract's section 4.

What runs here is what runs live; only the collecting of events is done here instead of in the ledger.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loadbook.assessor import Assessor
from loadbook.energy import steps_wh
from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged, Event, Verdict, iso
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.logs import Log, LogReport
from loadbook.machine import Machine

if TYPE_CHECKING:
    from loadbook.cost.tariff import Tariff

DECIMALS = {
    "energy_kwh": 6, "cost": 6, "peak_w": 2, "standby_w": 2, "power_w": 2, "measured": 3, "low": 3, "high": 3,
}  # fmt: skip
"""How far numbers are given outside: finer than any meter, free of the tails of binary fractions."""


@dataclass(slots=True)
class Found:
    """What events leave behind: each cycle and each alert as last known."""

    by_key: dict[int, Cycle] = field(default_factory=dict)
    alert_by_key: dict[str, Alert] = field(default_factory=dict)

    def apply(self, events: Iterable[Event]) -> None:
        """Take in events in order."""
        for event in events:
            if isinstance(event, CycleChanged):
                if event.dropped:
                    self.by_key.pop(event.cycle.key_ms, None)
                else:
                    self.by_key[event.cycle.key_ms] = event.cycle
            elif isinstance(event, AlertChanged):
                if event.withdrawn:
                    self.alert_by_key.pop(event.alert.key, None)
                else:
                    self.alert_by_key[event.alert.key] = event.alert

    @property
    def cycles(self) -> list[Cycle]:
        """In order of time."""
        return sorted(self.by_key.values(), key=lambda cycle: (cycle.start_ms, cycle.key_ms))

    @property
    def alerts(self) -> list[Alert]:
        """In order of being raised."""
        return sorted(self.alert_by_key.values(), key=lambda alert: (alert.raised_ms, alert.began_ms, alert.kind))


@dataclass(slots=True)
class Assessment:
    """What `loadbook assess` says of one log."""

    report: LogReport
    energy_kwh: float
    cycles: list[Cycle]
    alerts: list[Alert]

    @property
    def verdict(self) -> Verdict:
        """``attention`` when any alert was raised or any cycle does not pass."""
        return "attention" if self.alerts or any(c.verdict != "pass" for c in self.cycles) else "pass"

    def cycle_of(self, alert: Alert) -> int | None:
        """The place of an alert's cycle in ``cycles``."""
        keys = [cycle.key_ms for cycle in self.cycles]
        return keys.index(alert.cycle_key_ms) if alert.cycle_key_ms in keys else None

    def as_contract(self) -> dict[str, Any]:
        """The object that ``--json`` prints."""
        report = self.report
        whole: dict[str, Any] = _rounded(
            {
                "log": {
                    "rows": report.rows,
                    "skipped": report.skipped,
                    "repeated": report.repeated,
                    "gaps": [{"start": iso(start), "end": iso(end)} for start, end in report.gaps],
                    "first": iso(report.first_ms),
                    "last": iso(report.last_ms),
                    "energy_kwh": self.energy_kwh,
                },
                "cycles": [cycle.as_contract() for cycle in self.cycles],
                "alerts": [alert.as_contract(self.cycle_of(alert)) for alert in self.alerts],
                "verdict": self.verdict,
            }
        )
        return whole


def _rounded(value: Any, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _rounded(inner, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [_rounded(inner) for inner in value]
    if isinstance(value, float) and name in DECIMALS:
        return round(value, DECIMALS[name])
    return value


def assess(
    log: Log, machine: Machine | None, limits: Limits, causes: CauseTable, tariff: Tariff | None = None
) -> Assessment:
    """Cycles, alerts and verdict of a log; costed when a tariff is given."""
    assessor = Assessor(machine, limits, causes)
    found = Found()
    found.apply(assessor.feed_series(log.series))
    if len(log.series) and log.report.last_ms > int(log.series.at_ms[-1]):
        found.apply(assessor.tick(log.report.last_ms))  # rows without power: time went on, nothing was read
    found.apply(assessor.finish())
    energy_kwh = float(steps_wh(log.series).sum()) / 1000 if len(log.series) else 0.0
    cycles = found.cycles
    if tariff is not None:
        from loadbook.cost.energy_curve import EnergyCurve  # noqa: PLC0415 - holidays and currencies: slow to import
        from loadbook.cost.price import price_curve  # noqa: PLC0415

        curve = EnergyCurve(log.series)
        for cycle in cycles:
            cost = price_curve(tariff, curve, cycle.start_ms, cycle.end_ms)
            cycle.cost, cycle.currency = cost.text(), cost.currency
    return Assessment(log.report, energy_kwh, cycles, found.alerts)
