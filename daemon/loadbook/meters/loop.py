"""What every line's loop has in common: a thread of its own, the clock, where readings and gaps go."""

from __future__ import annotations

import threading
from collections.abc import Mapping

from loadbook.clock import Clock
from loadbook.meters.counters import CountingSink
from loadbook.meters.sense import impossible
from loadbook.reading import Reading


class LineLoop:
    """Reads one line until told to stop. Each kind of line has its own ``_run``."""

    def __init__(self, line_id: str, sink: CountingSink, clock: Clock) -> None:
        self.id = line_id
        self._sink = sink
        self._clock = clock
        self._stop = threading.Event()
        self.last_tick_s = clock.mono_s()
        """When the loop last came round, for the watchdog."""
        self._thread = threading.Thread(target=self._run, name=f"line-{line_id}", daemon=True)

    def start(self) -> None:
        """Begin polling."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the loop to end after the read it is in."""
        self._stop.set()

    def join(self, timeout_s: float) -> None:
        """Wait for its end."""
        self._thread.join(timeout_s)

    def is_alive(self) -> bool:
        """Whether the loop still runs."""
        return self._thread.is_alive()

    def put(self, meter_id: str, values: Mapping[str, float]) -> None:
        """Hand on a reading taken just now; ``values`` by quantity. A value that cannot be is left out and said; where
        it is the power, or none is left, the tick is a gap."""
        wrong = impossible(values)
        if wrong:
            self._sink.doubt(meter_id, wrong)
            values = {name: value for name, value in values.items() if name not in wrong}
            if "power_w" in wrong or not values:
                self.gap(meter_id, "absurd", ", ".join(f"{name} {value:g}" for name, value in wrong.items()))
                return
        self._sink.put(meter_id, Reading(self._clock.now_ms(), **values), self._clock.mono_ms())

    def gap(self, meter_id: str, reason: str, detail: str) -> None:
        """Hand on that there is no reading now, and why."""
        self._sink.gap(meter_id, self._clock.now_ms(), self._clock.mono_ms(), reason, detail)

    def _run(self) -> None:
        raise NotImplementedError
