"""Where the files that come along are (config, replay logs, units), in a checkout and in an installed copy; and
reading a text file with an error of one line."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from loadbook.errors import InputError
from loadbook.judge.causes import CauseTable, parse_causes
from loadbook.machine import Machine, parse_machine
from loadbook.settings import Settings, parse_settings

if TYPE_CHECKING:
    from loadbook.meters.maps import MeterMap

_HERE = Path(__file__).resolve().parent


def share(*parts: str) -> Path:
    """A path below ``config``, ``replay_logs`` or ``systemd``: ``share("config", "causes")``."""
    installed = _HERE / "share"
    root = installed if installed.is_dir() else _HERE.parent.parent
    return root.joinpath(*parts)


def read_text(path: Path, what: str) -> str:
    """The text of a file. Raises InputError naming it and ``what`` it should have been."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as bad:
        raise InputError(f"{path}: {what} must be UTF-8 text; byte {bad.start + 1} is not: save it as UTF-8") from None
    except OSError as bad:
        raise InputError(f"{path}: cannot read this {what}: {(bad.strerror or str(bad)).lower()}") from None


def shipped(path: Path, *folder: str, endings: Sequence[str] = (".toml",)) -> Path:
    """``path`` as it is; but a bare name that is no file stands for the file of that name that comes along in
    ``folder``, as in ``quay-washer-1`` for ``config/machines/quay-washer-1.toml``."""
    if path.name == str(path) and not path.exists():
        for ending in endings:
            if (found := share(*folder, path.name + ending)).is_file():
                return found
    return path


def find_machine(path: Path) -> Path:
    """A machine file: a path, or the name of one that comes along."""
    return shipped(path, "config", "machines")


def find_log(path: Path) -> Path:
    """A log: a path, or the name of a replay log that comes along."""
    return shipped(path, "replay_logs", endings=(".csv.gz", ".csv"))


def load_machine(path: Path) -> Machine:
    """The machine file at ``path``. Raises InputError."""
    return parse_machine(read_text(path, "machine file"), str(path))


def load_settings(path: Path) -> Settings:
    """The settings file at ``path``. Raises InputError."""
    return parse_settings(read_text(path, "settings file"), str(path))


def machine_path(name: str, folder: Path) -> Path:
    """Where a machine file of the settings is: relative to ``folder``, or one that comes along."""
    path = folder / name
    return path if path.exists() else find_machine(Path(name))


def load_machines(settings: Settings, folder: Path) -> dict[str, Machine]:
    """The machines of the settings by their ids; ``folder`` is the settings file's. Raises InputError, also where two
    files have one id or a meter names a machine that no file has."""
    machines: dict[str, Machine] = {}
    for name in settings.machines:
        path = machine_path(name, folder)
        machine = load_machine(path)
        if machine.id in machines:
            raise InputError(f"{path}: there is another machine with the id {machine.id!r}; give each its own")
        machines[machine.id] = machine
    for meter in settings.meters().values():
        if meter.machine and meter.machine not in machines:
            has = ", ".join(machines) or "none"
            raise InputError(
                f"meter {meter.id!r}: machine {meter.machine!r}: no file in machines has this id (they have {has})"
            )
    return machines


def load_causes(extra: Sequence[Path] = ()) -> CauseTable:
    """The table of causes that comes along, then the user's own files. Raises InputError."""
    paths = [*sorted(share("config", "causes").glob("*.toml")), *extra]
    return parse_causes((str(path), read_text(path, "cause table")) for path in paths)


def load_map(name: str, folder: Path) -> MeterMap:
    """A meter map: by the name of one that comes along in ``config/meters``, or by its path (relative to ``folder``).
    Raises InputError."""
    from loadbook.meters.maps import parse_map  # noqa: PLC0415 - slow to import; a log is assessed without

    if name.endswith(".toml") or "/" in name:
        path = folder / name
        return parse_map(read_text(path, "meter map"), str(path))
    path = share("config", "meters", f"{name}.toml")
    if not path.is_file():
        known = ", ".join(sorted(p.stem for p in share("config", "meters").glob("*.toml")))
        raise InputError(f"map {name!r}: no such meter map; there are {known}, or give the path of your own .toml")
    return parse_map(read_text(path, "meter map"), f"{name}.toml")
