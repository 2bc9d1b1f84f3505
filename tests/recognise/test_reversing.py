"""A drum that reverses does not spin: told where the chart of a spin allows all that a rinse or a loosening draws."""

from __future__ import annotations

import pytest
from charts import machine, phase
from loadbook.assessor import Assessor
from loadbook.events import StateChanged
from loadbook.judge.limits import Limits
from loadbook.recognise import prices
from loadbook.recognise.beam import Beam
from loadbook.recognise.chart_model import chart_model
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.levels import Levels
from loadbook.recognise.stay import Stay
from washer import Said, drum, on, second, series, still

ANY = '"pump", "drum_motor"'
WASH = phase("wash", "wash", 150, 900, pulsing='"drum_motor"')
SPIN = phase("spin", "spin", 150, 900, pulsing=ANY)
RINSE = phase("rinse", "rinse", 150, 600, pulsing='"valve", "drum_motor"')
LAST = phase("last-spin", "spin", 150, 900, pulsing=ANY)
LOOSEN = phase("loosen", "wait", 40, 300, pulsing='"drum_motor"')
WASHED = still(30) + drum(320)
SPUN = on(28, 40) + drum(32, motor_w=60, on_s=9) + on(60, 40) + on(150, 120) + on(28, 20)
CHART = machine((WASH, SPIN, RINSE, LAST, LOOSEN))


def starts(said: Said) -> dict[str | None, int]:
    return {p.id: second(p.start_ms) for p in said.cycles[0].phases if p.start_ms is not None}


def test_what_reverses_after_a_spin_is_the_next_phase_from_its_first_stroke() -> None:
    """Though the chart lets the spin's drum come and go as well; a few strokes within a spin are of it."""
    run = WASHED + SPUN + drum(320) + SPUN + drum(150, motor_w=60)
    said = Said(run + still(400), CHART)
    began = starts(said)
    at = len(WASHED + SPUN)
    assert began["rinse"] == pytest.approx(at, abs=8)
    assert began["last-spin"] == pytest.approx(at + 320, abs=20)
    assert began["loosen"] == pytest.approx(at + 320 + len(SPUN), abs=8)
    assert said.cycles[0].outcome == "completed"
    assert not said.alerts


def test_it_is_told_within_two_minutes_that_the_drum_reverses() -> None:
    assessor = Assessor(CHART, Limits())
    events = assessor.feed_series(series(WASHED + SPUN + drum(120)))
    told = [e.phase for e in events if isinstance(e, StateChanged)]
    assert told[-1] == "rinse"


def test_a_spin_does_not_end_with_strokes_of_a_reversing_drum() -> None:
    """They are the next phase's, also where one of them draws more than that phase should."""
    model = chart_model(CHART, Limits())
    beam = Beam(model, Limits(), Levels.of(model))
    phase_model, costs = model.programmes[0].phases[1], []
    for strokes in (0, 2):
        spin = Stay(1, 0, 0, 0, well_ms=300_000, seen_ms={1: 200_000}, reversals=strokes)
        costs.append(beam._leave(Story(0, 0, 0, spin, phase_model), phase_model, 300_000, 0)[0])
    assert costs[1] - costs[0] == pytest.approx(2 * prices.REVERSES)
