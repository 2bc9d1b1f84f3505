"""Which tracker a machine gets: one that goes by its programme charts, or, without any, one that goes by power alone.

Pure.
"""

from __future__ import annotations

from typing import Any

from loadbook.judge.findings import Findings
from loadbook.judge.limits import Limits
from loadbook.judge.plates_only import HeaterWatch
from loadbook.machine import Machine
from loadbook.recognise.charted import Charted
from loadbook.recognise.track import Tracker
from loadbook.recognise.uncharted import Uncharted


def tracker_for(machine: Machine | None, limits: Limits, findings: Findings) -> Tracker:
    """A fresh tracker."""
    if machine is None or not machine.programmes:
        return Uncharted(machine, None if machine is None else HeaterWatch(machine, limits, findings))
    return Charted(machine, limits, findings)


def restore_tracker(machine: Machine | None, limits: Limits, findings: Findings, state: dict[str, Any]) -> Tracker:
    """A tracker as it was when its state was saved."""
    if machine is None or not machine.programmes:
        watch = None if machine is None else HeaterWatch(machine, limits, findings)
        return Uncharted.restore(machine, state, watch)
    return Charted.restore(machine, limits, findings, state)
