"""Learning a chart: from plates and good cycles of simulated machines, against the charts their makers wrote."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st
from loadbook.cli import main
from loadbook.errors import InputError
from loadbook.judge.limits import Limits
from loadbook.learning import found_in, learn_from
from loadbook.logs import write_log
from loadbook.machine import Machine, parse_machine
from loadbook.machine_text import difference, with_chart
from loadbook.recognise.explain import Level, beside_large, explain, levels_of
from loadbook.recognise.learn import margins
from loadbook.recognise.regimes import Regime, aligned
from loadbook.simulate import catalogue
from loadbook.simulate.model import machine_toml
from made import machine_and_logs, plates_of

MACHINES = (("quay-washer-1", "mixed-40"), ("harbour-dish-2", "daily-60"), ("quay-dryer-3", "cupboard-dry"))


@pytest.mark.parametrize(("model", "programme"), MACHINES)
def test_the_learned_chart_is_the_makers(model: str, programme: str) -> None:
    """Same stages in the same order, same heaters, valves and pumps in each, times that hold the maker's means."""
    machine, logs = machine_and_logs(model, programme, 3)
    learned = learn_from(logs, plates_of(machine), "new", None, Limits()).programme
    truth = machine.programme(programme)
    got = [(p.stage, {c for c in p.on if machine.component(c).nature != "motor"}) for p in learned.phases]
    wanted = [(p.stage, {c for c in p.on if machine.component(c).nature != "motor"}) for p in truth.phases]
    assert got == wanted
    for mine, theirs in zip(learned.phases, truth.phases, strict=True):
        assert {*theirs.on, *theirs.pulsing} <= {*mine.on, *mine.pulsing, "drum_motor", "drain_pump"}
        assert mine.min_s < theirs.max_s and theirs.min_s < mine.max_s


@pytest.mark.parametrize(("model", "programme"), MACHINES)
def test_a_learned_chart_finds_no_fault_with_other_good_cycles(model: str, programme: str) -> None:
    machine, logs = machine_and_logs(model, programme, 6)
    learned = learn_from(logs[:3], plates_of(machine), "new", None, Limits())
    for _, series in logs[3:]:
        found = found_in(series, learned.machine, Limits())
        assert [c.outcome for c in found.cycles] == ["completed"]
        assert found.alerts == []


@pytest.mark.parametrize(("model", "programme"), MACHINES)
def test_the_usual_length_lies_within_the_limits_and_is_written(model: str, programme: str) -> None:
    machine, logs = machine_and_logs(model, programme, 3)
    learned = learn_from(logs, plates_of(machine), "new", None, Limits())
    for phase in learned.programme.phases:
        assert phase.usual_s == round(median(learned.durations_s[phase.id]))
        assert phase.min_s <= phase.usual_s <= phase.max_s
    whole = machine_toml(catalogue.bench_models()[model][0])
    text = whole[: whole.index("[[programme]]")]
    again = parse_machine(with_chart(text, learned.machine, learned.programme), "x.toml").programme("new")
    assert [p.usual_s for p in again.phases] == [p.usual_s for p in learned.programme.phases]


def _level(start_s: int, seconds: int, *parts: str) -> Level:
    return Level(start_s * 1000, (start_s + seconds) * 1000, 0.0, None, None, frozenset(parts))


def test_a_heat_that_some_cycles_break_off_stands_over_the_same_heat() -> None:
    """A short drain in the middle of one cycle's wash must not push its first heat off the others'."""
    drum, hot = frozenset({"drum"}), frozenset({"drum", "heater"})
    pump = frozenset({"drum", "pump"})

    def row(*phases: tuple[frozenset[str], int]) -> list[Regime]:
        out, at_s = [], 0
        for parts, seconds in phases:
            out.append(Regime(at_s * 1000, (at_s + seconds) * 1000, parts))
            at_s += seconds
        return out

    plain = row((drum, 190), (hot, 560), (drum, 305), (hot, 429), (drum, 920))
    broken = row((drum, 148), (hot, 476), (drum, 90), (pump, 35), (drum, 39), (hot, 343), (drum, 922))
    columns = aligned([plain, plain, broken], frozenset({"heater"}))
    heats = [[c and c.seconds for c in column.cells] for column in columns if "heater" in column.parts]
    assert heats == [[560, 560, 476], [429, 429, 343]]


