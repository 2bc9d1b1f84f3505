"""One alert that should come, and what the derivations of the truth look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loadbook.machine import PhaseChart, Programme
from loadbook.simulate.metering import Rows
from loadbook.simulate.run import Recorded, Stay


@dataclass
class Expected:
    """One alert that should come (``needed``), or may come without being false. Times in seconds of the run."""

    kind: str
    began_s: float
    provable_s: float
    due_s: float
    phases: tuple[str, ...] = ()
    components: tuple[str, ...] = ()
    cycle: int | None = None
    needed: bool = False
    may: bool = False
    """It may be said, whatever the scenario is about; never needed."""
    also: tuple[str, ...] = ()
    """Other kinds that say the same."""


@dataclass
class View:
    """What the derivations look at: a finished run with its chart."""

    recorded: Recorded
    rows: Rows
    volts_known: bool
    slack_s: float
    """What the meter's interval adds to every latest moment."""

    @property
    def step_w(self) -> float:
        """The meter's resolution, as far as the log shows it."""
        differences = np.diff(np.unique(self.rows.columns["power_w"]))
        return float(differences.min(initial=100.0))

    @property
    def stays(self) -> list[Stay]:
        return self.recorded.run.stays

    def programme(self, stay: Stay) -> Programme:
        return self.recorded.run.model.machine.programme(stay.programme)

    def chart(self, stay: Stay) -> PhaseChart:
        return next(p for p in self.programme(stay).phases if p.id == stay.id)
