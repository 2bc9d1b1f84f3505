"""What a phase should draw: plates summed, corrected for the supply, levels of what pulses told apart."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.judge.bands import parts_of
from loadbook.judge.expected import MOST_PULSING, bands, draws
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, parse_machine

PLATES = """
[machine]
id = "bench-washer"
name = "Bench washer"
kind = "washing_machine"
standby_w = 1.0
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[component]]
id = "drum"
nature = "motor"
rated_w = 350.0
[[component]]
id = "other_heater"
nature = "resistive"
rated_w = 1440.0
rated_voltage_v = 120.0
[[programme]]
id = "p"
"""


def machine(phase: str, more: str = "") -> Machine:
    text = PLATES.replace("[[programme]]", f"{more}\n[[programme]]")
    return parse_machine(f'{text}\n[[programme.phase]]\nid = "x"\nstage = "heat"\nmax_s = 60\n{phase}\n', "test")


def at(phase: str, volts: float | None) -> list[tuple[float, float]]:
    made = machine(phase)
    return bands(draws(made, made.programmes[0].phases[0], Limits()), volts)


STANDBY_W = 5.0  # the contract: the larger of 2 x 1.0 + 0.5 and 1.0 + 4


def test_a_heater_follows_the_square_of_the_supply() -> None:
    # IEC 60335-1, clause 10.1, table 1: heating of 2000 W 1800 to 2100 W at rated voltage; P2 = P1 (V2/V1)²:
    # 207 V of 230 V is 0.81, 253 V is 1.21 (arithmetic)
    assert at('on = ["heater"]', 230.0) == [pytest.approx((1800.0, 2100.0 + STANDBY_W))]
    assert at('on = ["heater"]', 207.0) == [pytest.approx((1458.0, 1701.0 + STANDBY_W))]
    assert at('on = ["heater"]', 253.0) == [pytest.approx((2178.0, 2541.0 + STANDBY_W))]


def test_without_a_voltage_the_band_is_as_wide_as_the_supply_may_be() -> None:
    # EN 50160: supply within 10 % of nominal
    assert at('on = ["heater"]', None) == [pytest.approx((1458.0, 2541.0 + STANDBY_W))]


def test_a_part_of_another_rated_voltage_has_its_own_square() -> None:
    low, high = at('on = ["other_heater"]', 120.0)[0]
    assert (low, high) == (pytest.approx(1296.0), pytest.approx(1512.0 + STANDBY_W))


def test_what_pulses_makes_levels_with_nothing_between() -> None:
    # table 1: a motor of 350 W at most 410 W (60 W rather than 15 %), no lower limit: a fifth of its plate
    rest, turning = at('pulsing = ["drum"]', 230.0)
    assert rest == (0.0, STANDBY_W)
    assert turning == pytest.approx((70.0, 410.0 + STANDBY_W))
    heat = at('on = ["heater"]\npulsing = ["drum"]', 230.0)
    assert heat == [pytest.approx((1800.0, 2510.0 + STANDBY_W))]


def test_a_stated_band_of_the_whole_machine_goes_first() -> None:
    assert at('on = ["drum"]\npower_w = { low = 90.0, high = 260.0 }', 207.0) == [(90.0, 260.0)]
    assert at('on = ["drum"]\npower_w = { high = 260.0 }', 207.0) == [(70.0, 260.0)]


def test_a_quiet_phase_may_draw_standby() -> None:
    assert at("", 230.0) == [(0.0, STANDBY_W)]


def test_many_pulsing_parts_are_none_or_all() -> None:
    more = "\n".join(f'[[component]]\nid = "m{i}"\nnature = "motor"\nrated_w = 30.0' for i in range(MOST_PULSING + 1))
    names = ", ".join(f'"m{i}"' for i in range(MOST_PULSING + 1))
    made = machine(f"pulsing = [{names}]", more)
    assert len(draws(made, made.programmes[0].phases[0], Limits())) == 2


@given(
    st.floats(180, 260),
    st.lists(st.sampled_from(["heater", "drum", "other_heater"]), unique=True),
    st.lists(st.sampled_from(["heater", "drum", "other_heater"]), unique=True),
)
def test_bands_hold_every_plate_and_never_overlap(volts: float, on: list[str], pulsing: list[str]) -> None:
    pulsing = [p for p in pulsing if p not in on]
    made = machine(f"on = {on}\npulsing = {pulsing}".replace("'", '"'))
    found = bands(draws(made, made.programmes[0].phases[0], Limits()), volts)
    assert all(low <= high for low, high in found)
    assert all(a[1] < b[0] for a, b in pairwise(found))
    parts = {p.id: p for p in parts_of(made, 0.2)}
    for some in (on, [*on, *pulsing]):  # what the plates themselves say lies in one of them
        plate_w = sum(parts[i].expected_w(volts) for i in some)
        assert any(low - 1e-6 <= plate_w <= high + 1e-6 for low, high in found)