def test_a_pump_beside_a_motor_is_on_where_it_is_on_both_sides() -> None:
    machine, _ = machine_and_logs("quay-washer-1", "mixed-40", 1)
    levels = [
        _level(0, 5, "drain_pump"), _level(5, 9, "drum_motor"), _level(14, 5, "drain_pump"),
        _level(19, 9, "drum_motor"), _level(28, 5),
    ]  # fmt: skip
    beside_large(levels, machine.components)
    assert [lv.parts for lv in levels] == [
        {"drain_pump"}, {"drum_motor", "drain_pump"}, {"drain_pump"}, {"drum_motor"}, set(),
    ]  # fmt: skip


def test_refining_keeps_the_parts_and_takes_the_times_seen() -> None:
    machine, logs = machine_and_logs("harbour-dish-2", "daily-60", 3)
    refined = learn_from(logs, machine, "daily-60", None, Limits())
    before = machine.programme("daily-60")
    assert refined.refined and refined.cycles == 3
    assert [(p.id, p.on, p.pulsing) for p in refined.programme.phases] == [
        (p.id, p.on, p.pulsing) for p in before.phases
    ]
    assert [p.max_s for p in refined.programme.phases] != [p.max_s for p in before.phases]
    for phase in refined.programme.phases:
        for seconds in refined.durations_s[phase.id]:
            assert phase.min_s <= seconds <= phase.max_s


def test_more_cycles_narrow_the_bands() -> None:
    machine, logs = machine_and_logs("harbour-dish-2", "daily-60", 6)
    widths = []
    for n in (1, 3, 6):
        learned = learn_from(logs[:n], plates_of(machine), "new", None, Limits())
        phase = next(p for p in learned.programme.phases if p.stage == "heat")
        widths.append(phase.max_s - phase.min_s)
    assert widths[0] > widths[1] > widths[2]


def test_one_cycle_says_that_it_is_one() -> None:
    machine, logs = machine_and_logs("quay-washer-1", "mixed-40", 3)
    learned = learn_from(logs[:1], plates_of(machine), "new", None, Limits())
    assert any("one cycle only" in note for note in learned.notes)
    assert any("no watt band" in note for note in learned.notes)
    assert all(p.power_w is None for p in learned.programme.phases)


@given(st.lists(st.floats(5, 5000), min_size=1, max_size=12))
def test_margins_hold_what_was_seen(durations: list[float]) -> None:
    low, high = margins(durations)
    assert 0 <= low <= min(durations) and max(durations) <= high


@given(st.floats(20, 5000))
def test_margins_narrow_with_the_number_of_cycles(duration: float) -> None:
    widths = [high - low for low, high in (margins([duration] * n) for n in (1, 2, 4, 9, 30))]
    assert all(later <= earlier for earlier, later in pairwise(widths))
    _, high = margins([duration])
    assert high == pytest.approx(duration * 1.6 + 15, abs=1.01)


def test_the_parts_of_each_level_are_told() -> None:
    """Simulated dishwasher: the share of its energy that is put down to the heater is what the heater drew."""
    machine, logs = machine_and_logs("harbour-dish-2", "daily-60", 1)
    series = logs[0][1]
    levels = levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1]))
    explain(levels, machine)
    heated = [level for level in levels if "heater" in level.parts]
    assert all("circulation_pump" in level.parts for level in heated if level.seconds > 10)
    assert not any("drain_pump" in level.parts for level in heated if level.seconds > 10)
    assert sum(level.seconds for level in heated) == pytest.approx(
        sum(level.seconds for level in levels if level.power_w > 1000), rel=0.01
    )


COMMENTED = """# Our dishwasher, by the window.

[machine]
id = "harbour-dish-2"
name = "Dish 2"       # the old one
kind = "dishwasher"
standby_w = 1.0

[[component]]
id = "heater"         # changed in spring
nature = "resistive"
rated_w = 1820.0

[[programme]]
id = "daily"

[[programme.phase]]
id = "fill"   # tap is slow
stage = "fill"
max_s = 200.0
"""


