"""One machine under watch: its recogniser, on the recogniser's own time line, and what is only suspected of it.

The recogniser hears readings and gaps in the poller's order and nothing else, so it says live what it says of the same
log later. That nothing arrives here at all (poller or broker away) is asked of a copy: what the copy says is shown at
once, and taken back if the readings come after all.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict
from typing import Any

from loadbook.assessor import Assessor
from loadbook.events import Alert, AlertChanged, Cause, CycleChanged, Event, StateChanged, moved
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.machine import Machine
from loadbook.reading import Reading, Series
from loadbook.store.ledger import SavedAssessor

FORM = 1
"""Of the saved state; another form is not read."""


class Watch:
    """All times in and out are the store's."""

    def __init__(self, machine: Machine, meter: str, limits: Limits, causes: CauseTable) -> None:
        self.machine, self.meter = machine, meter
        self._limits, self._causes = limits, causes
        self._file = zlib.crc32(machine.model_dump_json().encode())
        """Tells one chart from another: a recogniser's state means nothing under a changed one."""
        self._assessor = Assessor(machine, limits, causes)
        self.at_ms = -1
        """The last reading heard of."""
        self.shift_ms = 0
        self._said: StateChanged | None = None
        self._suspected: dict[str, AlertChanged] = {}
        self._copy: Assessor | None = None
        self._doubted = False
        """Whether something suspected has been shown since the last reading."""
        self.unsaved = False
        """Whether something was heard since ``saved``."""
        self._saved_doubts: frozenset[str] = frozenset()

    @property
    def id(self) -> str:
        return self.machine.id

    def restore(self, saved: SavedAssessor) -> bool:
        """Go on where ``saved`` was made. False, and nothing changed, when it is of another form or machine file."""
        try:
            if saved.state["form"] != FORM or saved.state["machine"] != self._file:
                return False
            assessor = Assessor.restore(self.machine, self._limits, self._causes, saved.state["assessor"])
            said = saved.state["said"]
            suspected = [_alert(row) for row in saved.state["suspected"]]
        except (KeyError, TypeError, ValueError, IndexError, AttributeError):
            return False
        self._assessor = assessor
        self._said = None if said is None else StateChanged(**said)
        self._suspected = {alert.key: AlertChanged(alert.raised_ms, alert) for alert in suspected}
        self._saved_doubts = frozenset(self._suspected)
        self._doubted = bool(suspected)
        self.at_ms, self.shift_ms = saved.at_ms, saved.shift_ms
        return True

    def renewed(self, machine: Machine) -> Watch:
        """A watch by a changed machine file, which goes on after the last reading heard; between cycles only."""
        other = Watch(machine, self.meter, self._limits, self._causes)
        other.at_ms, other.shift_ms, other.unsaved = self.at_ms, self.shift_ms, True
        return other

    @property
    def doubts_unsaved(self) -> bool:
        """Whether what is only suspected has changed since ``saved``: after a restart it could not be taken back."""
        return self._suspected.keys() != self._saved_doubts

    def saved(self) -> SavedAssessor:
        """Where the recogniser stands, to be kept in the commit of what it said."""
        self.unsaved = False
        self._saved_doubts = frozenset(self._suspected)
        state = {
            "form": FORM,
            "machine": self._file,
            "said": None if self._said is None else asdict(self._said),
            "suspected": [asdict(event.alert) for event in self._suspected.values()],
            "assessor": self._assessor.save(),
        }
        return SavedAssessor(self.at_ms, self.shift_ms, state)

    def feed(self, reading: Reading) -> list[Event]:
        """A reading, in the poller's order. One that is not later than the last was heard before."""
        if reading.at_ms <= self.at_ms:
            return []
        self.at_ms = reading.at_ms
        if self.shift_ms:
            values = {name: getattr(reading, name) for name in Reading.__slots__ if name != "at_ms"}
            reading = Reading(reading.at_ms - self.shift_ms, **values)
        return self._heard(self._assessor.feed(reading))

    def feed_series(self, series: Series) -> list[Event]:
        """Many stored readings, after a restart."""
        after = int((series.at_ms > self.at_ms).argmax()) if len(series) and series.at_ms[-1] > self.at_ms else -1
        if after < 0:
            return []
        series = series.slice(after, len(series))
        self.at_ms = int(series.at_ms[-1])
        if self.shift_ms:
            series.at_ms = series.at_ms - self.shift_ms
        return self._heard(self._assessor.feed_series(series))

    def tick(self, at_ms: int) -> list[Event]:
        """The meter gave no reading at ``at_ms``, says the poller."""
        if at_ms <= self.at_ms:
            return []
        return self._heard(self._assessor.tick(at_ms - self.shift_ms), at_ms)

    def move(self, by_ms: int) -> None:
        """All readings heard of lie ``by_ms`` later in the store now."""
        self.shift_ms += by_ms
        self.at_ms += by_ms
        self._copy = None
        self.unsaved = True
        if self._said is not None:
            said = moved(self._said, by_ms)
            assert isinstance(said, StateChanged)
            self._said = said
        self._suspected = {}

    def suspect(self, at_ms: int) -> list[Event]:
        """It is ``at_ms`` and nothing has arrived since the last reading: what would that mean?"""
        if self.at_ms < 0:
            return []
        if self._copy is None:
            state = json.loads(json.dumps(self._assessor.save()))  # shares nothing with the original
            self._copy = Assessor.restore(self.machine, self._limits, self._causes, state)
        events = [moved(e, self.shift_ms) for e in self._copy.tick(at_ms - self.shift_ms)]
        for event in events:
            if isinstance(event, AlertChanged):
                self._suspected[event.alert.key] = event
        if events:
            self._doubted = self.unsaved = True
        return [e for e in events if not isinstance(e, CycleChanged)]

    def _heard(self, events: list[Event], at_ms: int | None = None) -> list[Event]:
        self.unsaved = True
        found = [moved(e, self.shift_ms) for e in events]
        for event in found:
            if isinstance(event, StateChanged):
                self._said = event
            elif isinstance(event, AlertChanged):
                self._suspected.pop(event.alert.key, None)  # so it was true
        self._copy = None
        if self._doubted:
            self._doubted = False
            if self._said is not None and not any(isinstance(e, StateChanged) for e in found):
                found.append(self._said)
        now_ms = max(self.at_ms, at_ms or 0)
        for key, event in list(self._suspected.items()):
            if now_ms >= event.alert.raised_ms:
                found.append(AlertChanged(now_ms, event.alert, withdrawn=True))
                del self._suspected[key]
        return found


def _alert(row: dict[str, Any]) -> Alert:
    return Alert(**{**row, "causes": [Cause(**cause) for cause in row["causes"]]})
