"""A whole old log taken in at once, while no recorder runs: stored, recognised, judged and costed as if it had come
reading by reading."""

from __future__ import annotations

from pathlib import Path

from loadbook.costing import CyclePricer
from loadbook.events import CycleChanged
from loadbook.files import load_causes, load_machines
from loadbook.judge.limits import Limits
from loadbook.reading import Series
from loadbook.services.watch import Watch
from loadbook.settings import Settings
from loadbook.store.connect import READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.sqlite_readings import SqliteStore

_AT_ONCE = 20_000


def take_in(settings: Settings, folder: Path, meter: str, series: Series) -> int:
    """Take the log of ``meter`` into the store of the settings; ``folder`` is the settings file's. Returns how many
    readings were new. The recogniser's state is kept, so that a recorder goes on from there. Raises LoadbookError.
    """
    data = folder / settings.store.folder
    data.mkdir(parents=True, exist_ok=True)
    machine_id = settings.meters()[meter].machine
    machine = load_machines(settings, folder).get(machine_id)
    pricer = CyclePricer(settings, folder)
    store, ledger = SqliteStore(data / READINGS_FILE), Ledger.open(data)
    try:
        new = 0
        readings = list(series.readings())
        for first in range(0, len(readings), _AT_ONCE):
            new += store.append([(meter, reading) for reading in readings[first : first + _AT_ONCE]])
        if machine is None:
            return new
        causes = load_causes([folder / name for name in settings.causes])
        watch = Watch(machine, meter, Limits.of_site(settings.site), causes)
        events = watch.feed_series(series)
        with ledger.transaction():
            ledger.put_machine(machine, meter)
            for event in events:
                if isinstance(event, CycleChanged) and event.cycle.outcome != "running":
                    pricer.price(store, meter, event.cycle)
                ledger.apply(machine.id, event)
            ledger.touch(machine.id, watch.at_ms)
            ledger.save_assessor(machine.id, watch.saved())
        return new
    finally:
        store.close()
        ledger.close()
