"""What is done by the hour and the day: rolling up, dropping old full rate, checking the files, the day's summary, and
keeping the card from filling up. Beside the recorder, in its process; what writes runs in its thread, in short steps.
"""

from __future__ import annotations

import json
import logging
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler

from loadbook.counter import compare
from loadbook.errors import LoadbookError
from loadbook.services.recorder import Recorder
from loadbook.store.choose import open_archive
from loadbook.store.connect import LEDGER_FILE, READINGS_FILE, read_only
from loadbook.store.keeping import DAY_MS, drop, kept_spans, reusable_bytes, roll_up
from loadbook.store.people import PEOPLE_FILE
from loadbook.store.rows import query
from loadbook.store.sqlite_readings import SqliteStore

log = logging.getLogger(__name__)

MEGABYTE = 1_000_000
NIGHT = {"hour": 3, "minute": 10}
SPACE_EVERY_MIN = 5
ROLL_EVERY_MIN = 20
LEAST_DAYS = 2
"""However little space is left: the last days stay at full rate."""
BACK_S = 30.0
COUNTER_DIFFERS_PERCENT = 5.0
"""A counter that differs more than two class-2 measurements of one quantity may is worth a look."""


class Housekeeping:
    """A part of a service (``life.Part``), started after its recorder and stopped before it."""

    name = "housekeeping"

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._scheduler: BackgroundScheduler | None = None
        self._running: set[str] = set()
        self._wall_less_mono_s = 0.0
        self._said_space = ""
        self._archive = open_archive(recorder.settings, recorder.folder)

    # life -------------------------------------------------------------------------------------------------------

    def startup(self) -> None:
        self._wall_less_mono_s = self._difference_s()
        scheduler = BackgroundScheduler(
            timezone=ZoneInfo(self._recorder.settings.site.time_zone),
            # A board that slept, or whose clock was set forward, does each missed job once.
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
        )
        scheduler.add_job(self.night, "cron", **NIGHT)
        scheduler.add_job(self.look_at_space, "interval", minutes=SPACE_EVERY_MIN, next_run_time=datetime.now(UTC))
        scheduler.add_job(self.roll, "interval", minutes=ROLL_EVERY_MIN)
        scheduler.start()
        self._scheduler = scheduler

    def turn(self) -> None:
        now_s = self._difference_s()
        if now_s < self._wall_less_mono_s - BACK_S:
            # APScheduler would sleep until the wall clock is again where it was: begin anew.
            log.warning("the clock was set back by %.0f s: jobs are planned anew", self._wall_less_mono_s - now_s)
            self.shutdown()
            self.startup()
        self._wall_less_mono_s = now_s

    def healthy(self) -> bool:
        return self._scheduler is not None and self._scheduler.running

    def shutdown(self) -> None:
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=True)
            self._scheduler = None

    def _difference_s(self) -> float:
        clock = self._recorder.clock
        return clock.now_ms() / 1000 - clock.mono_s()

    # jobs -------------------------------------------------------------------------------------------------------

    def night(self) -> None:
        """Check the files, drop what is too old, sum up the day."""
        for name in (LEDGER_FILE, READINGS_FILE, PEOPLE_FILE):
            if name == PEOPLE_FILE and not (self._recorder.data / name).exists():
                continue
            problem = check(self._recorder.data / name)
            if problem:
                log.error("%s is damaged: %s; restore the last backup (`loadbook backup --help`)", name, problem)
                self._recorder.tell_trouble(f"{name} is damaged: {problem}")
        self._in_steps("keep", self._keep(self._days_here()))
        self._in_steps("day", self._sum_up())

    def roll(self) -> None:
        """Bring the one-minute figures up to date."""
        self._in_steps("roll", self._roll())

    def look_at_space(self) -> None:
        """Warn early; stop growing before the card is full."""
        keep_bytes = self._recorder.settings.store.keep_free_mb * MEGABYTE
        free = shutil.disk_usage(self._recorder.data).free
        said = "" if free >= 2 * keep_bytes else "low" if free >= keep_bytes else "full"
        if said and said != self._said_space:
            log.warning("the card has %.0f MB left (store.keep_free_mb = %.0f)", free / 1e6, keep_bytes / 1e6)
        if said != self._said_space:
            self._recorder.tell_trouble("" if not said else f"the card has {free / 1e6:.0f} MB left")
        self._said_space = said
        if said == "full":
            self._in_steps("room", self._make_room(keep_bytes))

    def _in_steps(self, name: str, steps: Iterator[None]) -> None:
        """Run a generator in the recorder's thread, a step between two batches of messages."""
        if name in self._running:
            return
        self._running.add(name)

        def step() -> None:
            try:
                next(steps)
            except StopIteration:
                self._running.discard(name)
            except (LoadbookError, sqlite3.Error) as bad:
                self._running.discard(name)
                log.error("housekeeping (%s) stopped: %s", name, bad)
            else:
                self._recorder.do_later(step)

        self._recorder.do(step)

    def _store(self) -> SqliteStore | None:
        store = self._recorder.books.store
        return store if isinstance(store, SqliteStore) else None

    def _roll(self) -> Iterator[None]:
        store = self._store()
        for meter in store.meters() if store else []:
            assert store is not None
            yield from roll_up(store, meter)

    def _keep(self, days: int) -> Iterator[None]:
        store = self._store()
        for meter in store.meters() if store else []:
            assert store is not None
            span = store.span(meter)
            if span is not None:
                keep = kept_spans(self._recorder.ledger.db, meter)
                before_ms = min(span[1] - days * DAY_MS, store.droppable_ms(meter))
                if self._archive is not None:
                    before_ms = before_ms // DAY_MS * DAY_MS
                    yield from self._archive.take(store, meter, before_ms)
                yield from drop(store, meter, before_ms, keep)

    def _days_here(self) -> int:
        """So long full rate stays on this board; where a server has it, only as long as it may still be asked for."""
        store = self._recorder.settings.store
        return store.keep_full_rate_days if store.kind == "sqlite" else min(store.keep_full_rate_days, LEAST_DAYS)

    def _make_room(self, keep_bytes: int) -> Iterator[None]:
        """Drop full rate a day at a time, oldest first, until the file can take new readings without growing."""
        store = self._store()
        if store is None:
            return
        for days in range(self._days_here() - 1, LEAST_DAYS - 1, -1):
            room = reusable_bytes(store)
            if room >= keep_bytes // 10:
                return
            yield from self._keep(days)
            if reusable_bytes(store) > room:
                log.warning("the card is nearly full: full-rate readings older than %d days were rolled up", days)
            yield

    def _sum_up(self) -> Iterator[None]:
        """Yesterday per machine, and per meter its own counter beside what its power adds up to."""
        recorder = self._recorder
        zone = ZoneInfo(recorder.settings.site.time_zone)
        span = yesterday(zone, recorder.clock.now_ms())
        day = summary(recorder.ledger.db, zone, span)
        meters: list[dict[str, Any]] = []
        store = recorder.books.store
        for meter in store.meters():
            found = compare(store.series(meter, *span, ("power_w", "energy_wh")))
            differs = found.differs_percent
            meters.append(
                {
                    "meter": meter,
                    "counted_kwh": round(found.counted_wh / 1000, 4),
                    "integrated_kwh": round(found.integrated_wh / 1000, 4),
                    "differs_percent": None if differs is None else round(differs, 2),
                    "resets": found.resets,
                    "rollovers": found.rollovers,
                }
            )
            if differs is not None and abs(differs) > COUNTER_DIFFERS_PERCENT:
                log.warning(
                    "meter %s: its counter says %+.1f %% of what its power adds up to: check scale and transformer in "
                    "its map",
                    meter,
                    differs,
                )
            yield
        recorder.publish_day(json.dumps({**day, "meters": meters}, ensure_ascii=False))
        log.info("yesterday: %s", day)


