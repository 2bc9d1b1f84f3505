"""The truth beside a simulated log follows the contract: each kind of fault on the machine that shows it best."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from loadbook.simulate import catalogue, hard, machines, odd, plates
from loadbook.simulate.acts import Background, Sequence, Timed
from loadbook.simulate.bands import band_w, idle_limit_w, standby_limit_w, table_1
from loadbook.simulate.catalogue import Made
from loadbook.simulate.expect import Expected
from loadbook.simulate.faults import FAULTS
from loadbook.simulate.model import Model, part
from loadbook.simulate.play import Session, Turn, Twist
from loadbook.simulate.run import DT_S, Health

MODELS = [model for model, _ in catalogue.bench_models().values()]


@pytest.mark.parametrize("fault", FAULTS, ids=[f.id for f in FAULTS])
def test_every_fault_shows_on_some_machine_as_what_it_is_about(fault: object) -> None:
    found: list[str] = []
    for model in MODELS:
        scenario = catalogue.faulty(model, next(iter(model.programmes)), fault.id, 0)  # type: ignore[attr-defined]
        if scenario is None:
            continue
        needed = [e for e in scenario.make().truth.expected if e.needed]
        assert len(needed) <= 1
        for one in needed:
            assert one.kind in fault.about  # type: ignore[attr-defined]
            assert one.began_s <= one.provable_s + 5 <= one.due_s + 5
            found.append(model.id)
        if found:
            break
    assert found


def needed(model: Model, fault: str, seed: int = 0) -> tuple[Made, Expected]:
    scenario = catalogue.faulty(model, next(iter(model.programmes)), fault, seed)
    assert scenario
    made = scenario.make()
    (one,) = [e for e in made.truth.expected if e.needed]
    return made, one


def test_a_heater_in_a_phase_too_short_for_it_to_be_due_may_be_said_all_the_same() -> None:
    made, one = needed(machines.dishwasher(), "heater-stuck-on")
    ran_s = {p[0]: p[3] - p[2] for p in made.truth.cycles[0].phases}
    said = {e.phases[0]: e.may for e in made.truth.expected if e.kind == "component_unexpected"}
    short = [name for name, seconds in ran_s.items() if name.startswith("drain") and 10 < seconds < 32]
    assert short
    assert all(said[name] for name in short)
    assert not one.may


def test_nothing_is_too_short_while_another_programme_still_fits() -> None:
    """The heat of cotton-60, cut short, is the quick programme's heat until that one's wash would be over."""
    made, one = needed(hard.many_programmes(), "heat-too-short")
    assert one.kind == "phase_too_short"
    ends_s = {p[0]: p[3] for p in made.truth.cycles[0].phases}
    assert one.provable_s > ends_s["heat"] + 560


def test_a_hot_motor_beside_a_heater_is_due_once_it_is_seen_alone() -> None:
    made, one = needed(machines.dryer(), "motor-blocked")
    heater = made.recorded.watts("heater")
    first_off_s = float(np.flatnonzero((heater[1:] < 1) & (heater[:-1] > 1))[0]) * DT_S
    assert first_off_s < one.due_s < first_off_s + 45


def test_a_drum_that_is_missing_is_due_once_something_else_has_drawn() -> None:
    """The drum should turn for a while before the heater comes; as it does not, nothing shows that a programme runs."""
    model = machines.dryer()
    first, *rest = model.programmes["cupboard-dry"]
    turning = Timed(20.0, 20.0, Background(on={"drum_motor": 0.8}))
    led = replace(first, act=Sequence(turning, first.act))
    made, one = needed(replace(model, programmes={"cupboard-dry": (led, *rest)}), "motor-absent")
    heater_s = float(np.flatnonzero(made.recorded.watts("heater") > 1)[0]) * DT_S
    assert heater_s >= made.truth.cycles[0].start_s + 20
    assert one.due_s > heater_s + 30


def test_a_last_phase_without_end_is_due_once_it_acts_after_its_most_time() -> None:
    """The last phase is measured to its last action: between two strokes nobody can tell it from the end."""
    made, one = needed(machines.dryer(), "anti-crease-endless")
    assert one.kind == "phase_too_long"
    drum = np.flatnonzero(made.recorded.watts("drum_motor") > 1.0) * DT_S
    stroke_s = float(drum[drum >= one.provable_s][0])
    assert stroke_s + 30 <= one.due_s <= stroke_s + 35


def test_a_part_that_dies_where_the_phase_may_be_over_is_not_asked_for() -> None:
    """A minute after the heat's ``min_s`` a dead heater cannot be told from a wash that began."""
    model = machines.dishwasher()
    twist = Twist(health={"heater@main-heat": Health(scale=0.0, from_s=360.0)})
    made = catalogue.Scenario("late", model, Session((Turn("daily-60", twist=twist),)), 3).make()
    missing = [e for e in made.truth.expected if e.kind == "component_missing" and "heater" in e.components]
    assert missing
    assert all(e.may for e in missing)


def test_a_dead_heater_is_missing_through_an_interruption_that_the_contract_allows() -> None:
    """On for all of the phase, but for interruptions of up to 10 s (the contract, section 2)."""
    dead = np.ones(400, dtype=bool)
    assert plates.through_breaks([(0, 100), (136, 400)], dead) == [(0, 400)]
    assert plates.through_breaks([(0, 100), (144, 400)], dead) == [(0, 100), (144, 400)]
    dead[110:120] = False
    assert plates.through_breaks([(0, 100), (136, 400)], dead) == [(0, 100), (136, 400)]


