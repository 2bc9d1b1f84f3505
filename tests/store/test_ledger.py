"""The ledger: events written down once, moved together when the clock is set, and schemas brought up to date."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from loadbook.errors import StartError
from loadbook.events import Alert, AlertChanged, Cause, Cycle, CycleChanged, PartMeasured, Phase, StateChanged
from loadbook.machine import parse_machine
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.ledger import Ledger, SavedAssessor
from loadbook.store.migrate import migrate, scripts, statements

T0 = 1_790_000_000_000
MACHINE = parse_machine('[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\n', "quay.toml")


@pytest.fixture
def ledger(tmp_path: Path):
    made = Ledger.open(tmp_path)
    with made.transaction():
        made.put_machine(MACHINE, "m1")
    yield made
    made.close()


def cycle(**more) -> Cycle:
    phases = [Phase("fill", "fill", T0, T0 + 60_000, 20.0, 0.001, ["valve"]), Phase("heat", "heat", T0 + 60_000, None)]
    parts = [PartMeasured("valve", "fill", 8.0, 55.0)]
    return Cycle(T0, T0, T0 + 90_000, energy_kwh=0.5, phases=phases, parts=parts, **more)


def alert(**more) -> Alert:
    causes = [Cause("filter", "the fill took long", "clean the inlet filter")]
    return Alert("phase_too_long", T0 + 50_000, T0 + 80_000, cycle_key_ms=T0, phase="fill", causes=causes, **more)


def dump(ledger: Ledger) -> list[tuple]:
    tables = ("machine", "cycle", "phase", "part_measured", "alert")
    return [tuple(row) for t in tables for row in ledger.db.execute(f"SELECT * FROM {t} ORDER BY 1, 2")]


def test_the_same_event_twice_changes_nothing_more(ledger):
    events = [
        AlertChanged(T0, alert()),  # before its cycle is known
        CycleChanged(T0, cycle()),
        StateChanged(T0, "running", T0, "fill", "fill", T0 + 120_000),
        AlertChanged(T0, alert(cleared_ms=T0 + 90_000)),
    ]
    for event in events:
        with ledger.transaction():
            ledger.apply("quay-washer-1", event)
    once = dump(ledger)
    assert ledger.db.execute("SELECT cycle, cleared_ms FROM alert").fetchall() == [(1, T0 + 90_000)]
    assert ledger.db.execute("SELECT count(*) FROM phase").fetchone() == (2,)
    assert ledger.db.execute("SELECT energy_wh FROM cycle").fetchone() == (500.0,)
    with ledger.transaction():
        for event in events[1:]:
            ledger.apply("quay-washer-1", event)
    assert dump(ledger) == once


def test_a_dropped_cycle_and_a_withdrawn_alert_are_gone(ledger):
    with ledger.transaction():
        ledger.apply("quay-washer-1", CycleChanged(T0, cycle()))
        ledger.apply("quay-washer-1", AlertChanged(T0, alert()))
        ledger.apply("quay-washer-1", AlertChanged(T0, alert(), withdrawn=True))
        ledger.apply("quay-washer-1", CycleChanged(T0, cycle(), dropped=True))
    for table in ("cycle", "phase", "alert", "part_measured"):
        assert ledger.db.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,), table


def test_fewer_phases_than_before(ledger):
    with ledger.transaction():
        ledger.apply("quay-washer-1", CycleChanged(T0, cycle()))
        ledger.apply("quay-washer-1", CycleChanged(T0, replace(cycle(), phases=cycle().phases[:1], parts=[])))
    assert ledger.db.execute("SELECT count(*) FROM phase").fetchone() == (1,)


def test_all_that_was_said_moves_with_the_clock(ledger):
    by = 94_608_000_000
    with ledger.transaction():
        for event in (CycleChanged(T0, cycle()), AlertChanged(T0, alert())):
            ledger.apply("quay-washer-1", event)
        ledger.shift("quay-washer-1", T0 - 1, by)
        # the recogniser now speaks of the same cycle and alert on the new time line
        moved = replace(cycle(), key_ms=T0 + by, start_ms=T0 + by, end_ms=T0 + by + 95_000)
        ledger.apply("quay-washer-1", CycleChanged(T0 + by, moved))
        late = replace(alert(), began_ms=T0 + by + 50_000, raised_ms=T0 + by + 80_000, cycle_key_ms=T0 + by)
        ledger.apply("quay-washer-1", AlertChanged(T0 + by, late))
    assert ledger.db.execute("SELECT key_ms, end_ms FROM cycle").fetchall() == [(T0 + by, T0 + by + 95_000)]
    assert ledger.db.execute("SELECT key, cycle FROM alert").fetchall() == [(late.key, 1)]


def test_state_and_word_share_a_commit(ledger):
    with pytest.raises(RuntimeError), ledger.transaction():
        ledger.apply("quay-washer-1", CycleChanged(T0, cycle()))
        ledger.save_assessor("quay-washer-1", SavedAssessor(T0, 0, {"open": T0}))
        raise RuntimeError("power cut")
    assert ledger.saved_assessor("quay-washer-1") is None
    assert ledger.db.execute("SELECT count(*) FROM cycle").fetchone() == (0,)
    with ledger.transaction():
        ledger.save_assessor("quay-washer-1", SavedAssessor(T0, 5, {"open": T0}))
    assert ledger.saved_assessor("quay-washer-1") == SavedAssessor(T0, 5, {"open": T0})


def test_an_answer_is_remembered(ledger):
    with ledger.transaction():
        ledger.keep_answer("r1", T0, {"ok": True})
        ledger.keep_answer("r2", T0 + 90_000_000, {"ok": False})
    assert ledger.answer_to("r1") is None
    assert ledger.answer_to("r2") == {"ok": False}


def test_a_newer_schema_is_refused_with_one_line(ledger, tmp_path):
    ledger.db.execute("INSERT INTO schema_script VALUES (9999, 'from the future')")
    ledger.close()
    with pytest.raises(StartError, match="newer loadbook") as bad:
        Ledger.open(tmp_path)
    assert "\n" not in str(bad.value)


def test_a_script_that_fails_leaves_the_file_as_it_was(monkeypatch):
    db = sqlite3.connect(":memory:", isolation_level=None)
    good = (1, "0001_a.sql", "CREATE TABLE a (x); -- one; two\nCREATE TABLE b (y);")
    monkeypatch.setattr(
        "loadbook.store.migrate.scripts", lambda schema: [good, (2, "0002_b.sql", "CREATE TABLE a (z);")]
    )
    with pytest.raises(sqlite3.OperationalError):
        migrate(db, "any", "memory")
    assert db.execute("SELECT number FROM schema_script").fetchall() == [(1,)]
    assert {r[0] for r in db.execute("SELECT name FROM sqlite_master")} >= {"a", "b"}


@pytest.mark.parametrize("schema", ["ledger_schema", "readings_schema"])
def test_scripts_are_numbered_without_a_hole(schema):
    assert [number for number, _, _ in scripts(schema)] == list(range(1, len(scripts(schema)) + 1))


def test_statements_are_cut_where_they_end():
    assert statements("CREATE TABLE a (x TEXT DEFAULT ';');\n-- a; b\nINSERT INTO a VALUES (1);\n") == [
        "CREATE TABLE a (x TEXT DEFAULT ';');",
        "-- a; b\nINSERT INTO a VALUES (1);",
    ]
    with pytest.raises(ValueError, match="does not end"):
        statements("CREATE TABLE a (x)")


def test_the_reader_has_columns_by_name(ledger, tmp_path):
    reader = read_only(tmp_path / LEDGER_FILE)
    assert reader.execute("SELECT id, state FROM machine").fetchone()["id"] == "quay-washer-1"
    reader.close()
