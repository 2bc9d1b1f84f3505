"""A last phase in which all comes and goes, after one that looks like it: that nothing more draws is the end."""

from __future__ import annotations

import pytest
from charts import PARTS, phase
from drawn import ON_W, Step, draw, idle, last_known, strokes
from loadbook.assessor import Assessor
from loadbook.machine import Machine, parse_machine

SPINS = '[[component]]\nid = "spin_motor"\nnature = "motor"\nrated_w = 450.0\n'
ALL = '"pump", "drum_motor", "spin_motor"'


def _machine() -> Machine:
    phases = (
        phase("fill", "fill", 30, 200, on='"valve"'),
        phase("wash", "wash", 150, 900, pulsing='"drum_motor"'),
        phase("spin", "spin", 200, 1200, pulsing=ALL),
        phase("loosen", "wait", 40, 300, pulsing='"drum_motor"'),
    )
    return parse_machine(PARTS + SPINS + '[[programme]]\nid = "p0"\n' + "".join(phases), "spins.toml")


def _spin() -> list[Step]:
    """The pump rests while the load is balanced anew, longer than the loosening takes."""
    steps: list[Step] = [(60, 33), (40, 75), (10, 430), (40, 33), (40, 70), (8, 440), (20, 33)]
    steps += [*strokes(130, 90, on_s=8, off_s=5), (20, 33), (40, 70), (10, 440), (240, 145), (18, 33)]
    return steps


@pytest.mark.parametrize("after_w", [(ON_W, 2.0, 0.4), (2.0, 0.4, 0.2), (ON_W, 0.4, 0.0)])
def test_a_machine_that_stands_still_has_ended(after_w: tuple[float, float, float]) -> None:
    steps = [*idle(300), (70, ON_W + 8), *strokes(400, 170), *_spin(), (10, ON_W)]
    steps += strokes(120, 80, on_s=8, off_s=6)
    for watts in after_w:
        steps += idle(160, watts)
    steps += idle(900)
    assessor = Assessor(_machine())
    cycles, alerts = last_known(assessor.feed_series(draw(steps)) + assessor.finish())
    assert [c.outcome for c in cycles] == ["completed"]
    assert not [a.kind for a in alerts]
