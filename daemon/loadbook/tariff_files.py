"""Reading tariff files: a path, or the name of one that comes along; price CSVs beside them."""

from __future__ import annotations

from pathlib import Path

from loadbook.cost.tariff import Tariff, parse_tariff
from loadbook.errors import InputError
from loadbook.files import read_text, share


def tariff_path(name: str, folder: Path = Path()) -> Path:
    """Where a tariff is: a file (relative to ``folder``), or one of ``config/tariffs`` by its name alone."""
    path = folder / name
    shipped = share("config", "tariffs", f"{name}.toml")
    if not path.exists() and "/" not in name and shipped.exists():
        return shipped
    return path


def load_tariff(path: Path) -> Tariff:
    """The tariff file at ``path``, with the price CSVs it names (relative to it). Raises InputError."""

    def read_csv(name: str) -> str:
        beside = path.parent / name
        if not beside.exists():
            raise InputError(f"{path}: prices_csv: there is no file {beside}; mend the path or put the file there")
        return read_text(beside, "price table")

    return parse_tariff(read_text(path, "tariff file"), str(path), read_csv)
