"""README and DEVELOPERS.md are held to the code: every command, alert kind, column, and file name they should have."""

from __future__ import annotations

import argparse
import re
from contextlib import nullcontext
from pathlib import Path

import pytest
from loadbook.cli import build_parser
from loadbook.events import ALERT_KINDS
from loadbook.reading import QUANTITIES
from loadbook.settings import Settings
from loadbook.store.people import PeopleRows
from loadbook_dashboard import create_app
from loadbook_dashboard.parts import Parts
from loadbook_dashboard.people import People
from loadbook_dashboard.queries import Queries
from loadbook_dashboard.stream import Hub

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def commands() -> list[str]:
    (sub,) = (action for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction))
    return sorted(sub.choices)


@pytest.mark.parametrize("command", commands())
def test_every_command_is_in_the_readme(command: str) -> None:
    assert re.search(rf"loadbook {command}\b", README), f"say in README.md what `loadbook {command}` is for"


@pytest.mark.parametrize("command", commands())
def test_every_command_says_what_it_does(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        build_parser().parse_args([command, "--help"])
    assert done.value.code == 0
    assert len(capsys.readouterr().out.split("\n\n")) >= 2


@pytest.mark.parametrize("kind", ALERT_KINDS)
def test_every_alert_kind_is_in_the_readme(kind: str) -> None:
    assert f"`{kind}`" in README


@pytest.mark.parametrize("name", [q.name for q in QUANTITIES])
def test_every_column_of_a_log_is_in_the_readme(name: str) -> None:
    assert f"`{name}`" in README


@pytest.mark.parametrize("room", sorted(p.name for p in (ROOT / "daemon" / "loadbook").iterdir() if p.is_dir()))
def test_every_room_is_in_the_plan(room: str) -> None:
    if room not in ("__pycache__", "share"):
        assert f"`{room}/`" in DEVELOPERS


@pytest.mark.parametrize("path", sorted((ROOT / "config" / "meters").glob("*.toml")), ids=lambda p: p.stem)
def test_every_meter_map_is_in_the_readme(path: Path) -> None:
    assert f"`{path.stem}`" in README


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_files_the_documents_name_are_there(text: str) -> None:
    named = re.findall(r"`((?:config|tests|systemd|replay_logs|daemon|dashboard)/[\w./-]*)`", text)
    assert named
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_pictures_of_the_readme_are_there_and_say_what_they_show() -> None:
    pictures = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", README)
    assert pictures
    for words, path in pictures:
        assert (ROOT / path).stat().st_size < 200_000
        assert len(words) > 40  # for who cannot see them


def test_the_readme_starts_with_the_job_and_then_two_commands() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.S)
    assert [line.split("#")[0].strip() for line in blocks[0].splitlines()] == [
        "bash daemon/demo.sh",
        "bash tests/run.sh",
    ]
    assert README.index("Loadbook watches") < README.index("```sh")


def addresses() -> list[str]:
    """Every address of the dashboard that a person or a program may ask for: no parts of pages, no static files."""
    settings = Settings()
    parts = Parts(
        settings=settings, queries=Queries(Path("none")), readings=nullcontext, hub=Hub(1),  # type: ignore[arg-type]
        asker=None, now_ms=lambda: 0, people=People(PeopleRows(Path("none"))),  # type: ignore[arg-type]
    )  # fmt: skip
    rules = [rule for rule in create_app(parts).url_map.iter_rules() if "GET" in (rule.methods or ())]
    found = {re.sub(r"<\w+:", "<", str(rule)) for rule in rules}
    fragments = re.compile(r"^/(static|chart)/|/part$|^/now/|icon|manifest")
    return sorted(address for address in found if not fragments.search(address))


@pytest.mark.parametrize("address", addresses())
def test_every_page_is_in_the_readme(address: str) -> None:
    assert re.search(rf"`{re.escape(address)}[?`]", README), f"say in README.md what {address} shows"
