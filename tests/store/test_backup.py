"""Backups made while somebody writes are whole; restoring puts back what was, and refuses what it should."""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from loadbook.errors import InputError, StartError
from loadbook.machine import parse_machine
from loadbook.reading import Reading
from loadbook.services.housekeeping import check
from loadbook.store.backup import back_up, restore
from loadbook.store.connect import LEDGER_FILE, READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.people import PEOPLE_FILE, PeopleRows, Person
from loadbook.store.sqlite_readings import SqliteReader, SqliteStore

NOW = datetime(2031, 3, 4, 5, 6, 7, tzinfo=UTC)
T0 = 1_790_000_000_000
MACHINE = parse_machine('[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\n', "quay.toml")


def rows(first: int, n: int) -> list[tuple[str, Reading]]:
    return [("m", Reading(T0 + 1000 * i, power_w=float(i))) for i in range(first, first + n)]


@pytest.fixture
def data(tmp_path) -> Path:
    folder = tmp_path / "data"
    with closing(Ledger.open(folder)) as ledger, ledger.transaction():
        ledger.put_machine(MACHINE, "m")
    with closing(SqliteStore(folder / READINGS_FILE)) as store:
        store.append(rows(0, 5000))
    return folder


def test_a_backup_made_while_readings_arrive_is_one_whole_state(data, tmp_path):
    stop, written = threading.Event(), 5000
    store = SqliteStore(data / READINGS_FILE)

    def write() -> None:
        nonlocal written
        while not stop.is_set():
            store.append(rows(written, 50))
            written += 50

    writer = threading.Thread(target=write)
    writer.start()
    try:
        folder = back_up(data, tmp_path / "copies", NOW)
    finally:
        stop.set()
        writer.join()
    assert folder.name == "loadbook-20310304T050607Z"
    assert sorted(p.name for p in folder.iterdir()) == [LEDGER_FILE, READINGS_FILE]
    assert check(folder / READINGS_FILE) == check(folder / LEDGER_FILE) == ""
    with closing(SqliteReader.open(folder)) as reader:
        powers = reader.series("m", 0, 1 << 53).power_w.tolist()
    assert len(powers) >= 5000
    assert len(powers) % 50 == 0
    assert powers == [float(i) for i in range(len(powers))]
    store.append(rows(written, 10))
    store.close()
    placed = restore(folder, data)
    assert placed == [data / LEDGER_FILE, data / READINGS_FILE]
    with closing(SqliteStore(data / READINGS_FILE)) as back:
        assert len(back.series("m", 0, 1 << 53)) == len(powers)
    with closing(SqliteReader(sqlite3.connect(data / (READINGS_FILE + ".before-restore")))) as before:
        assert len(before.series("m", 0, 1 << 53)) == written + 10


def test_refusals_are_one_line_and_change_nothing(data, tmp_path):
    folder = back_up(data, tmp_path / "copies", NOW)
    with pytest.raises(StartError, match="cannot be made"):
        back_up(data, tmp_path / "copies", NOW)
    with pytest.raises(StartError, match="nothing to back up"):
        back_up(tmp_path / "empty", tmp_path / "copies2", NOW)
    with pytest.raises(InputError, match="name the folder"):
        restore(tmp_path, data)
    store = SqliteStore(data / READINGS_FILE)
    with pytest.raises(StartError, match="in use"):
        restore(folder, data)
    store.append(rows(9000, 1))
    store.close()
    spoilt = bytearray((folder / READINGS_FILE).read_bytes())
    for i in range(4096 * 3, 4096 * 3 + 2000):
        spoilt[i] = 0x5A
    (folder / READINGS_FILE).write_bytes(bytes(spoilt))
    with pytest.raises(InputError, match="damaged"):
        restore(folder, data)
    with closing(SqliteReader.open(data)) as reader:
        assert len(reader.series("m", 0, 1 << 53)) == 5001


def test_damage_is_found(data):
    path = data / READINGS_FILE
    spoilt = bytearray(path.read_bytes())
    for i in range(4096 * 8, 4096 * 8 + 3000):
        spoilt[i] = 0x5A
    path.write_bytes(bytes(spoilt))
    problem = check(path)
    assert problem
    assert "\n" not in problem


def test_who_may_sign_in_goes_along_but_nobody_who_is_signed_in(data, tmp_path):
    people = PeopleRows(data)
    people.put_person(Person("Mira", "change", "scrypt-of-hers", T0))
    people.put_script("nightly", "look", "hash-of-its-token", T0)
    people.begin_session("hash-of-her-session", "Mira", T0, T0 - 1)
    people.note_failed(["203.0.113.7"], T0, 0)  # an address of RFC 5737
    folder = back_up(data, tmp_path / "copies", NOW)
    copy = folder / PEOPLE_FILE
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    kept = copy.read_bytes()
    assert b"scrypt-of-hers" in kept and b"hash-of-its-token" in kept
    assert b"hash-of-her-session" not in kept and b"203.0.113.7" not in kept  # nor in what a deleted row left behind

    people.remove_person("Mira")
    copy.chmod(0o644)  # as it comes back from a stick that keeps no modes
    assert data / PEOPLE_FILE in restore(folder, data)
    assert stat.S_IMODE((data / PEOPLE_FILE).stat().st_mode) == 0o600
    assert (data / PEOPLE_FILE).stat().st_uid == data.stat().st_uid
    assert [(p.name, p.may, p.passphrase_hash) for p in people.people()] == [("Mira", "change", "scrypt-of-hers")]
    assert people.script_of("hash-of-its-token", T0) is not None
    assert people.session("hash-of-her-session") is None
    assert PeopleRows(tmp_path / "nowhere").people() == []


def test_a_copy_made_before_people_were_in_it_leaves_them_as_they_are(data, tmp_path):
    folder = back_up(data, tmp_path / "copies", NOW)
    assert not (folder / PEOPLE_FILE).exists()
    people = PeopleRows(data)
    people.put_person(Person("Mira", "look", "scrypt-of-hers", T0))
    assert restore(folder, data) == [data / LEDGER_FILE, data / READINGS_FILE]
    assert [p.name for p in people.people()] == ["Mira"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_what_root_puts_back_belongs_to_whom_the_folder_belongs(data, tmp_path):
    PeopleRows(data).put_person(Person("Mira", "look", "scrypt-of-hers", T0))
    folder = back_up(data, tmp_path / "copies", NOW)
    os.chown(data, 65534, 65534)
    assert {(p.stat().st_uid, p.stat().st_gid) for p in restore(folder, data)} == {(65534, 65534)}
