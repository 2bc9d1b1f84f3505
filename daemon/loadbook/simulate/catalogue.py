"""Which scenarios there are: the replay logs that come along, and the bench's machines times faults times seeds."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from loadbook.simulate import hard, machines, odd
from loadbook.simulate.bands import idle_limit_w
from loadbook.simulate.expect import Expected
from loadbook.simulate.faults import FAULTS, Case, one_turn
from loadbook.simulate.metering import (
    COARSE,
    FULL,
    NO_VOLTS,
    PLUG,
    TWO_SECONDS,
    Meter,
    Rows,
    drop,
    read_out,
    repeat,
    shuffle,
    step_back,
    thin,
)  # fmt: skip
from loadbook.simulate.model import Model
from loadbook.simulate.play import Session, Turn, Twist, play
from loadbook.simulate.run import DT_S, Recorded
from loadbook.simulate.supply import Supply
from loadbook.simulate.truth import Truth, truth_of

MID_LOG = ("heater-half", "drain-pump-missing", "motor-blocked")
"""Faults that are also tried in the middle of three cycles."""
Spoil = Callable[[Rows, Recorded], Rows]
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
    spoil: Spoil = lambda r, _: r
    needed: Callable[[list[Expected]], list[Expected]] | None = None
    start: datetime = START
    offset_h: tuple[tuple[float, float], ...] = ()
    note: str = ""
    tags: tuple[str, ...] = field(default=())
    back: tuple[float, float] | None = None
    """The clock was set back: (second of the run, by how many seconds)."""

    ends: float | None = None
    """The log ends inside the last cycle, at this share of it."""

    def clock_s(self, at_s: float) -> float:
        """What the log's clock said at a second of the run."""
        return at_s - self.back[1] if self.back and at_s >= self.back[0] else at_s

    def make(self) -> Made:
        """Play it, read it, and say the truth about it."""
        base = Supply(
            self.seed, open_v=self.model.plate.rated_voltage_v * 1.008, nominal_hz=self.model.plate.rated_frequency_hz
        )
        recorded = play(self.model, self.session, self.seed, self.supply(base))
        rows = self.spoil(read_out(recorded, self.meter, self.seed), recorded)
        if self.ends is None:
            return Made(recorded, rows, truth_of(recorded, rows, self.needed))
        last = recorded.run.cycles[-1]
        until_s = float(round((last.start + self.ends * (last.end - last.start)) * DT_S))
        rows = drop(rows, until_s, float("inf"))
        return Made(recorded, rows, truth_of(recorded, rows, self.needed, until_s))

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
        seed_of(model.id, fault_id, seed),        meter, fault_id, case.supply, case.rows, fault.needed(case),
    )  # fmt: skip


def between(model: Model, programme: str, fault_id: str, seed: int, meter: Meter = FULL) -> Scenario | None:
    """A scenario of one fault in the second of three cycles, or None where it cannot happen or is the log's own."""
    single = faulty(model, programme, fault_id, seed, meter)
    if single is None or not single.session.turns[0].twist.touches():
        return None
    middle = replace(single.session.turns[0], idle_s=1500.0)
    session = replace(single.session, turns=(Turn(programme), middle, Turn(programme, idle_s=2700.0)))
    return replace(single, name=f"{model.id}--mid--{fault_id}--{seed}", session=session)


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
    meters = {
        "lamp-dish-5": COARSE, "pier-washer-8": NO_VOLTS, "quay-dryer-9": PLUG, "mast-washer-10": PLUG,
        "ferry-dish-11": TWO_SECONDS, "gull-dryer-12": FULL,
    }  # fmt: skip
    easy = (machines.washer(), machines.dishwasher(), machines.dryer())
    every = (*easy, *hard.hard_models().values(), *odd.odd_models().values())
    return {m.id: (m, meters.get(m.id, FULL)) for m in every}


def bench_scenarios(
    seeds: int = 1, healthy: int = 2, only: str | None = None, faults: tuple[str, ...] = ()
) -> Iterator[Scenario]:
    """Machines times programmes times faults times seeds, healthy runs, and healthy sessions with spoilt logs."""
    for model, meter in bench_models().values():
        if only and model.id != only:
            continue
        yield from of_model(model, meter, seeds, healthy, faults)


