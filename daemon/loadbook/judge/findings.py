"""The alerts that stand: each raised once, updated, cleared when it ends, withdrawn where its ground vanishes.

Pure. Causes are attached here, once, when an alert is raised.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any

from loadbook.events import Alert, AlertChanged, Cause
from loadbook.judge.causes import CauseTable, Evidence
from loadbook.judge.supply import Breach
from loadbook.machine import Machine


@dataclass(slots=True)
class Findings:
    """Open alerts by a name of the caller's. A cleared alert is forgotten once its cycle is."""

    machine: Machine | None
    causes: CauseTable
    open: dict[str, Alert] = field(default_factory=dict)

    def raise_(self, name: str, alert: Alert, evidence: Evidence | None = None) -> list[AlertChanged]:
        """A new alert under ``name``; nothing where one of that name stands."""
        if name in self.open:
            return []
        if evidence is None:
            evidence = Evidence(
                kind=alert.kind,
                stage=self._stage(alert.phase),
                phase=alert.phase,
                component=alert.component,
                measured=alert.measured,
                low=alert.low,
                high=alert.high,
                unit=alert.unit,
            )
        alert.causes = list(self.causes.likely(evidence, self.machine))
        self.open[name] = alert
        return [AlertChanged(alert.raised_ms, replace(alert))]

    def _stage(self, phase_id: str | None) -> str | None:
        """The stage of a phase where all charts that have it agree."""
        charts = () if self.machine is None else self.machine.programmes
        stages = {phase.stage for chart in charts for phase in chart.phases if phase.id == phase_id}
        return stages.pop() if len(stages) == 1 else None

    def clear(self, name: str, at_ms: int, measured: float | None = None, keep: bool = False) -> list[AlertChanged]:
        """What was wrong has ended; the alert stays on record. What was found only afterwards is over as soon as it is
        said. ``measured`` replaces the figure, where given.
        ``keep`` remembers the alert, so that it is not raised again under this name and may still be withdrawn."""
        alert = self.open.get(name)
        if alert is None or alert.cleared_ms is not None:
            return []
        if not keep:
            del self.open[name]
        alert.cleared_ms = max(at_ms, alert.raised_ms)
        if measured is not None:
            alert.measured = measured
        return [AlertChanged(at_ms, replace(alert))]

    def forget(self, cycle_key_ms: int) -> None:
        """A cycle is over for good: its cleared alerts need not be remembered."""
        self.open = {n: a for n, a in self.open.items() if a.cycle_key_ms != cycle_key_ms or a.cleared_ms is None}

    def withdraw(self, name: str, at_ms: int) -> list[AlertChanged]:
        """Later readings took the ground away."""
        alert = self.open.pop(name, None)
        if alert is None:
            return []
        alert.cleared_ms = at_ms
        return [AlertChanged(at_ms, replace(alert), withdrawn=True)]

    def breach(self, breach: Breach, cycle_key_ms: int | None, evidence: Evidence | None = None) -> list[AlertChanged]:
        """What a watch over supply or standby found."""
        if breach.over:
            return self.clear(breach.kind, breach.at_ms)
        alert = Alert(
            kind=breach.kind,
            began_ms=breach.began_ms,
            raised_ms=breach.at_ms,
            cycle_key_ms=cycle_key_ms,
            measured=breach.measured,
            low=breach.low,
            high=breach.high,
            unit=breach.unit,
        )
        return self.raise_(breach.kind, alert, evidence)

    def save(self) -> dict[str, Any]:
        return {name: asdict(alert) for name, alert in self.open.items()}

    def load(self, state: dict[str, Any]) -> None:
        self.open = {}
        for name, row in state.items():
            self.open[name] = Alert(**{**row, "causes": [Cause(**c) for c in row["causes"]]})
