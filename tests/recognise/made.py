"""Series of the project's simulated machines, for tests that need several good cycles of one programme."""

from __future__ import annotations

from datetime import timedelta
from functools import cache

import numpy as np
from loadbook.machine import Machine
from loadbook.reading import Series
from loadbook.simulate import catalogue


@cache
def machine_and_logs(model_id: str, programme: str, n: int) -> tuple[Machine, tuple[tuple[str, Series], ...]]:
    """The machine with its hand-written charts, and ``n`` logs of healthy cycles."""
    model, meter = catalogue.bench_models()[model_id]
    logs = []
    for seed in range(n):
        scenario = catalogue.healthy(model, programme, seed, meter)
        rows = scenario.make().rows
        start = scenario.start + timedelta(days=seed)
        at_ms = np.round(rows.stamp_s * 1000).astype(np.int64) + int(start.timestamp() * 1000)
        logs.append((f"good-{seed}", Series(at_ms=at_ms, **rows.columns)))
    return model.machine, tuple(logs)


def plates_of(machine: Machine) -> Machine:
    """The same machine before anybody has written a chart."""
    return machine.model_copy(update={"programmes": ()})
