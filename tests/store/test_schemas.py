"""A database of every earlier schema is brought to today's with all that was in it. ``fixtures/NAME-N.sql`` is a dump
of one as schema N made it; a new script gets a new dump, and no dump ever changes."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from loadbook.reading import Reading
from loadbook.store.backup import restore as put_back
from loadbook.store.connect import LEDGER_FILE, READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.migrate import scripts, version_of
from loadbook.store.people import PEOPLE_FILE, PeopleRows, Person
from loadbook.store.rows import alerts_between, cycles_between
from loadbook.store.sqlite_readings import SqliteStore

FIXTURES = sorted((Path(__file__).parent / "fixtures").glob("*.sql"))
FAR = 1 << 53


def named(name: str) -> list[Path]:
    return [p for p in FIXTURES if p.name.startswith(name)]


def restore(dump: Path, to: Path) -> None:
    to.parent.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(to)) as db:
        db.executescript(dump.read_text(encoding="utf-8"))


def shape(db: sqlite3.Connection) -> dict[str, list[tuple]]:
    tables = [
        r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
    ]
    return {t: [tuple(r)[1:] for r in db.execute(f"PRAGMA table_info({t})")] for t in tables}


@pytest.mark.parametrize("dump", named("ledger"), ids=lambda p: p.stem)
def test_an_old_ledger_has_all_that_was_in_it(dump, tmp_path):
    restore(dump, tmp_path / LEDGER_FILE)
    with closing(Ledger.open(tmp_path)) as ledger, closing(Ledger.open(tmp_path / "new")) as fresh:
        assert version_of(ledger.db) == scripts("ledger_schema")[-1][0]
        assert shape(ledger.db) == shape(fresh.db)
        (cycle,) = cycles_between(ledger.db, "quay-washer-1", 0, FAR)
        assert (cycle.energy_kwh, cycle.cost, cycle.outcome) == (0.8125, "0.252500000000", "completed")
        assert [(p.id, p.verdict, p.on) for p in cycle.phases] == [("fill", "too_long", ["valve"])]
        assert cycle.parts[0].resistance_ohm == 28.06
        (alert,) = alerts_between(ledger.db, "quay-washer-1", 0, FAR)
        assert (alert.kind, alert.cycle_key_ms) == ("phase_too_long", 1790000000000)
        assert ledger.db.execute("SELECT seen_by FROM alert").fetchone() == ("Ada",)
        assert ledger.db.execute("SELECT text FROM note").fetchone() == ("inlet filter cleaned",)
        assert ledger.take_committed() == {("ab12cd34", "m1"): 3600}
        assert ledger.db.execute("PRAGMA foreign_key_check").fetchall() == []


@pytest.mark.parametrize("dump", named("readings"), ids=lambda p: p.stem)
def test_old_readings_are_all_there(dump, tmp_path):
    restore(dump, tmp_path / READINGS_FILE)
    new = tmp_path / "new" / READINGS_FILE
    with closing(SqliteStore(tmp_path / READINGS_FILE)) as store, closing(SqliteStore(new)) as fresh:
        assert version_of(store.db) == scripts("readings_schema")[-1][0]
        assert shape(store.db) == shape(fresh.db)
        assert list(store.series("m1", 0, FAR).readings())[:2] == [
            Reading(1790000000000, 8.12, 230.1, 0.035, 50.012, None, 100000.1, None, None),
            Reading(1790000001000, 1890.0, 229.1, 8.25, 49.998, 0.998, 100000.6, 12.0, 1891.2),
        ]
        assert store.last("m1") == Reading(1790000002000, voltage_v=229.05)
        assert store.append([("m1", Reading(1790000003000, power_w=1.0))]) == 1


@pytest.mark.parametrize("dump", named("people"), ids=lambda p: p.stem)
def test_an_old_copy_of_who_may_sign_in_is_put_back(dump, tmp_path):
    copy, data = tmp_path / "copy", tmp_path / "data"
    restore(dump, copy / PEOPLE_FILE)
    restore(named("ledger")[0], copy / LEDGER_FILE)
    put_back(copy, data)
    people, fresh = PeopleRows(data), PeopleRows(tmp_path / "new")
    assert people.people() == [Person("Mira", "change", "scrypt$made-up", 1790000000000)]
    assert [s.label for s in people.scripts()] == ["nightly"]
    with people.change() as old, fresh.change() as new:
        assert version_of(old) == scripts("people_schema")[-1][0]
        assert shape(old) == shape(new)


def test_every_schema_but_the_newest_has_a_dump():
    for name in ("ledger", "readings", "people"):
        have = {int(re.findall(r"-(\d+)\.sql$", p.name)[0]) for p in named(name)}
        newest = scripts(f"{name}_schema")[-1][0]
        assert have >= set(range(1, max(newest, 2))), f"add fixtures/{name}-{newest - 1}.sql"