def of_model(model: Model, meter: Meter, seeds: int, healthy: int, faults: tuple[str, ...] = ()) -> Iterator[Scenario]:
    """All scenarios of one model. With one seed only the first programme gets the faults."""
    for number, programme in enumerate(model.programmes):
        for seed in range(healthy):
            yield _healthy(model, programme, seed, meter)
            if not number:
                yield from spoilt(model, seed, meter)
        for fault in FAULTS:
            if faults and fault.id not in faults:
                continue
            for seed in range(seeds):
                if seeds == 1 and number:
                    continue
                scenario = faulty(model, programme, fault.id, seed, meter)
                if scenario and scenario.shows():
                    yield scenario
        if seeds and not number:
            yield from _mid_log(model, programme, meter, faults)


def _mid_log(model: Model, programme: str, meter: Meter, faults: tuple[str, ...]) -> Iterator[Scenario]:
    """Some faults, and one that differs from machine to machine, in the second of three cycles."""
    ids = faults or (*MID_LOG, FAULTS[seed_of(model.id, "mid") % len(FAULTS)].id)
    for fault_id in dict.fromkeys(ids):
        scenario = between(model, programme, fault_id, 0, meter)
        if scenario and scenario.shows():
            yield scenario


def spoilt(model: Model, seed: int, meter: Meter) -> list[Scenario]:
    """Healthy machines in hard sessions and logs: cycles close together, gaps, spikes, clock steps, midnight."""
    ids = list(model.programmes)
    first, other = ids[0], ids[-1]
    pick = seed_of(model.id, "spoilt", seed)

    def one(name: str, session: Session, spoil: Spoil | None = None, **more: Any) -> Scenario:
        return Scenario(
            f"{model.id}--{name}--healthy--{seed}", model, session, pick + len(name), more.pop("meter", meter),
            spoil=spoil or (lambda r, _: r), tags=("csv",), **more,
        )  # fmt: skip

    def rough(rows: Rows, _: Recorded) -> Rows:
        return shuffle(repeat(thin(rows, pick), pick), pick)

    def hole(rows: Rows, recorded: Recorded) -> Rows:
        at_s = recorded.run.cycles[0].start * DT_S + 900.0
        return drop(rows, at_s, at_s + 45.0)

    def long_hole(rows: Rows, recorded: Recorded) -> Rows:
        cycle = recorded.run.cycles[0]
        at_s = (cycle.start + 0.55 * (cycle.end - cycle.start)) * DT_S
        return drop(rows, at_s, at_s + 480.0)

    single = Session((Turn(first),))
    busiest = max(model.programmes[first], key=lambda s: s.chart.min_s * bool(s.chart.on or s.chart.pulsing)).chart
    door = Twist(pauses={busiest.id: (0.5 * busiest.min_s, 25.0)})
    waiting_w = min(model.running_w, 0.8 * idle_limit_w(model.plate.standby_w))
    night = Session((Turn(first, idle_s=2400.0), Turn(other, idle_s=3000.0)), after_s=1500.0)
    summer = ((0.0, 1.0), (2400.0, 2.0))
    changes = Session((Turn(other, idle_s=1800.0),), after_s=900.0)
    scenarios = [
        one("close", Session((Turn(first), Turn(other, idle_s=40.0, display_s=40.0)))),
        one("rough", single, rough),
        one("spiky", single, meter=replace(meter, spike_every=1200.0)),
        one("door", Session((Turn(first, twist=door),))),
        one("hole", single, hole),
        one("midnight", night, start=datetime(2031, 3, 4, 22, 10, tzinfo=UTC)),
        one("summer-time", changes, start=datetime(2031, 3, 30, 0, 20, tzinfo=UTC), offset_h=summer),
        one("delayed", Session((Turn(first, idle_s=5400.0, display_s=5000.0, display_w=waiting_w),))),
        one("unfinished", Session((Turn(first), Turn(other, idle_s=2000.0))), ends=0.35 + 0.1 * seed),
        one("long-hole", single, long_hole),
        one("clock-back", single, lambda r, _: step_back(r, 2000.0, 25.0), back=(2000.0, 25.0)),
    ]
    return scenarios if seed else scenarios[:5]


_healthy = healthy
