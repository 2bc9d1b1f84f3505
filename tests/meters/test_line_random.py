"""A line that misbehaves at random: whatever happens, a reading is an answer of that meter, once, and nothing else."""

from __future__ import annotations

import random
import time
from collections import Counter
from pathlib import Path

import pytest
from loadbook.clock import Clock
from loadbook.files import load_map
from loadbook.meters.faults import KINDS
from loadbook.meters.simulated import SimulatedLine, SimulatedMeter
from loadbook.meters.sink import GAP_REASONS

from tests.meters.conftest import player, polling, small_log, wait_for

MAP = "float32-big-endian"
ORDERS = 40


@pytest.mark.parametrize("wire", ["rtu", "tcp"])
def test_readings_are_answers_once_each(wire: str, tmp_path: Path) -> None:
    dice = random.Random(20)
    clock = Clock()
    rows = small_log(rows=12_000, step_ms=5)
    meters = [SimulatedMeter(unit, load_map(MAP, Path()), player(clock, rows)) for unit in (1, 2)]
    line = SimulatedLine(meters, clock, link=tmp_path / "port" if wire == "rtu" else None).start()
    loop, memory, _ = polling(line, {1: MAP, 2: MAP}, interval_s=0.04, timeout_s=0.06)
    loop.start()
    try:
        wait_for(lambda: len(memory.readings) >= 4)
        for _ in range(ORDERS):
            kind = dice.choice([*KINDS, "late", "late", "late"])
            line.faults.order(
                kind, unit_id=dice.choice([1, 2, None]), times=dice.randint(1, 3), delay_s=dice.uniform(0.05, 0.3)
            )
            if line.line:
                line.line.echo = dice.random() < 0.5
                if dice.random() < 0.05:
                    line.line.unplug()
                    time.sleep(0.05)
                    line.line.plug()
            time.sleep(dice.uniform(0.02, 0.12))
        line.faults.behave()
        for unit in ("m1", "m2"):
            before = len(memory.of(unit))
            wait_for(lambda unit=unit, before=before: len(memory.of(unit)) >= before + 3)
    finally:
        loop.stop()
        loop.join(10)
        line.stop()
    # Noise around an answer leaves it whole, and a late one that is still in time is an answer.
    timely = {None, "noise", "late"}
    answered = Counter((a.unit_id, a.row) for a in line.journal if a.spoiled in timely and a.count == 16)
    read = Counter((int(m[1:]), round(r.power_w - 100)) for m, r, _ in memory.readings)
    assert not read - answered, "a reading that no answer carried, or one twice"
    assert {reason for _, reason, _ in memory.gaps} <= set(GAP_REASONS)
    for meter, reading, mono_ms in memory.readings:
        asked = [a for a in line.journal if a.unit_id == int(meter[1:]) and a.mono_ms <= mono_ms]
        before = [a.row for a in asked if a.mono_ms < mono_ms][-1:]
        last = before + [a.row for a in asked if a.mono_ms == mono_ms]  # the next question may fall into the same ms
        assert round(reading.power_w - 100) in last, "an answer to an earlier question taken for the last one's"
