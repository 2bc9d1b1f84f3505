"""The command line as a whole: help, unknown commands and options, a pipe that closes."""

from __future__ import annotations

import subprocess
import sys

import pytest
from loadbook.cli import COMMANDS, build_parser, main


@pytest.mark.parametrize(
    "arguments", [[], ["polish"], ["assess"], ["assess", "x.csv", "--jsno"], ["settings", "--set"]]
)
def test_wrong_arguments_are_one_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        main(arguments)
    out, err = capsys.readouterr()
    assert done.value.code == 2 and not out
    assert err.startswith("loadbook") and err.endswith(" --help\n") and err.count("\n") == 1


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as done:
        main(["--help"])
    out = capsys.readouterr().out
    assert done.value.code == 0 and "not a safety test" in out
    assert [name for name in COMMANDS if f"    {name}" not in out] == []


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_a_command_alone_is_the_same_as_among_the_others(name: str) -> None:
    def choices(only: str | None) -> dict[str, object]:
        (sub,) = (a for a in build_parser(only)._actions if a.dest == "command")
        return dict(sub.choices or {})  # type: ignore[arg-type]

    assert list(choices(name)) == [name] and name in choices(None)


def test_a_reader_that_goes_away_is_no_traceback() -> None:
    command = f"{sys.executable} -m loadbook settings | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert done.stderr == "" and done.stdout.startswith("# Loadbook's settings")


def test_a_log_is_assessed_without_what_others_need() -> None:
    """A script that assesses log after log waits for each start: it loads nothing that costs, meters and pages need."""
    code = (
        "import sys\nfrom loadbook.cli import main\nmain(['assess', 'washer-healthy', '--json'])\n"
        "print(*(name for name in sys.modules if name in sys.argv[1:]), file=sys.stderr)\n"
    )
    names = ["loadbook.meters", "loadbook.cost", "loadbook.assessment_text", "flask", "pandas"]
    done = subprocess.run([sys.executable, "-c", code, *names], capture_output=True, text=True, check=True)
    assert done.stderr.split() == []
