"""What a recorder has to know of its site before it starts: machines and their meters, limits, causes, prices."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from loadbook.costing import CyclePricer
from loadbook.errors import InputError
from loadbook.files import load_causes, load_machines, load_map, machine_path, read_text
from loadbook.judge.causes import CauseTable
from loadbook.judge.limits import Limits
from loadbook.machine import Machine
from loadbook.settings import Settings
from loadbook.soak.decide import Accuracy


@dataclass(frozen=True, slots=True)
class Site:
    """All of it, checked."""

    machines: dict[str, Machine]
    texts: dict[str, str]
    """The machine files' texts, by machine id."""
    paths: dict[str, Path]
    """Where the machine files are, by machine id."""
    meter_of: dict[str, str]
    """Machine id to the meter it hangs on."""
    limits: Limits
    causes: CauseTable
    pricer: CyclePricer
    accuracy: dict[str, Accuracy]
    """By meter id, where the settings or the meter's map state one."""


def load_site(settings: Settings, folder: Path) -> Site:
    """Read every file the settings name; ``folder`` is the settings file's. Raises InputError."""
    machines = load_machines(settings, folder)
    paths = [machine_path(name, folder) for name in settings.machines]
    texts = dict(zip(machines, (read_text(path, "machine file") for path in paths), strict=True))
    meter_of: dict[str, str] = {}
    accuracy: dict[str, Accuracy] = {}
    for meter in settings.meters().values():
        if meter.machine:
            if meter.machine in meter_of:
                raise InputError(
                    f"meter {meter.id!r}: machine {meter.machine!r} hangs on meter {meter_of[meter.machine]!r} already"
                )
            meter_of[meter.machine] = meter.id
        stated = load_map(meter.map, folder).accuracy
        if meter.class_percent:  # the meter that hangs there, rather than the kind it is of
            accuracy[meter.id] = Accuracy(meter.class_percent, meter.class_fixed_w)
        elif meter.class_fixed_w:
            raise InputError(f"meter {meter.id!r}: class_fixed_w needs class_percent beside it")
        elif stated is not None:
            accuracy[meter.id] = Accuracy(stated.class_percent, stated.fixed_w)
    causes = load_causes([folder / name for name in settings.causes])
    return Site(
        machines,
        texts,
        dict(zip(machines, paths, strict=True)),
        meter_of,
        Limits.of_site(settings.site),
        causes,
        CyclePricer(settings, folder),
        accuracy,
    )