def check(path: Path) -> str:
    """What SQLite finds wrong with a file; empty when nothing."""
    try:
        with closing(read_only(path)) as db:
            found = str(db.execute("PRAGMA quick_check(1)").fetchone()[0])
    except (LoadbookError, sqlite3.Error) as bad:
        return str(bad)
    return "" if found == "ok" else found.splitlines()[0]


def yesterday(zone: ZoneInfo, now_ms: int) -> tuple[int, int]:
    """The day before now in ``zone``, from midnight to midnight, ms."""
    today = datetime.fromtimestamp(now_ms / 1000, zone).replace(hour=0, minute=0, second=0, microsecond=0)
    before = (today - timedelta(hours=12)).replace(hour=0)
    return int(before.timestamp() * 1000), int(today.timestamp() * 1000)


def summary(ledger: sqlite3.Connection, zone: ZoneInfo, span: tuple[int, int]) -> dict[str, Any]:
    """Per machine how many cycles ended in a day, their energy and cost, alerts raised."""
    machines = []
    for row in query(ledger, "SELECT id, name FROM machine ORDER BY id"):
        cycles = query(
            ledger,
            "SELECT energy_wh, cost, currency, outcome FROM cycle WHERE machine = ? AND end_ms >= ? AND end_ms < ? "
            "AND outcome <> 'running'",
            (row["id"], *span),
        )
        alerts = query(
            ledger,
            "SELECT count(*) AS n FROM alert WHERE machine = ? AND raised_ms >= ? AND raised_ms < ?",
            (row["id"], *span),
        )[0]["n"]
        machines.append(
            {
                "machine": row["id"],
                "cycles": len(cycles),
                "stopped_early": sum(c["outcome"] == "stopped_early" for c in cycles),
                "energy_kwh": round(sum(c["energy_wh"] or 0.0 for c in cycles) / 1000, 3),
                "cost": round(sum(float(c["cost"]) for c in cycles if c["cost"] is not None), 4),
                "currency": next((c["currency"] for c in cycles if c["currency"]), None),
                "alerts": alerts,
            }
        )
    return {"day": datetime.fromtimestamp(span[0] / 1000, zone).date().isoformat(), "machines": machines}
