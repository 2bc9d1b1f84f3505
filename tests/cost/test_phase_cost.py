"""What the phases of a cycle cost: together exactly what it cost, whatever prices and generation change within it."""

from __future__ import annotations

from contextlib import closing
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from loadbook.cost.money import amount_of
from loadbook.costing import CyclePricer
from loadbook.events import Cycle, CycleChanged, Phase
from loadbook.machine import parse_machine
from loadbook.settings import Settings, parse_settings
from loadbook.store.connect import LEDGER_FILE, READINGS_FILE, read_only
from loadbook.store.ledger import Ledger
from loadbook.store.rows import cycles_between
from loadbook.store.sqlite_readings import SqliteStore

from tests.cost.cost_support import CREST_W, ms, series_of_watts

START = ms("2026-11-10T21:00:00+00:00")
"""The shipped tariff's price changes an hour or two later, within the cycle."""
SITE = (
    'tariff = "quay-two-rates"\n[[line]]\nid = "l1"\nkind = "modbus_tcp"\nhost = "127.0.0.1"\n'
    '[[line.meter]]\nid = "m1"\nmap = "sunspec"\n[[line.meter]]\nid = "roof"\nmap = "sunspec"\nunit_id = 2\n'
)
CUTS_MIN = (0, 8, 29, 92, 120, 138)
MACHINE = parse_machine('[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\n', "quay.toml")


def cycle() -> Cycle:
    at = [START + minute * 60_000 for minute in CUTS_MIN]
    phases = [Phase(f"p{i}", "wash", a, b) for i, (a, b) in enumerate(pairwise(at))]
    phases.append(Phase("rinse-2", "rinse", None, None))
    return Cycle(START, START, at[-1], "mixed-40", "completed", 1.0, phases=phases)


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    store = SqliteStore(tmp_path / READINGS_FILE)
    sun_w = 900 + 600 * np.sin(np.arange(len(CREST_W) * 6) / 97)
    for meter, watts in (("m1", np.repeat(CREST_W, 6)), ("roof", sun_w)):
        series = series_of_watts(watts, START - 60_000, 10_000)
        store.append([(meter, reading) for reading in series.readings()])
    yield store
    store.close()


@pytest.mark.parametrize("solar", ["", '[solar]\nmeter = "roof"\n'])
def test_the_phases_add_up_to_the_cycle_and_are_kept(store, tmp_path, solar):
    settings = parse_settings(SITE + solar, "loadbook.toml")
    found = cycle()
    untold = found.phases[0]
    CyclePricer(settings, tmp_path).price(store, "m1", found)
    assert untold.cost is None  # the recogniser's own phases are left as they were
    assert found.phases[-1].cost is None  # it never came
    costs = [amount_of(phase.cost) for phase in found.phases[:-1]]
    assert all(cost > 0 for cost in costs)
    # Each is cut off after twelve decimals; nothing else is lost.
    assert 0 <= amount_of(found.cost) - sum(costs) <= len(costs) * amount_of("0.000000000001")
    with closing(Ledger.open(tmp_path)) as ledger, ledger.transaction():
        ledger.put_machine(MACHINE, "m1")
        ledger.apply("quay-washer-1", CycleChanged(found.end_ms, found))
    with closing(read_only(tmp_path / LEDGER_FILE)) as db:
        (kept,) = cycles_between(db, "quay-washer-1", 0, 1 << 53)
    assert [phase.cost for phase in kept.phases] == [phase.cost for phase in found.phases]


def test_without_a_tariff_nothing_is_said_of_cost(store, tmp_path):
    found = cycle()
    CyclePricer(Settings(), tmp_path).price(store, "m1", found)
    assert (found.cost, [phase.cost for phase in found.phases]) == (None, [None] * 6)
