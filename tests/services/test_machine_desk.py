"""Machine files changed from the dashboard: checked, written whole, kept as versions, put in force, taken back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from loadbook.errors import InputError
from loadbook.events import StateChanged
from loadbook.files import share
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Reading
from loadbook.services.machine_desk import MachineDesk
from loadbook.services.watch import Watch
from loadbook.store.ledger import Ledger
from loadbook.store.machine_files import read_versions

T0 = 1_790_000_000_000
ID = "quay-washer-1"
TEXT = f'[machine]\nid = "{ID}"\nname = "Washer 1"  # by the window\nkind = "washing_machine"\n'
CHANGED = TEXT + "standby_w = 1.2\n"


class Bench:
    def __init__(self, folder: Path) -> None:
        self.path = folder / "washer.toml"
        self.path.write_text(TEXT)
        self.ledger = Ledger.open(folder)
        self.renewed: list[Machine] = []
        self.desk = MachineDesk(self.ledger, {ID: self.path}, self.renewed.append)
        with self.ledger.transaction():
            self.ledger.put_machine(parse_machine(TEXT, "t"), "m1", TEXT)

    def ask(self, action: str, **request: Any) -> dict[str, Any]:
        with self.ledger.transaction():
            return self.desk.actions[action]({"machine": ID, "by": "Ines", **request}, T0)

    def texts(self) -> list[str]:
        return [v.text for v in read_versions(self.ledger.db, ID)]


@pytest.fixture
def bench(tmp_path: Path):
    made = Bench(tmp_path)
    yield made
    made.ledger.close()


def test_a_change_is_written_kept_and_put_in_force(bench):
    bench.ask("machine_file_save", text=CHANGED.replace("\n", "\r\n"), why="measured", version=0)
    assert bench.path.read_text() == CHANGED
    assert bench.texts() == [CHANGED, TEXT]
    assert [m.machine.standby_w for m in bench.renewed] == [1.2]
    assert bench.ledger.db.execute("SELECT file_text FROM machine").fetchone()[0] == CHANGED


def test_undo_puts_an_earlier_text_in_force_and_loses_nothing(bench):
    bench.ask("machine_file_save", text=CHANGED)
    first = read_versions(bench.ledger.db, ID)[-1].number
    bench.ask("machine_file_undo", version=first)
    assert bench.path.read_text() == TEXT
    assert bench.texts() == [TEXT, CHANGED, TEXT]
    assert bench.renewed[-1].machine.standby_w is None


@pytest.mark.parametrize(
    ("text", "named"),
    [
        (TEXT.replace("kind", "kin"), "machine.kin"),
        (TEXT.replace(ID, "quay-washer-2"), "must stay 'quay-washer-1'"),
        (TEXT, "nothing is changed"),
        ("[machine", "not valid TOML"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_changes_nothing(bench, text, named):
    with pytest.raises(InputError, match=named) as caught:
        bench.ask("machine_file_save", text=text)
    assert "\n" not in str(caught.value)
    assert bench.path.read_text() == TEXT
    assert bench.texts() == []
    assert bench.renewed == []


def test_a_change_made_from_an_older_version_is_refused(bench):
    bench.ask("machine_file_save", text=CHANGED, version=0)
    with pytest.raises(InputError, match="somebody else"):
        bench.ask("machine_file_save", text=TEXT, version=0)


def test_not_while_a_cycle_runs(bench):
    with bench.ledger.transaction():
        bench.ledger.apply(ID, StateChanged(T0, "running", T0))
    with pytest.raises(InputError, match="when the cycle has ended"):
        bench.ask("machine_file_save", text=CHANGED)


def test_a_file_that_came_along_is_not_written_to(bench):
    bench.desk.paths = {ID: share("config", "machines", "quay-washer-1.toml")}
    with pytest.raises(InputError, match="copy it"):
        bench.ask("machine_file_save", text=CHANGED)


def test_a_file_that_cannot_be_written_leaves_the_ledger_as_it_was(bench, tmp_path):
    bench.desk.paths = {ID: tmp_path / "nowhere" / "washer.toml"}
    with pytest.raises(InputError, match="cannot be written"):
        bench.ask("machine_file_save", text=CHANGED)
    assert bench.texts() == []


def test_a_state_saved_under_another_file_is_not_gone_on_with():
    watch = Watch(parse_machine(TEXT, "t"), "m1", Limits(), CauseTable())
    watch.feed(Reading(T0, 1.0))
    saved = watch.saved()
    other = Watch(parse_machine(CHANGED, "t"), "m1", Limits(), CauseTable())
    assert not other.restore(saved)
    assert Watch(parse_machine(TEXT, "t"), "m1", Limits(), CauseTable()).restore(saved)
    renewed = watch.renewed(parse_machine(CHANGED, "t"))
    assert renewed.at_ms == T0
    assert renewed.feed(Reading(T0, 5.0)) == []
