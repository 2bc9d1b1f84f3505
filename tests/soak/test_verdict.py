"""A soak test's verdict: each requirement by the decision rule, over all cycles."""

from __future__ import annotations

import pytest
from loadbook.errors import InputError
from loadbook.events import Alert, Cycle, PartMeasured, Phase
from loadbook.machine import parse_machine
from loadbook.soak.decide import Accuracy, Finding
from loadbook.soak.order import OwnLimit
from loadbook.soak.requirements import refuse_undecidable, requirements
from loadbook.soak.verdict import Result, Verdict, draw_verdict, left_open

MACHINE = parse_machine(
    """
[machine]
id = "quay-washer-1"
name = "Washer 1"
kind = "washing_machine"
standby_w = 1.0
[[component]]
id = "heater"
nature = "resistive"
rated_w = 2000.0
[[component]]
id = "drum_motor"
nature = "motor"
rated_w = 300.0
[[component]]
id = "lamp"
nature = "electronics"
rated_w = 10.0
[[programme]]
id = "mixed-60"
[[programme.phase]]
id = "main-heat"
stage = "heat"
on = ["heater"]
pulsing = ["drum_motor"]
min_s = 300.0
max_s = 1500.0
""",
    "washer.toml",
)
PROGRAMME = MACHINE.programme("mixed-60")


def cycle(number: int, heater_w: float | None = 1980.0, seconds: float = 900.0, outcome: str = "completed") -> Cycle:
    start = number * 10_000_000
    made = Cycle(start, start, start + 5_000_000, "mixed-60", outcome, standby_w=1.1)  # type: ignore[arg-type]
    made.phases = [Phase("main-heat", "heat", start, start + int(seconds * 1000))]
    if heater_w is not None:
        made.parts = [
            PartMeasured("heater", "main-heat", heater_w * 0.96, seconds, heater_w, 230.0**2 / heater_w),
            PartMeasured("drum_motor", "main-heat", 180.0, 100.0),
        ]
    return made


CLASS_1 = Accuracy(1.0, 0.2)


def drawn(cycles: list[Cycle], alerts: list[Alert] | None = None, meter: Accuracy | None = CLASS_1) -> Verdict:
    return draw_verdict(requirements(MACHINE, PROGRAMME, ()), cycles, alerts or [], meter)


def result(verdict: Verdict, name: str) -> Result:
    return next(r for r in verdict.results if r.requirement.id == name)


def test_six_good_cycles_are_met() -> None:
    verdict = drawn([cycle(n) for n in range(6)])
    assert verdict.finding is Finding.MET
    assert (verdict.tested, verdict.good) == (6, 6)
    assert result(verdict, "power/heater").values == (1980.0,) * 6
    assert "power/lamp" not in {r.requirement.id for r in verdict.results}


@pytest.mark.parametrize(
    ("heater_w", "finding"),
    [(1500.0, Finding.NOT_MET), (1790.0, Finding.UNDECIDED), (1830.0, Finding.MET), (2130.0, Finding.NOT_MET)],
)
def test_the_worst_cycle_decides(heater_w: float, finding: Finding) -> None:
    verdict = drawn([cycle(0), cycle(1, heater_w), cycle(2)])
    assert result(verdict, "power/heater").finding is finding
    assert verdict.finding is finding
    assert verdict.good == (2 if finding is Finding.NOT_MET else 3)


def test_without_the_meters_accuracy_watts_are_not_assessed_but_times_are() -> None:
    verdict = drawn([cycle(0)], meter=None)
    assert result(verdict, "power/heater").finding is Finding.NOT_ASSESSED
    assert "no limit of error of the meter is stated" in result(verdict, "power/heater").why
    assert result(verdict, "time/main-heat").finding is Finding.MET
    assert verdict.finding is Finding.NOT_ASSESSED


def test_standby_needs_the_fixed_part() -> None:
    verdict = drawn([cycle(0)], meter=Accuracy(1.0))
    assert result(verdict, "standby").finding is Finding.NOT_ASSESSED
    assert result(verdict, "power/heater").finding is Finding.MET


def test_what_was_left_open_says_what_to_do() -> None:
    verdict = drawn([cycle(0)], meter=None)
    open_ = left_open(verdict)
    assert sum(count for count, _, _ in open_) == sum(r.finding is Finding.NOT_ASSESSED for r in verdict.results)
    count, why, remedy = open_[0]
    assert count > 1 and "no limit of error" in why and "class_percent" in remedy and "before anything" in remedy
    ((count, why, remedy),) = left_open(drawn([cycle(0)], meter=Accuracy(1.0)))
    assert (count, "class_fixed_w" in remedy) == (1, True)
    assert left_open(drawn([cycle(0)], meter=Accuracy(1.0, 0.1))) == []
    assert left_open(drawn([], meter=None)) == []  # nothing has been measured yet


def test_findings_of_the_record_count_as_deviations() -> None:
    missing = Alert("component_missing", 1, 2, cycle_key_ms=0, phase="main-heat", component="drum_motor")
    verdict = drawn([cycle(0), cycle(1)], [missing])
    assert result(verdict, "parts").findings == (Finding.NOT_MET, Finding.MET)
    assert verdict.sentence == "A deviation in 1 of 2 cycles."


def test_the_supply_is_a_condition_not_a_deviation() -> None:
    supply = Alert("supply_voltage", 1, 2, cycle_key_ms=0, measured=203.0, low=207.0, high=253.0, unit="V")
    verdict = drawn([cycle(0)], [supply])
    assert verdict.finding is Finding.MET
    assert verdict.conditions == (supply,)


def test_a_cycle_stopped_early_is_not_met_and_a_running_one_is_left_out() -> None:
    verdict = drawn([cycle(0), cycle(1, outcome="stopped_early"), cycle(2, outcome="running")])
    assert verdict.tested == 2
    assert result(verdict, "completed").findings == (Finding.MET, Finding.NOT_MET)


def test_nothing_tested_is_not_assessed() -> None:
    verdict = drawn([])
    assert verdict.finding is Finding.NOT_ASSESSED
    assert verdict.sentence == "No cycle was completed, so nothing can be said."


def test_drift_of_the_heaters_resistance() -> None:
    verdict = drawn([cycle(0, 2000.0), cycle(1, 1980.0), cycle(2, 1960.0)])
    (drift,) = verdict.drifts
    assert drift.component == "heater"
    assert drift.first_ohm == pytest.approx(26.45)  # 230^2 / 2000
    assert drift.change_percent == pytest.approx(100 * (2000 / 1960 - 1))


def test_a_limit_entered_for_the_test_takes_the_plates_place() -> None:
    own = (OwnLimit(component="lamp", high_w=20.0), OwnLimit(component="heater", low_w=1900.0, high_w=2050.0))
    by_id = {r.id: r for r in requirements(MACHINE, PROGRAMME, own)}
    assert by_id["power/heater"].bounds.low == 1900.0
    assert by_id["power/lamp"].basis == "entered for this test"


def test_limits_the_meter_cannot_decide_are_refused_when_entered() -> None:
    tight = (OwnLimit(component="heater", low_w=1980.0, high_w=2020.0),)
    refuse_undecidable(MACHINE, tight, Accuracy(0.5))
    refuse_undecidable(MACHINE, tight, None)
    with pytest.raises(InputError, match="heater: limits 1980 to 2020"):
        refuse_undecidable(MACHINE, tight, Accuracy(2.0))
    with pytest.raises(InputError, match="no component 'pump'"):
        refuse_undecidable(MACHINE, (OwnLimit(component="pump", high_w=30.0),), None)
