"""The settings file, the README and the table of settings say the same."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from loadbook.cli import main
from loadbook.settings import Settings, parse_settings
from loadbook.settings_text import rows, settings_file, settings_table

ROOT = Path(__file__).resolve().parents[2]


def test_the_shipped_file_is_the_table_written_out() -> None:
    shipped = (ROOT / "config" / "loadbook.toml").read_text(encoding="utf-8")
    assert shipped == settings_file(), "run: .venv/bin/loadbook settings > config/loadbook.toml"


def test_the_readme_has_the_table() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert settings_table() in readme, "put the output of `.venv/bin/loadbook settings --markdown` into README.md"


def test_as_shipped_it_is_all_defaults() -> None:
    assert parse_settings(settings_file(), "loadbook.toml") == Settings()


def test_with_every_line_taken_out_of_its_comment_it_is_still_all_defaults() -> None:
    """Each setting's line parses, is known, and has the default it claims; the line and meter shown are sound."""
    text = "".join(
        line[1:] if line[:1] == "#" and line[1:2] not in (" ", "") else line
        for line in settings_file().splitlines(keepends=True)
    )
    # A line must say where it is reached; the example leaves both open.
    settings = parse_settings(
        text.replace('#port = ""', "").replace('\nport = ""', '\nport = "/dev/ttyUSB0"'), "x.toml"
    )
    (line,) = settings.lines
    (meter,) = line.meters
    assert settings.model_copy(update={"lines": ()}) == Settings()
    assert line.timeout_s == 0.3 and meter.unit_id == 1


def test_every_setting_says_what_it_is_and_has_its_unit_last() -> None:
    described = list(rows())
    assert len(described) > 35
    assert not [key for key, _, text in described if len(text) < 8]
    data = tomllib.loads(settings_file())
    assert {"site", "broker", "store", "poller", "dashboard"} <= set(data)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_command_prints_and_checks(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings"]) == 0
    printed = capsys.readouterr().out
    assert printed == settings_file()
    Path("mine.toml").write_text(printed)
    assert main(["settings", "--check", "mine.toml"]) == 0
    assert capsys.readouterr().out == "mine.toml: fine: 0 lines, 0 meters, 0 machines\n"


LINE = """[[line]]
id = "l"
kind = "modbus_tcp"
host = "localhost"
[[line.meter]]
id = "m"
map = "{}"
machine = "{}"
"""


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[site]\nnominal_voltage = 230\n", "site.nominal_voltage: no such key"),
        ('[poller]\ninterval_s = "1 s"\n', "poller.interval_s: input should be a valid number"),
        ("[poller]\ninterval_s = 0\n", "poller.interval_s: input should be greater than or equal to 0.05 (it is 0)"),
        ('machines = ["none.toml"]\n', "none.toml: cannot read this machine file: no such file or directory"),
        ('tariff = "none"\n', "none: cannot read this tariff file"),
        ('causes = ["none.toml"]\n', "none.toml: cannot read this cause table"),
        ("[site\n", "mine.toml: not valid TOML"),
        (LINE.format("nothing", ""), "map 'nothing': no such meter map; there are"),
        (LINE.format("sunspec", "m"), "meter 'm': machine 'm': no file in machines has this id"),
        ('machines = ["quay-washer-1", "quay-washer-1"]\n', "another machine with the id 'quay-washer-1'"),
        ('[[line]]\nid = "l"\nkind = "modbus_tcp"\n[[line.meter]]\nid = "m"\nmap = "x"\n', "has no host; add host"),
    ],
)
def test_a_bad_file_is_one_line(here: Path, text: str, message: str, capsys: pytest.CaptureFixture[str]) -> None:
    Path("mine.toml").write_text(text)
    assert main(["settings", "--check", "mine.toml"]) == 2
    out, err = capsys.readouterr()
    assert message in err and err.count("\n") == 1 and not out


def test_settings_can_be_chosen(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chosen = ["--set", "broker.host=127.0.0.1", "--set", "dashboard.port=8500", "--set", 'machines=["a.toml"]']
    assert main(["settings", *chosen]) == 0
    settings = parse_settings(capsys.readouterr().out, "x.toml")
    assert (settings.broker.host, settings.dashboard.port, settings.machines) == ("127.0.0.1", 8500, ("a.toml",))
    for bad, message in (
        ("broker.hots=x", "broker.hots: no such setting"),
        ("dashboard.port=0", "dashboard.port: input should be greater"),
        ("dashboard.port", "write NAME=VALUE"),
    ):
        assert main(["settings", "--set", bad]) == 2
        assert message in capsys.readouterr().err
