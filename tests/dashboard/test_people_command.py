"""``loadbook people``: makes people known, never prints a secret, refuses in one line."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from loadbook.cli import main
from loadbook.store.people import PeopleRows
from loadbook_dashboard.people import People

WORDS = "lantern gravel seven otter"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "loadbook.toml"
    path.write_text('[store]\nfolder = "data"\n', encoding="utf-8")
    return path


def run(monkeypatch: pytest.MonkeyPatch, config: Path, typed: str, *arguments: str) -> int:
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
    try:
        return main(["people", *arguments, "--config", str(config)])
    except SystemExit as done:
        return int(done.code or 0)


def test_a_passphrase_is_kept_and_never_printed(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    people = People(PeopleRows(config.parent / "data"))
    assert not people.any()
    assert run(monkeypatch, config, f"{WORDS}\n", "add", "Mira Vale") == 0
    assert people.sign_in("mira vale", WORDS, "x", 1) is not None
    assert run(monkeypatch, config, "anchor pickle drum south\n", "passphrase", "Mira Vale") == 0
    assert people.sign_in("Mira Vale", WORDS, "x", 1) is None
    assert run(monkeypatch, config, "", "list") == 0
    assert run(monkeypatch, config, "", "remove", "Mira Vale") == 0
    assert not people.any()
    said = capsys.readouterr()
    for secret in ("lantern", "anchor", "scrypt"):
        assert secret not in said.out + said.err
    assert "Mira Vale: may look and change things" in said.out


def test_a_token_goes_into_a_file_that_nobody_else_reads(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    to = config.parent / "token.txt"
    assert run(monkeypatch, config, "", "script", "backup", "--to", str(to)) == 0
    token = to.read_text(encoding="utf-8").strip()
    assert len(token) >= 43
    assert to.stat().st_mode & 0o077 == 0
    assert token not in capsys.readouterr().out
    people = People(PeopleRows(config.parent / "data"))
    script = people.of_token(token, 1)
    assert script is not None
    assert script.may == "look"
    assert run(monkeypatch, config, "", "script", "other", "--to", str(to)) == 2  # never over a file
    assert to.read_text(encoding="utf-8").strip() == token
    assert run(monkeypatch, config, "", "script-remove", "backup") == 0
    assert people.of_token(token, 1) is None


@pytest.mark.parametrize(
    ("typed", "arguments", "said"),
    [
        ("short\n", ("add", "Mira"), "must have 12 to 300 characters"),
        ("aaaaaaaaaaaaaaaa\n", ("add", "Mira"), "one of the first that would be tried"),
        ("password1234\n", ("add", "Mira"), "one of the first that would be tried"),
        ("mira likes otters\n", ("add", "Mira"), "must not hold the name"),
        ("", ("add", "Mira"), "must have 12 to 300 characters"),
        (f"{WORDS}\n", ("add", ""), "name"),
        (f"{WORDS}\n", ("passphrase", "Nobody"), "nobody is called 'Nobody'"),
        ("", ("remove", "Nobody"), "nobody is called 'Nobody'"),
        ("", ("script-remove", "x"), "no script is called 'x'"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(
    config: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    typed: str,
    arguments: tuple[str, ...],
    said: str,
) -> None:
    assert run(monkeypatch, config, typed, *arguments) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1
    if len(typed) > 8:
        assert typed.strip() not in err


def test_somebody_known_is_not_made_known_twice(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, config, f"{WORDS}\n", "add", "Mira") == 0
    assert run(monkeypatch, config, "another four words here\n", "add", "MIRA") == 2
    assert "is known already" in capsys.readouterr().err
    assert People(PeopleRows(config.parent / "data")).sign_in("Mira", WORDS, "x", 1) is not None
