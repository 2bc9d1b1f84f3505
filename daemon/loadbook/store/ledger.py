"""The ledger: machines, cycles, phases, alerts, notes, and where recogniser and delivery stand. Written by one process.

Every change happens inside ``with ledger.transaction():``, so that what the recogniser said and where it stood when it
said it are one commit.
"""

from __future__ import annotations

import json
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged, Event, Phase, StateChanged
from loadbook.machine import Machine
from loadbook.store.connect import LEDGER_FILE, transaction, writer

SCHEMA = "ledger_schema"


@dataclass(frozen=True, slots=True)
class SavedAssessor:
    """Where the recogniser of a machine stood: ``Assessor.save()`` and the last reading it had seen.

    ``at_ms`` is on the store's time line, ``shift_ms`` that line less the recogniser's own.
    """

    at_ms: int
    shift_ms: int
    state: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Move:
    """The readings of a meter from ``from_ms`` on belong ``by_ms`` later, says an entry of a poller's run."""

    session: str
    meter: str
    sequence: int
    from_ms: int
    by_ms: int

    @property
    def mark(self) -> str:
        """Names the move for good."""
        return f"{self.session}/{self.meter}/{self.sequence}"


class Ledger:
    """The recorder's side: the one writer."""

    def __init__(self, path: Path) -> None:
        """Open, or make, the ledger at ``path``. Raises StartError."""
        self.path = path
        self.db = writer(path, SCHEMA)

    @classmethod
    def open(cls, folder: Path) -> Ledger:
        """The ledger in a store's folder."""
        return cls(folder / LEDGER_FILE)

    def transaction(self) -> AbstractContextManager[None]:
        """All of the block or nothing of it. Raises sqlite3.Error when the file cannot be written."""
        return transaction(self.db)

    def close(self) -> None:
        self.db.close()

    # machines ---------------------------------------------------------------------------------------------------

    def put_machine(self, machine: Machine, meter: str | None, file_text: str = "") -> None:
        """Make a machine known, or bring its plate up to date."""
        plate = machine.machine
        self.db.execute(
            "INSERT INTO machine (id, name, kind, place, meter, file_text) VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (id) DO UPDATE SET name = excluded.name, kind = excluded.kind, place = excluded.place, "
            "meter = excluded.meter, file_text = excluded.file_text",
            (plate.id, plate.name, plate.kind, plate.place, meter, file_text),
        )

    def touch(self, machine: str, last_reading_ms: int) -> None:
        """Note the newest reading of a machine."""
        self.db.execute("UPDATE machine SET last_reading_ms = ? WHERE id = ?", (last_reading_ms, machine))

    # what the recogniser said -----------------------------------------------------------------------------------

    def apply(self, machine: str, event: Event) -> None:
        """Write down one event of a machine. Applying the same one twice changes nothing more."""
        if isinstance(event, CycleChanged):
            if event.dropped:
                self.db.execute("DELETE FROM cycle WHERE machine = ? AND key_ms = ?", (machine, event.cycle.key_ms))
            else:
                self._put_cycle(machine, event.cycle)
        elif isinstance(event, AlertChanged):
            if event.withdrawn:
                self.db.execute("DELETE FROM alert WHERE machine = ? AND key = ?", (machine, event.alert.key))
            else:
                self._put_alert(machine, event.alert)
        else:
            self._put_state(machine, event)

    def _put_state(self, machine: str, event: StateChanged) -> None:
        self.db.execute(
            "UPDATE machine SET state = ?, state_since_ms = ?, phase = ?, stage = ?, phase_until_ms = ? WHERE id = ?",
            (event.state, event.since_ms, event.phase, event.stage, event.until_ms, machine),
        )

    def _put_cycle(self, machine: str, cycle: Cycle) -> None:
        energy_wh = None if cycle.energy_kwh is None else cycle.energy_kwh * 1000.0
        own_wh = None if cycle.own_kwh is None else cycle.own_kwh * 1000.0
        number = self.db.execute(
            "INSERT INTO cycle (machine, key_ms, start_ms, end_ms, programme, outcome, energy_wh, peak_w, standby_w, "
            "cost, currency, own_wh, saved, verdict) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (machine, key_ms) DO UPDATE SET start_ms = excluded.start_ms, end_ms = excluded.end_ms, "
            "programme = excluded.programme, outcome = excluded.outcome, energy_wh = excluded.energy_wh, "
            "peak_w = excluded.peak_w, standby_w = excluded.standby_w, cost = coalesce(excluded.cost, cost), "
            "currency = coalesce(excluded.currency, currency), own_wh = coalesce(excluded.own_wh, own_wh), "
            "saved = coalesce(excluded.saved, saved), verdict = excluded.verdict RETURNING id",
            (machine, cycle.key_ms, cycle.start_ms, cycle.end_ms, cycle.programme, cycle.outcome, energy_wh,
             cycle.peak_w, cycle.standby_w, cycle.cost, cycle.currency, own_wh, cycle.saved, cycle.verdict),
        ).fetchone()[0]  # fmt: skip
        self.db.execute("DELETE FROM phase WHERE cycle = ? AND position >= ?", (number, len(cycle.phases)))
        self.db.executemany(
            "INSERT OR REPLACE INTO phase (cycle, position, id, stage, start_ms, end_ms, power_w, energy_wh, parts_on, "
            "verdict, cost) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(number, position, *_phase_row(phase)) for position, phase in enumerate(cycle.phases)],
        )
        self.db.execute("DELETE FROM part_measured WHERE cycle = ?", (number,))
        self.db.executemany(
            "INSERT INTO part_measured VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (number, i, p.component, p.phase, p.power_w, p.seconds, p.at_rated_w, p.resistance_ohm)
                for i, p in enumerate(cycle.parts)
            ],
        )
        # An alert may have been written before the cycle it belongs to.
        self.db.execute(
            "UPDATE alert SET cycle = ? WHERE machine = ? AND cycle IS NULL AND cycle_key_ms = ?",
            (number, machine, cycle.key_ms),
        )

    def _put_alert(self, machine: str, alert: Alert) -> None:
        self.db.execute(
            "INSERT INTO alert (machine, key, cycle, cycle_key_ms, kind, phase, component, began_ms, raised_ms, "
            "cleared_ms, measured, low, high, unit, causes) VALUES (?1, ?2, "
            "(SELECT id FROM cycle WHERE machine = ?1 AND key_ms = ?3), ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, "
            "?13, ?14) ON CONFLICT (machine, key) DO UPDATE SET cycle = excluded.cycle, "
            "cycle_key_ms = excluded.cycle_key_ms, began_ms = excluded.began_ms, cleared_ms = excluded.cleared_ms, "
            "measured = excluded.measured, low = excluded.low, high = excluded.high, unit = excluded.unit, "
            "causes = excluded.causes",
            (machine, alert.key, alert.cycle_key_ms, alert.kind, alert.phase, alert.component, alert.began_ms,
             alert.raised_ms, alert.cleared_ms, alert.measured, alert.low, alert.high, alert.unit,
             json.dumps([c.as_contract() for c in alert.causes], ensure_ascii=False)),
        )  # fmt: skip

    # where recogniser and delivery stand ------------------------------------------------------------------------

    def save_assessor(self, machine: str, saved: SavedAssessor) -> None:
        """Keep where the recogniser of a machine stands."""
        self.db.execute(
            "INSERT OR REPLACE INTO assessor_state (machine, at_ms, shift_ms, state) VALUES (?, ?, ?, ?)",
            (machine, saved.at_ms, saved.shift_ms, json.dumps(saved.state, separators=(",", ":"))),
        )

    def saved_assessor(self, machine: str) -> SavedAssessor | None:
        """Where the recogniser of a machine stood at the last commit."""
        row = self.db.execute(
            "SELECT at_ms, shift_ms, state FROM assessor_state WHERE machine = ?", (machine,)
        ).fetchone()
        return None if row is None else SavedAssessor(row[0], row[1], json.loads(row[2]))

    def rebuild_from_ms(self, machine: str) -> int:
        """Where a recogniser without a saved state begins to read back: before the open cycle, else at the end."""
        row = self.db.execute(
            "SELECT max(start_ms) FROM cycle WHERE machine = ? AND outcome = 'running'", (machine,)
        ).fetchone()
        if row[0] is not None:
            return int(row[0]) - 1_800_000
        row = self.db.execute("SELECT last_reading_ms FROM machine WHERE id = ?", (machine,)).fetchone()
        return -1 if row is None or row[0] is None else int(row[0]) - 1_800_000

    def take_committed(self) -> dict[tuple[str, str], int]:
        """What an earlier program kept here of deliveries, (session, meter) to sequence number; it is now kept beside
        the readings."""
        return {(s, m): n for s, m, n in self.db.execute("SELECT session, meter, sequence FROM committed")}

    def forget_committed(self) -> None:
        """It has been brought over."""
        self.db.execute("DELETE FROM committed")

    def shift(self, machine: str, from_ms: int, by_ms: int) -> None:
        """Move in time all that was said of a machine about ``from_ms`` and later, after the board's clock was set."""
        moved = {"machine": machine, "from": from_ms, "by": by_ms}

        def move(*columns: str) -> str:
            return ", ".join(f"{c} = CASE WHEN {c} >= :from THEN {c} + :by ELSE {c} END" for c in columns)

        self.db.execute(
            f"UPDATE phase SET {move('start_ms', 'end_ms')} WHERE cycle IN "
            "(SELECT id FROM cycle WHERE machine = :machine AND end_ms >= :from)",
            moved,
        )
        self.db.execute(
            f"UPDATE cycle SET {move('key_ms', 'start_ms', 'end_ms')} WHERE machine = :machine AND end_ms >= :from",
            moved,
        )
        self.db.execute(
            f"UPDATE alert SET {move('began_ms', 'raised_ms', 'cleared_ms', 'cycle_key_ms', 'seen_ms')}, "
            "key = kind || '/' || CASE WHEN raised_ms >= :from THEN raised_ms + :by ELSE raised_ms END || '/' || "
            "coalesce(phase, '') || '/' || coalesce(component, '') "
            "WHERE machine = :machine AND (raised_ms >= :from OR cleared_ms >= :from)",
            moved,
        )
        self.db.execute(
            f"UPDATE machine SET {move('state_since_ms', 'phase_until_ms', 'last_reading_ms')} WHERE id = :machine",
            moved,
        )
        self.db.execute(
            f"UPDATE note SET {move('at_ms')} WHERE machine = :machine AND at_ms >= :from",
            moved,
        )

    def begin_move(self, move: Move) -> None:
        """Note that the store has yet to make a move which the ledger makes now."""
        values = (move.session, move.meter, move.sequence, move.from_ms, move.by_ms)
        self.db.execute("INSERT INTO moving VALUES (?, ?, ?, ?, ?)", values)

    def is_moving(self, move: Move) -> bool:
        """Whether the ledger has made a move already and the store perhaps not."""
        return move in self.moves()

    def moves(self) -> list[Move]:
        """What the store may have yet to do."""
        return [Move(*row) for row in self.db.execute("SELECT session, meter, sequence, from_ms, by_ms FROM moving")]

    def end_move(self, move: Move) -> None:
        """The store has made it, too."""
        self.db.execute(
            "DELETE FROM moving WHERE session = ? AND meter = ? AND sequence = ?",
            (move.session, move.meter, move.sequence),
        )

    # what people asked ------------------------------------------------------------------------------------------

    def answer_to(self, request_id: str) -> dict[str, Any] | None:
        """The answer already given to a request, if it was carried out before."""
        row = self.db.execute("SELECT answer FROM answered WHERE id = ?", (request_id,)).fetchone()
        return None if row is None else json.loads(row[0])

    def keep_answer(self, request_id: str, at_ms: int, answer: dict[str, Any]) -> None:
        """Remember the answer to a request; those of more than a day ago are forgotten."""
        self.db.execute("INSERT OR REPLACE INTO answered VALUES (?, ?, ?)", (request_id, at_ms, json.dumps(answer)))
        self.db.execute("DELETE FROM answered WHERE at_ms < ?", (at_ms - 86_400_000,))


def _phase_row(phase: Phase) -> tuple[Any, ...]:
    energy_wh = None if phase.energy_kwh is None else phase.energy_kwh * 1000.0
    return (phase.id, phase.stage, phase.start_ms, phase.end_ms, phase.power_w, energy_wh,
            json.dumps(phase.on), phase.verdict, phase.cost)  # fmt: skip