def test_a_standstill_in_a_quiet_phase_is_a_stop_and_no_cycle_without_end() -> None:
    model = machines.dishwasher()
    twist = Twist(lengthen={"drying": 8.0}, patience=20.0)
    made = catalogue.Scenario("stands", model, Session((Turn("daily-60", twist=twist),)), 3).make()
    kinds = {e.kind: e for e in made.truth.expected}
    assert kinds["phase_too_long"].needed
    assert kinds["stopped_early"].may
    assert kinds["never_ending"].may


def test_silence_is_due_a_minute_after_the_last_reading() -> None:
    scenario = catalogue.faulty(machines.dryer(), "cupboard-dry", "meter-silent", 0)
    assert scenario
    (one,) = [e for e in scenario.make().truth.expected if e.needed]
    assert one.provable_s - one.began_s == 60.0


def test_a_drain_is_not_overlong_while_the_spin_after_it_may_have_begun() -> None:
    """The earlier of two phases that look alike holds until its ``max_s`` (contract, section 2): then the spin, whose
    pump runs while its motor rests, explains the rest of an overlong drain."""
    scenario = catalogue.faulty(hard.restless_washer(), "family-60", "drain-overlong", 0)
    assert scenario
    made = scenario.make()
    stay = next(p for p in made.truth.cycles[0].phases if p[0] == "drain-0")
    assert stay[3] - stay[2] > 200
    over = [e for e in made.truth.expected if e.kind == "phase_too_long" and "drain-0" in e.phases]
    assert over
    assert not any(e.needed for e in over)


def test_an_overlong_wash_is_due_when_the_phase_after_it_would_be_over_as_well() -> None:
    """Both together last 2700 + 2400 s at most, and which of them was too long nobody can tell."""
    made, one = needed(odd.plain_dishwasher(), "wash-overlong")
    wash_s = next(p[2] for p in made.truth.cycles[0].phases if p[0] == "wash")
    assert one.phases == ("wash", "rinse")
    assert one.provable_s == pytest.approx(wash_s + 2700, abs=1)
    assert wash_s + 5100 <= one.due_s <= wash_s + 5150


def test_a_phase_left_out_is_due_once_its_neighbours_cannot_pass_for_it() -> None:
    """Spin, drain, spin look like one spin; only the last spin, longer than the second may be, tells them apart."""
    made, one = needed(hard.restless_washer(), "rinse-skipped")
    last_s = next(p[2] for p in made.truth.cycles[0].phases if p[0] == "last-spin")
    assert last_s + 420 <= one.due_s <= last_s + 420 + 90


def test_an_overrun_is_proved_when_max_s_has_passed() -> None:
    scenario = catalogue.faulty(machines.washer(), "mixed-40", "fill-overlong", 0)
    assert scenario
    made = scenario.make()
    (one,) = [e for e in made.truth.expected if e.needed]
    fill = next(p for p in made.truth.cycles[0].phases if p[0] == "fill")
    assert one.provable_s == fill[2] + 300.0


# IEC 60335-1 (GOST R IEC 335-1-94, clause 10.1, table 1).
@pytest.mark.parametrize(
    ("nature", "rated_w", "low_w", "high_w"),
    [
        ("resistive", 2000, 1800, 2100), ("resistive", 300, 270, 320), ("resistive", 400, 360, 420),
        ("resistive", 200, 180, 220), ("motor", 350, None, 410), ("motor", 400, None, 460), ("motor", 500, None, 575),
        ("motor", 20, None, 24),
    ],
)  # fmt: skip
def test_the_truths_own_table_is_table_1(nature: str, rated_w: float, low_w: float | None, high_w: float) -> None:
    low, high = table_1(nature, rated_w)
    assert (None if low is None else rated_w + low) == low_w
    assert rated_w + high == pytest.approx(high_w)


def test_without_volts_a_heaters_band_widens_by_what_the_supply_may_be() -> None:
    machine, heater = machines.washer().machine, part("heater", "resistive", 2000.0)
    assert band_w(machine, heater, 230.0) == pytest.approx((1800.0, 2100.0))
    assert band_w(machine, heater, None) == pytest.approx((1800.0 * 0.81, 2100.0 * 1.21))


def test_standby_limits() -> None:
    assert standby_limit_w(1.2) == pytest.approx(5.2)
    assert standby_limit_w(5.0) == pytest.approx(10.5)
    assert standby_limit_w(None) == 5.0
    assert (idle_limit_w(1.0), idle_limit_w(None)) == (2.5, 4.0)


def test_a_long_pause_is_a_stop_that_goes_on() -> None:
    made, one = needed(machines.washer(), "paused")
    assert one.kind == "stopped_early"
    assert made.truth.cycles[0].outcome == "completed"


def test_a_log_that_ends_inside_a_cycle_leaves_its_programme_open_while_others_fit() -> None:
    model = hard.many_programmes()
    session = Session((Turn("cotton-60"),))
    early = catalogue.Scenario("early", model, session, 3, ends=0.1).make().truth.cycles[0]
    late = catalogue.Scenario("late", model, session, 3, ends=0.9).make().truth.cycles[0]
    assert (early.programme, early.outcome) == (None, "running")
    assert (late.programme, late.outcome) == ("cotton-60", "running")


@pytest.mark.parametrize("model", MODELS, ids=[m.id for m in MODELS])
def test_of_a_healthy_machine_only_silence_must_be_said(model: Model) -> None:
    for scenario in catalogue.spoilt(model, 1, catalogue.bench_models()[model.id][1]):
        expected = scenario.make().truth.expected
        assert {e.kind for e in expected if e.needed} <= {"meter_silent"}, scenario.name
