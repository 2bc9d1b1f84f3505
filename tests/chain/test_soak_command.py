"""A soak test from the command line, with the real recorder behind a real broker."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from loadbook.cli import main
from loadbook.files import share
from loadbook.store.connect import LEDGER_FILE

from tests.chain.site import Service, until, write_site
from tests.ports import free_port

MACHINE = "quay-washer-1"


@pytest.fixture
def config(tmp_path: Path):
    shutil.copy(share("config", "machines", f"{MACHINE}.toml"), tmp_path / "washer.toml")
    path = write_site(tmp_path, {"m1": (MACHINE, free_port())}, machines='["washer.toml"]')
    service = Service("run", "--config", str(path), log=tmp_path / "log")
    until(lambda: (tmp_path / "data" / LEDGER_FILE).exists() and service.child.poll() is None, 60)
    yield path
    assert service.end() == 0


@pytest.mark.pdf
def test_from_order_to_report(config, tmp_path, capsys):
    def soak(*args: str) -> str:
        status = main(["soak", args[0], "--config", str(config), *args[1:]])
        told = capsys.readouterr()
        assert status == 0, told.err
        return told.out

    def begun() -> bool:
        ordered = ["--machine", MACHINE, "--cycles", "2", "--technician", "Ines Vale"]
        return main(["soak", "begin", "--config", str(config), *ordered]) == 0

    until(begun, 60)  # the recorder answers as soon as it has started
    (line,) = [row for row in capsys.readouterr().out.splitlines() if "has begun" in row]
    number = line.split()[1]
    assert f"{number}  {MACHINE}  0 of 2 cycles done, waiting for the first cycle" in soak("list")
    soak("note", number, "--by", "Ines Vale", "--text", "hose moved")
    soak("pause", number, "--by", "Ines Vale")
    assert main(["soak", "pause", "--config", str(config), number, "--by", "Ines"]) == 2
    assert "is paused; it cannot be paused now" in capsys.readouterr().err
    soak("end", number, "--by", "Ines Vale", "--text", "customer came")
    told = soak("report", number, "--by", "Ines Vale", "--pdf", str(tmp_path / "report.pdf"))
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    shown = soak("show", number)
    for words in ("hose moved", "Ended: customer came", told.split()[1], "nothing can be said"):
        assert words in shown


def test_without_a_recorder_it_says_so_in_one_line(tmp_path, capsys):
    path = write_site(tmp_path, {"m1": (MACHINE, 1)}, machines="[]")
    assert main(["soak", "list", "--config", str(path)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "ledger.sqlite" in told
