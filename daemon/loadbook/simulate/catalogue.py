"""Which scenarios there are: the replay logs that come along, and the bench's machines times faults times seeds."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from loadbook.simulate import machines
from loadbook.simulate.expect import Expected
from loadbook.simulate.faults import FAULTS, Case, one_turn
from loadbook.simulate.metering import FULL, Meter, Rows, read_out
from loadbook.simulate.model import Model
from loadbook.simulate.play import Session, Turn, play
from loadbook.simulate.run import Recorded
from loadbook.simulate.supply import Supply
from loadbook.simulate.truth import Truth, truth_of

START = datetime(2031, 3, 4, 6, 0, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Made:
    recorded: Recorded
    rows: Rows
    truth: Truth


@dataclass(frozen=True)
class Scenario:
    """One log to be: a model, a session, a supply, a meter and what spoils the log."""

    name: str
    model: Model
    session: Session
    seed: int
    meter: Meter = FULL
    fault: str = ""
    supply: Callable[[Supply], Supply] = lambda s: s
    spoil: Callable[[Rows, Recorded], Rows] = lambda r, _: r
    needed: Callable[[], Callable[[Expected], bool]] | None = None
    start: datetime = START
    offset_h: tuple[tuple[float, float], ...] = ()
    note: str = ""
    tags: tuple[str, ...] = field(default=())

    def make(self) -> Made:
        """Play it, read it, and say the truth about it."""
        base = Supply(
            self.seed, open_v=self.model.plate.rated_voltage_v * 1.008, nominal_hz=self.model.plate.rated_frequency_hz
        )
        recorded = play(self.model, self.session, self.seed, self.supply(base))
        rows = self.spoil(read_out(recorded, self.meter, self.seed), recorded)
        return Made(recorded, rows, truth_of(recorded, rows, self.needed() if self.needed else None))

    def shows(self) -> bool:
        """Whether the contract asks for an alert at all: a blocked drum in short strokes, say, has no steady draw."""
        return any(e.needed for e in self.make().truth.expected)


def seed_of(*words: object) -> int:
    """A seed from words, the same on every machine."""
    return zlib.crc32("/".join(map(str, words)).encode())


def faulty(model: Model, programme: str, fault_id: str, seed: int, meter: Meter = FULL) -> Scenario | None:
    """A scenario of one fault, or None where it cannot happen."""
    fault = next(f for f in FAULTS if f.id == fault_id)
    case: Case | None = fault.make(model, programme)
    if case is None:
        return None
    return Scenario(
        f"{model.id}--{programme}--{fault_id}--{seed}", model, one_turn(programme, case),
        seed_of(model.id, fault_id, seed),        meter, fault_id, case.supply, case.rows, lambda: fault.needed(case),
    )  # fmt: skip


def healthy(model: Model, programme: str, seed: int, meter: Meter = FULL) -> Scenario:
    """A scenario in which nothing is wrong."""
    return Scenario(
        f"{model.id}--{programme}--healthy--{seed}", model, Session((Turn(programme),)),
        seed_of(model.id, programme, "healthy", seed), meter,
    )  # fmt: skip


def replay_scenarios() -> list[Scenario]:
    """The logs in ``replay_logs``."""
    washer, dishwasher, dryer = machines.washer(), machines.dishwasher(), machines.dryer()
    open_motor = faulty(dishwasher, "daily-60", "motor-absent", 1)
    half = faulty(dishwasher, "daily-60", "heater-half", 1)
    slow = faulty(washer, "mixed-40", "fill-overlong", 1)
    assert open_motor and half and slow
    return [
        replace(healthy(washer, "mixed-40", 1), name="washer-healthy", note="Nothing wrong."),
        replace(healthy(dishwasher, "daily-60", 1), name="dishwasher-healthy", note="Nothing wrong."),
        replace(healthy(dryer, "cupboard-dry", 1), name="dryer-healthy", note="Dried, then anti-crease tumbling."),
        replace(half, name="dishwasher-half-heater", note="One of two heating elements is open: half the watts."),
        replace(open_motor, name="dishwasher-no-circulation", note="The circulation pump does not turn."),
        replace(slow, name="washer-slow-tap", note="The tap is nearly closed: filling takes too long."),
    ]


def bench_models() -> dict[str, tuple[Model, Meter]]:
    """The bench's machines by id, each with the meter it is read by."""
    return {m.id: (m, FULL) for m in (machines.washer(), machines.dishwasher(), machines.dryer())}


def bench_scenarios(
    seeds: int = 1, healthy: int = 2, only: str | None = None, faults: tuple[str, ...] = ()
) -> Iterator[Scenario]:
    """Machines times programmes times faults times seeds, and the healthy runs."""
    for model, meter in bench_models().values():
        if only and model.id != only:
            continue
        for number, programme in enumerate(model.programmes):
            for seed in range(healthy):
                yield _healthy(model, programme, seed, meter)
            for fault in FAULTS:
                if faults and fault.id not in faults:
                    continue
                for seed in range(seeds):
                    if seeds == 1 and number:
                        continue
                    scenario = faulty(model, programme, fault.id, seed, meter)
                    if scenario and scenario.shows():
                        yield scenario


_healthy = healthy
