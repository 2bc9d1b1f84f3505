"""The truth beside a simulated log follows the contract: each kind of fault on the machine that shows it best."""

from __future__ import annotations

import pytest
from loadbook.simulate import catalogue, hard, machines
from loadbook.simulate.bands import band_w, idle_limit_w, standby_limit_w, table_1
from loadbook.simulate.faults import FAULTS
from loadbook.simulate.model import part

MODELS = [machines.washer(), machines.dishwasher(), machines.dryer(), *hard.hard_models().values()]


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


def test_silence_is_due_a_minute_after_the_last_reading() -> None:
    scenario = catalogue.faulty(machines.dryer(), "cupboard-dry", "meter-silent", 0)
    assert scenario
    (one,) = [e for e in scenario.make().truth.expected if e.needed]
    assert one.provable_s - one.began_s == 60.0


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