def test_the_users_comments_stay() -> None:
    machine = parse_machine(COMMENTED, "x.toml")
    phase = machine.programmes[0].phases[0].model_copy(update={"max_s": 321.0, "optional": False, "min_s": 12.0})
    programme = machine.programmes[0].model_copy(update={"phases": (phase,)})
    text = with_chart(COMMENTED, machine, programme)
    for comment in ("# Our dishwasher, by the window.", "# the old one", "# changed in spring", "# tap is slow"):
        assert comment in text
    assert parse_machine(text, "x.toml").programmes[0].phases[0].max_s == 321.0
    assert "+max_s = 321.0" in difference(COMMENTED, text, "x.toml")
    assert with_chart(text, parse_machine(text, "x.toml"), programme) == text


def plain_file(folder: Path, machine: Machine, text: str) -> Path:
    path = folder / f"{machine.id}.toml"
    path.write_text(text[: text.index("[[programme]]")])
    return path


@pytest.fixture
def dish(tmp_path: Path) -> tuple[Path, list[str]]:
    machine, logs = machine_and_logs("harbour-dish-2", "daily-60", 3)
    text = (Path(__file__).parents[2] / "config" / "machines" / "harbour-dish-2.toml").read_text()
    names = []
    for name, series in logs:
        names.append(str(tmp_path / f"{name}.csv.gz"))
        write_log(Path(names[-1]), series)
    return plain_file(tmp_path, machine, text), names


def test_learn_shows_before_it_saves(dish: tuple[Path, list[str]], capsys: pytest.CaptureFixture[str]) -> None:
    path, logs = dish
    before = path.read_text()
    assert main(["learn", *logs, "--machine", str(path), "--programme", "daily", "--name", "Daily"]) == 0
    shown = capsys.readouterr().out
    assert "+[[programme]]" in shown and "Not saved" in shown and "3 good cycles" in shown
    assert path.read_text() == before
    assert main(["learn", *logs, "--machine", str(path), "--programme", "daily", "--save"]) == 0
    saved = parse_machine(path.read_text(), str(path))
    assert [p.id for p in saved.programmes] == ["daily"] and path.read_text().startswith(before.rstrip()[:200])
    assert len(list(path.parent.glob("*.new"))) == 0


def test_learn_refuses_in_one_line(dish: tuple[Path, list[str]], capsys: pytest.CaptureFixture[str]) -> None:
    path, logs = dish
    text = path.read_text()
    path.write_text(text[: text.index("[[component]]")])
    assert main(["learn", *logs, "--machine", str(path)]) == 2
    assert "no [[component]]" in capsys.readouterr().err
    path.write_text(text)
    idle = path.with_name("idle.csv")
    idle.write_text("time,power_w\n" + "".join(f"2031-01-01T00:{m:02d}:00Z,0.4\n" for m in range(60)))
    assert main(["learn", str(idle), "--machine", str(path)]) == 2
    assert "no complete cycle" in capsys.readouterr().err


def test_a_log_of_another_programme_is_left_out() -> None:
    machine, logs = machine_and_logs("quay-washer-1", "mixed-40", 3)
    _, short = machine_and_logs("quay-washer-1", "quick-cold", 1)
    learned = learn_from([*logs, ("short", short[0][1])], plates_of(machine), "new", None, Limits())
    assert learned.cycles == 3
    assert any("another programme" in note for note in learned.notes)


def test_no_cycle_is_an_error() -> None:
    machine, logs = machine_and_logs("quay-washer-1", "mixed-40", 1)
    with pytest.raises(InputError):
        learn_from([("cut", logs[0][1].slice(0, 600))], plates_of(machine), "new", None, Limits())


def test_a_few_good_days_do_not_show_how_long_a_drain_may_take() -> None:
    """As the sieve lets it: twice as long is no fault from three cycles, and some from twelve."""
    assert margins([31.0, 32.0, 35.0], "drain")[1] > 70
    assert margins([31.0, 32.0, 35.0] * 4, "drain")[1] < 65
