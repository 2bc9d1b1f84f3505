"""Kill -9 poller, broker (mosquitto, which forgets all) and recorder at random while meters are read; then count.

    python -m tests.chain.kills --kills 50

Afterwards every reading a meter answered with (its own journal) must be in the store exactly once, or in the poller's
outbox; nothing may be there that no meter said; and what the ledger says must be what the recogniser says of the
stored readings when it hears them in peace. An answer that was on the wire to a poller at the moment it was killed is
not a reading yet: the last one the meter gave before that moment, however long before, counted apart. What a poller had
got it had numbered and written; that no number was given up shows that nothing else was lost.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from loadbook.assessment import Found
from loadbook.assessor import Assessor
from loadbook.clock import Clock
from loadbook.files import find_log, load_causes, load_machine, load_map
from loadbook.judge.limits import Limits
from loadbook.logs import read_log
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.reading import Reading, Series
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.rows import alert_of_row, query, whole_cycle
from loadbook.store.sqlite_readings import SqliteReader
from loadbook.transport.segments import Segments

from tests.chain.site import Service, until, write_site
from tests.ports import free_port

SPEED = 20
MAP = "float32-big-endian"
FAR = 1 << 53


def numbered(rows: int) -> Series:
    """A log that steps ten times a second and whose every row has a power of its own."""
    at_ms = np.arange(rows, dtype=np.int64) * 100
    return Series(at_ms=at_ms, power_w=np.arange(rows, dtype=np.float64) + 1.0, voltage_v=np.full(rows, 230.0))


@dataclass
class Count:
    """What was found. All but ``answered``, ``stored``, ``waiting`` and ``in_flight`` must be zero or true."""

    answered: int = 0
    stored: int = 0
    waiting: int = 0
    in_flight: int = 0
    lost: int = 0
    doubled: int = 0
    invented: int = 0
    backwards: int = 0
    given_up: int = 0
    same_as_in_peace: bool = False
    kills: Counter = field(default_factory=Counter)

    def good(self) -> bool:
        wrong = self.lost or self.doubled or self.invented or self.backwards or self.given_up
        return not wrong and self.same_as_in_peace

    def __str__(self) -> str:
        killed = ", ".join(f"{n} {what}" for what, n in sorted(self.kills.items()))
        return (
            f"killed {killed}; answered {self.answered}, stored {self.stored}, in the outbox {self.waiting}, on the "
            f"wire at a kill {self.in_flight}; lost {self.lost}, doubled {self.doubled}, invented {self.invented}, "
            f"out of order {self.backwards}, numbers given up {self.given_up}; "
            f"ledger as in peace: {self.same_as_in_peace}"
        )


class Chain:
    """Simulated meters, mosquitto, recorder and poller as processes of their own."""

    def __init__(
        self,
        folder: Path,
        store: dict[str, str] | None = None,
        *,
        speed: int = SPEED,
        env: dict[str, str] | None = None,
    ) -> None:
        """``store``: further settings; ``env``: further environment of recorder and poller."""
        self.folder, self.speed, self._env = folder, speed, env or {}
        self.clock = Clock(speed)
        self.origin_ms = self.clock.now_ms()
        washer = read_log(find_log(Path("washer-healthy"))).series
        self.meter_ids = {1: "washer-meter", 2: "count-meter"}
        self.lines = {}
        for unit, series in ((1, washer), (2, numbered(200_000))):
            player = Player(series, self.clock, loop=unit == 1)
            self.lines[unit] = SimulatedLine(
                [SimulatedMeter(1, load_map(MAP, Path()), player)], self.clock, journal_length=10_000_000
            ).start()
        (folder / "washer.toml").write_text(
            '[machine]\nid = "quay-washer-1"\nname = "Washer 1"\nkind = "washing_machine"\nstandby_w = 1.2\n'
        )
        self.config = write_site(
            folder,
            {
                self.meter_ids[1]: ("quay-washer-1", self.lines[1].address[1]),
                self.meter_ids[2]: ("", self.lines[2].address[1]),
            },
            {"broker.host": '"127.0.0.1"', "broker.port": str(free_port()), **(store or {})},
            machines='["washer.toml"]',
            meter_map=MAP,
            timeout_s=5.0,  # on a busy machine an answer must not come too late to count
        )
        self.port = int(next(x for x in self.config.read_text().splitlines() if x.startswith("port = ")).split()[2])
        self.parts: dict[str, Service | subprocess.Popen[bytes]] = {}
        self.poller_deaths_ms: list[int] = []

    def start(self, what: str) -> None:
        if what == "broker":
            exe = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
            self.parts[what] = subprocess.Popen([exe, "-p", str(self.port)], stderr=subprocess.DEVNULL)
            return
        command = {"poller": "poll", "recorder": "record"}[what]
        env = {"LOADBOOK_CLOCK_SPEED": f"{self.speed}@{self.origin_ms}", **self._env}
        args = (command, "--patient", "--config", str(self.config))
        self.parts[what] = Service(*args, log=self.folder / f"{what}.log", env=env)

    def kill(self, what: str) -> None:
        part = self.parts.pop(what)
        part.kill()
        if what == "poller":
            self.poller_deaths_ms.append(self.clock.mono_ms())
        if isinstance(part, subprocess.Popen):
            part.wait()

    def end(self, what: str) -> None:
        part = self.parts.pop(what)
        assert isinstance(part, Service)
        part.end()

    def close(self) -> None:
        for what in list(self.parts):
            self.kill(what)
        for line in self.lines.values():
            line.stop()

    # counting ---------------------------------------------------------------------------------------------------

    def waiting(self) -> list[float]:
        """Powers of the counting meter that wait in the outbox."""
        segments = Segments(self.folder / "data" / "outbox")
        return [
            kept.what.power_w
            for number in segments.sizes
            for kept in segments.read(number)
            if kept.meter == self.meter_ids[2] and isinstance(kept.what, Reading) and kept.what.power_w is not None
        ]

    def count(self, reader: SqliteReader) -> Count:
        """Compare journal, store and outbox. Poller and recorder must be down."""
        found = Count()
        answers = [(a.mono_ms, a.values["power_w"]) for a in list(self.lines[2].journal)]
        series = reader.series(self.meter_ids[2], 0, FAR)
        stored = series.power_w.tolist()
        waiting = set(self.waiting()) - set(stored)
        found.answered, found.stored, found.waiting = len(answers), len(stored), len(waiting)
        have, said = Counter(stored), Counter(power for _, power in answers)
        found.doubled = sum((have - said).values())  # two questions within a tenth of a second get the same row
        found.invented = len(set(stored) - set(said))
        found.backwards = int((np.diff(series.power_w) < 0).sum())
        after_ms = [mono_ms for mono_ms, _ in answers[1:]] + [FAR]
        for (mono_ms, power), next_ms in zip(answers, after_ms, strict=True):
            if power in waiting or have[power] > 0:
                have[power] -= 1
                continue
            if any(mono_ms <= death_ms <= next_ms for death_ms in self.poller_deaths_ms):
                found.in_flight += 1  # nothing came after it: the poller was killed before it had it
            else:
                found.lost += 1
                print(f"lost: {power} answered at {mono_ms}; poller killed at {self.poller_deaths_ms}")
        found.given_up = (self.folder / "recorder.log").read_text().count("entries will never come")
        found.same_as_in_peace = self.in_peace(reader)
        return found

    def in_peace(self, reader: SqliteReader) -> bool:
        """Whether the ledger has what the recogniser says of the stored readings when it hears them at once."""
        machine = load_machine(self.folder / "washer.toml")
        heard = Found()
        series = reader.series(self.meter_ids[1], 0, FAR)
        heard.apply(Assessor(machine, Limits(), load_causes()).feed_series(series))
        db = read_only(self.folder / "data" / LEDGER_FILE)
        cycles = [whole_cycle(db, row) for row in query(db, "SELECT * FROM cycle ORDER BY key_ms")]
        # The poller was stopped in the end: that silence is the recorder's own to see.
        sql = "SELECT * FROM alert WHERE raised_ms <= ? ORDER BY raised_ms, key"
        alerts = [alert_of_row(row) for row in query(db, sql, (int(series.at_ms[-1]),))]
        db.close()
        want = sorted(heard.by_key.values(), key=lambda c: c.key_ms)
        ours = [(c.key_ms, c.outcome, [(p.stage, p.start_ms) for p in c.phases]) for c in cycles]
        theirs = [(c.key_ms, c.outcome, [(p.stage, p.start_ms) for p in c.phases]) for c in want]
        same = ours == theirs and {a.key for a in alerts} == set(heard.alert_by_key)
        if not same:
            print("ledger:", ours, sorted(a.key for a in alerts))
            print("in peace:", theirs, sorted(heard.alert_by_key))
        return same


def wind_down(chain: Chain, reader: SqliteReader) -> Count:
    """Let the chain settle, stop poller and recorder, count."""
    before = stored_count(reader, chain)
    until(lambda: stored_count(reader, chain) > before + 200, 120)
    chain.end("poller")
    settle(reader, chain)
    chain.end("recorder")
    return chain.count(reader)


def storm(folder: Path, kills: int, seed: int, store: dict[str, str] | None = None) -> Count:
    """Run the chain, kill ``kills`` times, let it settle, count."""
    chance = random.Random(seed)
    chain = Chain(folder, store)
    killed: Counter = Counter()
    try:
        for what in ("broker", "recorder", "poller"):
            chain.start(what)
        reader = settled_reader(chain, 20)
        for _ in range(kills):
            time.sleep(chance.uniform(0.2, 2.5))
            what = chance.choice(["poller", "broker", "recorder"])
            chain.kill(what)
            killed[what] += 1
            time.sleep(chance.uniform(0.0, 1.5))
            chain.start(what)
        found = wind_down(chain, reader)
        found.kills = killed
        return found
    finally:
        chain.close()


def settled_reader(chain: Chain, rows: int) -> SqliteReader:
    """A reader of the chain's store once it has so many rows."""
    reader: list[SqliteReader] = []

    def there() -> bool:
        if not reader:
            try:
                reader.append(SqliteReader.open(chain.folder / "data"))
            except Exception:
                return False
        return stored_count(reader[0], chain) >= rows

    until(there, 120)
    return reader[0]


def stored_count(reader: SqliteReader, chain: Chain) -> int:
    return len(reader.series(chain.meter_ids[2], 0, FAR, ("power_w",)))


def settle(reader: SqliteReader, chain: Chain) -> None:
    """Until nothing more is stored for a while."""
    before, same_since = -1, time.monotonic()
    while time.monotonic() - same_since < 3.0:
        now = stored_count(reader, chain)
        if now != before:
            before, same_since = now, time.monotonic()
        time.sleep(0.2)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = storm(Path(folder), args.kills, args.seed)
        print(found)
        if not found.good():
            for log in ("poller", "recorder"):
                print((Path(folder) / f"{log}.log").read_text()[-3000:])
        return 0 if found.good() else 1


if __name__ == "__main__":
    raise SystemExit(main())
