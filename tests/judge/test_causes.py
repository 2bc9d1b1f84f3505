"""The table of causes: reads, refuses with one line, ranks by the evidence. What the trade says is common practice."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.errors import InputError
from loadbook.events import ALERT_KINDS
from loadbook.files import load_causes
from loadbook.judge.causes import FACTS, CauseTable, Evidence, parse_causes
from loadbook.machine import Machine, parse_machine

MACHINE = """
[machine]
id = "harbour-dish-2"
name = "Dish 2"
kind = "dishwasher"

[[component]]
id = "heater"
nature = "resistive"
rated_w = 1800.0

[[component]]
id = "water_valve"
nature = "solenoid"
rated_w = 7.0

[[component]]
id = "drain_pump"
nature = "motor"
rated_w = 28.0

[[component]]
id = "wash_motor"
nature = "motor"
rated_w = 75.0
"""

ROW = """
[[cause]]
id = "own"
kinds = ["phase_too_long"]
cause = "The house's own cause"
because = "It ran {measured}."
check = "Look at it well."
"""


@pytest.fixture(scope="module")
def table() -> CauseTable:
    return load_causes()


@pytest.fixture(scope="module")
def machine() -> Machine:
    return parse_machine(MACHINE, "harbour-dish-2.toml")


def ids(table: CauseTable, evidence: Evidence, machine: Machine | None) -> list[str]:
    by_text = {row.cause: row.id for row in table.rows}
    return [by_text[c.cause] for c in table.likely(evidence, machine)]


def test_every_alert_kind_has_a_cause(table: CauseTable) -> None:
    for kind in ALERT_KINDS:
        causes = table.likely(Evidence(kind))
        assert causes, kind
        assert all(c.cause and c.because and c.check for c in causes)


@pytest.mark.parametrize(
    ("evidence", "first"),
    [
        (Evidence("phase_too_long", "fill", parts={"water_valve": "drew"}, measured=400, unit="s"), "fill-slow-supply"),
        (Evidence("phase_too_long", "fill", parts={"water_valve": "silent"}), "valve-circuit-open"),
        (Evidence("component_missing", "fill", component="water_valve"), "valve-circuit-open"),
        (Evidence("component_missing", "heat", component="heater"), "heater-open"),
        (
            Evidence("component_missing", "heat", component="wash_motor", parts={"heater": "drew"}),
            "motor-open-heater-on",
        ),
        (Evidence("phase_too_long", "heat", parts={"heater": "drew"}), "heat-long-thermistor"),
        (
            Evidence("power_low", "heat", component="heater", measured=900, expected_w=1800, unit="W"),
            "heater-half",
        ),
        (
            Evidence("power_low", "heat", component="heater", measured=1500, expected_w=1800, unit="W"),
            "heater-low",
        ),
        (Evidence("phase_too_long", "drain", parts={"drain_pump": "drew"}), "drain-blocked"),
        (Evidence("component_missing", "drain", component="drain_pump"), "drain-pump-open"),
        (Evidence("component_unexpected", "dry", component="heater"), "heater-unexpected"),
        (Evidence("stopped_early", "heat", facts={"after_power_cut": True}), "stopped-after-power-cut"),
        (Evidence("supply_impedance", measured=1.9, unit="ohm"), "impedance-joint"),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_the_first_cause_is_the_technicians(
    table: CauseTable, machine: Machine, evidence: Evidence, first: str
) -> None:
    """Common practice of the trade, no source."""
    assert ids(table, evidence, machine)[0] == first


def test_a_slow_fill_is_no_heaters_fault(table: CauseTable, machine: Machine) -> None:
    slow = Evidence("phase_too_long", "fill", "fill", parts={"water_valve": "drew"}, facts={"drew_earlier": True})
    assert not {"heater-cut-out", "heater-open"} & set(ids(table, slow, machine))


def test_a_missing_pump_is_no_open_heater_and_half_a_heater_no_cut_out(table: CauseTable, machine: Machine) -> None:
    pump = Evidence("component_missing", "wash", component="wash_motor", measured=0.0, unit="W", expected_w=75.0)
    assert "heater-open" not in ids(table, pump, machine)
    half = Evidence(
        "power_low", "heat", component="heater", measured=890, expected_w=1820, unit="W", facts={"drew_earlier": True}
    )
    assert ids(table, half, machine)[0] == "heater-half"


def test_what_nobody_knows_does_not_come_first(table: CauseTable, machine: Machine) -> None:
    first = ids(table, Evidence("stopped_early", "wash"), machine)[0]
    assert first == "broken-off-by-hand"
    cut = Evidence("stopped_early", "wash", facts={"after_power_cut": True})
    assert ids(table, cut, machine)[0] == "stopped-after-power-cut"


def test_evidence_rules_causes_out(table: CauseTable, machine: Machine) -> None:
    drew = Evidence("phase_too_long", "fill", parts={"water_valve": "drew"})
    assert "valve-circuit-open" not in ids(table, drew, machine)
    full = Evidence("power_low", "heat", component="heater", measured=1600, expected_w=1800, unit="W")
    assert "heater-half" not in ids(table, full, machine)


def test_figures_are_named(table: CauseTable, machine: Machine) -> None:
    evidence = Evidence(
        "power_low", "heat", "main-heat", "heater", 1234.4, 1620.0, 1890.0, "W", expected_w=1800.0, voltage_v=229.6
    )
    told = " ".join(c.because for c in table.likely(evidence, machine))
    assert "1,234 W" in told and "1,620 W" in told


@pytest.mark.parametrize(
    ("part", "role"),
    [("heater", "heater"), ("water_valve", "inlet_valve"), ("drain_pump", "drain_pump")],
)
def test_roles(table: CauseTable, machine: Machine, part: str, role: str) -> None:
    assert table.role(machine.component(part), "dishwasher") == role


def test_an_unnamed_small_motor_is_taken_for_the_drain_pump(table: CauseTable) -> None:
    text = MACHINE.replace('id = "drain_pump"', 'id = "m2"').replace('id = "wash_motor"', 'id = "m1"')
    machine = parse_machine(text, "x.toml")
    assert table.role(machine.component("m2"), "dishwasher") == "drain_pump"
    assert table.role(machine.component("m1"), "dishwasher") == "circulation_pump"
    assert table.role(machine.component("m1"), "washing_machine") == "drum_motor"


def test_the_user_adds_replaces_and_drops() -> None:
    shipped = ("shipped.toml", ROW)
    added = parse_causes([shipped, ("mine.toml", ROW.replace('"own"', '"mine"').replace("house's", "shop's"))])
    assert [r.id for r in added.rows] == ["own", "mine"]
    replaced = parse_causes([shipped, ("mine.toml", ROW.replace("house's", "shop's"))])
    assert [r.cause for r in replaced.rows] == ["The shop's own cause"]
    assert not parse_causes([shipped, ("mine.toml", 'drop = ["own"]')]).rows


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (ROW.replace("phase_too_long", "too_long"), "kinds"),
        (ROW.replace("{measured}", "{wattage}"), "wattage"),
        (ROW.replace("{measured}", "{measured"), "brace"),
        (ROW + 'facts = ["moon_full"]', "moon_full"),
        (ROW + "share = [0.6, 0.4]", "share"),
        (ROW + 'colour = "red"', "colour"),
        (ROW + 'safety = "nowhere"', "nowhere"),
        (ROW + ROW, "two causes"),
        ('drop = ["nobody"]', "nobody"),
        ("[[cause]\n", "not valid TOML"),
        (ROW.replace('cause = "The house\'s own cause"\n', ""), "is missing"),
    ],
    ids=range(11),
)
def test_a_bad_table_is_refused_in_one_line(text: str, word: str) -> None:
    with pytest.raises(InputError) as bad:
        parse_causes([("mine.toml", text)])
    assert word in str(bad.value) and "\n" not in str(bad.value)


PARTS = st.sampled_from(["heater", "water_valve", "drain_pump", "wash_motor"])
EVIDENCE = st.builds(
    Evidence,
    kind=st.sampled_from(ALERT_KINDS),
    stage=st.none() | st.sampled_from(["fill", "heat", "drain", "spin", "dry"]),
    phase=st.none() | st.just("main-heat"),
    component=PARTS,
    measured=st.none() | st.floats(0, 1e5),
    unit=st.sampled_from(["W", "s"]),
    expected_w=st.none() | st.floats(0, 2000),
    parts=st.dictionaries(PARTS, st.sampled_from(["drew", "silent"])),
    facts=st.dictionaries(st.sampled_from(sorted(FACTS)), st.booleans()),
)


@given(evidence=EVIDENCE)
def test_there_is_always_something_to_check(table: CauseTable, machine: Machine, evidence: Evidence) -> None:
    """However little or much is known, somebody is told what to do, in whole sentences without open places."""
    causes = table.likely(evidence, machine)
    assert 1 <= len(causes) <= 5
    for cause in causes:
        assert "{" not in cause.because + cause.check
        assert cause.safety is None or " " in cause.safety


def test_the_shipped_file_names_every_fact() -> None:
    text = (Path(__file__).parents[2] / "config" / "causes" / "roles.toml").read_text()
    assert not [fact for fact in FACTS if fact not in text]


def test_shipped_tables_are_free_of_double_ids() -> None:
    seen: set[str] = set()
    folder = Path(__file__).parents[2] / "config" / "causes"
    for path in sorted(folder.glob("*.toml")):
        for row in parse_causes([(path.name, (folder / "roles.toml").read_text()), (path.name, path.read_text())]).rows:
            assert row.id not in seen
            seen.add(row.id)
