"""A programme chart from known-good cycles: phases, parts, and times whose bands narrow with the number of cycles.

Pure. One cycle gives wide bands (x 1.6 + 15 s), more narrow them; what too few cycles cannot support is not written,
and the notes say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import mean, median, pstdev

from loadbook.errors import InputError
from loadbook.machine import Band, Machine, PhaseChart, Programme, Stage
from loadbook.recognise.regimes import STEADY, Column, Good, Regime, columns_of, merge
from loadbook.recognise.texture import SMALL_W

WIDE = 0.6
WIDE_S = 15.0
"""The margin from one cycle: up to 1.6 times and 15 s more."""
LEAST_MARGIN = 0.15
LEAST_MARGIN_S = 8.0
LOAD = "load"
"""For a dryer's drying: it hangs on the load."""
UNSTEADY = {"spin": 1.5, "fill": 0.4, "drain": 0.5}
"""A spin is tried again while the load is out of balance, and water comes as the street has it and goes as the sieve
lets it: a few good days do not show how long these may take on another."""
LONG, SHORT = {"heat": 0.9, LOAD: 1.2, "drain": 1.8}, {"heat": 3.0}
"""Nor, until there are more of them, how long it takes to heat what water comes in (warm, or little, is hot soon), or
to pump out what was let in."""
SHORTER = 1.5
"""And what is short harms less than what is long."""
SPREADS = 4.0
"""And never nearer to the mean than four standard deviations of what was seen."""
ENOUGH_FOR_WATTS = 5
"""Fewer cycles cannot support a watt band for a drum: its draw hangs on load and balance."""
BREAK_S = 8.0
"""A part that is on breaks off for less than this (the contract allows 10 s)."""
ALWAYS = 0.80
DREW_S = 2.0
SELDOM, SELDOM_S = 0.02, 4.0
OFTEN, OFTEN_S = 0.10, 20.0
"""A part comes and goes in a phase where it did in most cycles, if only for a few seconds, or on one day for longer."""
UNLIKE = 1.6
UNLIKE_DRYER = 3.0
"""A dryer's time hangs on its load; of other machines, cycles that differ so much in length are other programmes."""
SLIGHT_S = 30.0
DRUM_REST_S = 28.0
"""A reversing drum rests for less."""
SPIN_DRAIN_S = 45.0
DRAIN_MS = 20_000
REST_S = 150.0
WASH_S = 300.0
"""A wash that long and then a drain: what follows rinses (a pre-wash may be drained too, but is short)."""


@dataclass(slots=True)
class Learned:
    """A chart, what it was made from, and what could not be said."""

    programme: Programme
    durations_s: dict[str, list[float]]
    notes: list[str] = field(default_factory=list)
    drew: dict[str, set[str]] = field(default_factory=dict)
    """By phase, the parts that drew in it in any cycle, if only for some seconds."""


def duration_class(machine: Machine, stage: str) -> str:
    """What a phase's length hangs on: its stage, or a dryer's load."""
    return LOAD if stage == "dry" and machine.machine.kind == "tumble_dryer" else stage


def margins(durations_s: Sequence[float], stage: str = "") -> tuple[float, float]:
    """Least and most for a duration seen ``n`` times: wide from one, narrowing with the root of their number."""
    n = len(durations_s)
    share = max(LONG.get(stage, WIDE) / n**0.5, LEAST_MARGIN, UNSTEADY.get(stage, 0.0))
    extra_s = max(WIDE_S / n**0.5, LEAST_MARGIN_S)
    spread = SPREADS * pstdev(durations_s) if n > 1 else 0.0
    short = SHORTER * max(share, SHORT.get(stage, 0.0) / n**0.5)
    low = min(min(durations_s) / (1 + short) - extra_s, mean(durations_s) - spread)
    high = max(max(durations_s) * (1 + share) + extra_s, mean(durations_s) + spread)
    return float(max(0, int(low))), float(int(high) + 1)


def _rest_s(column: Column, goods: Sequence[Good], machine: Machine, pulsing: Sequence[str]) -> float | None:
    """The longest rest of the motors that pulse in a phase, where it is more than a reversing drum's."""
    motors = {p for p in pulsing if machine.component(p).nature == "motor" and machine.component(p).rated_w > SMALL_W}
    rests = [_rest(c, g, motors) for c, g in zip(column.cells, goods, strict=True) if c is not None and motors]
    longest_s = max(rests, default=0.0)
    return float(round(longest_s)) if longest_s > DRUM_REST_S else None


def _slight(column: Column, goods: Sequence[Good], machine: Machine) -> bool:
    """A phase of a few seconds and watts, seen in a few cycles: that it does not show proves little."""
    few = len(goods) < ENOUGH_FOR_WATTS
    return few and column.usual < SLIGHT_S and not any(_works(machine, p) for p in column.real_parts)


def usual_of(durations_s: Sequence[float]) -> float | None:
    """How long a phase usually takes: the middle of what was seen, to the second."""
    usual = float(round(median(durations_s)))
    return usual if usual > 0 else None


def learn(goods: Sequence[Good], machine: Machine, programme_id: str, name: str | None) -> Learned:
    """A new chart. Raises InputError where the machine has no parts or no cycle is given."""
    if not machine.components:
        raise InputError(
            f"{machine.id}: no [[component]]; put in the rating plates first, a chart says which part is on"
        )
    if not goods:
        raise InputError("no complete cycle in these logs; give logs from standby to standby")
    kept, notes = _alike(goods, UNLIKE_DRYER if machine.machine.kind == "tumble_dryer" else UNLIKE)
    named = _named(columns_of(kept, machine), kept, machine)
    phases: list[PhaseChart] = []
    durations: dict[str, list[float]] = {}
    drew: dict[str, set[str]] = {}
    for i, (column, stage) in enumerate(named):
        phase_id = _unique(stage, phases)
        seen = [c.seconds for c in column.cells if c is not None]
        on, pulsing = _parts(column, kept)
        dryer = machine.machine.kind == "tumble_dryer"
        low, high = margins(seen, duration_class(machine, stage))
        tail = dryer and stage == "wait" and 0 < i == len(named) - 1
        if tail:
            low = 0.0  # tumbling against creases ends when somebody opens the door
        optional = column.n < len(kept) or tail or _slight(column, kept, machine)
        watts = _watt_band(column, kept, phase_id, notes) if stage == "spin" else None
        phases.append(
            PhaseChart(
                id=phase_id,
                stage=stage,
                on=tuple(on),
                pulsing=tuple(pulsing),
                min_s=0.0 if i == 0 and not on and not pulsing else low,
                max_s=high,
                usual_s=usual_of(seen),
                rest_s=_rest_s(column, kept, machine, pulsing),
                optional=optional,
                power_w=watts,
            )
        )
        durations[phase_id] = seen
        cells = [(c, g) for c, g in zip(column.cells, kept, strict=True) if c is not None]
        drew[phase_id] = {p.id for p in machine.components if any(_drew_s(c, g, p.id) > DREW_S for c, g in cells)}
        if column.n < len(kept):
            notes.append(f"{phase_id}: seen in {column.n} of {len(kept)} cycles, so it is optional")
    if len(kept) == 1:
        notes.append("one cycle only: times are banded widely (x 1.6 + 15 s), and nobody can tell what is optional")
    if all(p.optional for p in phases):
        raise InputError("these cycles have no phase in common; give cycles of one programme")
    return Learned(Programme(id=programme_id, name=name, phases=tuple(phases)), durations, notes, drew)


def _alike(goods: Sequence[Good], unlike: float) -> tuple[list[Good], list[str]]:
    """Cycles of one programme: those of about the usual length."""
    usual_s = median(g.seconds for g in goods)
    kept, notes = [], []
    for good in goods:
        ratio = max(good.seconds, usual_s) / max(min(good.seconds, usual_s), 1.0)
        if ratio > unlike and len(goods) > 2:
            notes.append(
                f"{good.source}: a cycle of {good.seconds / 60:.0f} min left out; the others take about "
                f"{usual_s / 60:.0f} min, so it seems to be another programme"
            )
        else:
            kept.append(good)
    return kept, notes


def _unique(stage: str, phases: Sequence[PhaseChart]) -> str:
    taken = {p.id for p in phases}
    if stage not in taken:
        return stage
    n = 2
    while f"{stage}-{n}" in taken:
        n += 1
    return f"{stage}-{n}"


def _use(regime: Regime, good: Good, part: str) -> tuple[float, float]:
    """The share of the phase in which a part was on, and its longest break, s; edges apart."""
    left, right = regime.start_ms + 2000, regime.end_ms - 2000
    if right <= left:
        left, right = regime.start_ms, regime.end_ms
    on_ms, longest_ms, last_ms = 0, 0, left
    for level in good.levels:
        a, b = max(level.start_ms, left), min(level.end_ms, right)
        if b <= a:
            continue
        if part in level.parts:
            longest_ms = max(longest_ms, a - last_ms)
            on_ms += b - a
            last_ms = b
    longest_ms = max(longest_ms, right - last_ms)
    return on_ms / max(right - left, 1), longest_ms / 1000


def _drew_s(regime: Regime, good: Good, part: str) -> float:
    return _use(regime, good, part)[0] * regime.seconds


def _rest(regime: Regime, good: Good, parts: set[str]) -> float:
    """The longest time of a phase in which none of these parts drew, s."""
    longest_ms, last_ms = 0, regime.start_ms
    for level in good.levels:
        if level.parts & parts and level.end_ms > regime.start_ms and level.start_ms < regime.end_ms:
            longest_ms = max(longest_ms, level.start_ms - last_ms)
            last_ms = level.end_ms
    return max(longest_ms, regime.end_ms - last_ms) / 1000


def _parts(column: Column, goods: Sequence[Good]) -> tuple[list[str], list[str]]:
    """Parts that are on for all of the phase, and those that come and go, in the majority of the cycles."""
    on, pulsing = [], []
    pairs = [(c, g) for c, g in zip(column.cells, goods, strict=True) if c is not None]
    for part in sorted({p for _, g in pairs for level in g.levels for p in level.parts}):
        uses = [(*_use(regime, good, part), regime.seconds) for regime, good in pairs]
        steady = sum(rest_s <= BREAK_S for _, rest_s, _ in uses)
        some = sum(share > SELDOM and share * s > SELDOM_S for share, _, s in uses)
        once = any(share > OFTEN and share * s > OFTEN_S for share, _, s in uses)
        if steady * 2 > len(uses) and all(share >= ALWAYS for share, _, _ in uses):
            on.append(part)
        elif some * 2 > len(uses) or once:
            pulsing.append(part)
    return on, pulsing


def _named(columns: list[Column], goods: Sequence[Good], machine: Machine) -> list[tuple[Column, Stage]]:
    """Phases with their stages. What a washer does from its first spinning to its coming to rest is one spin."""
    out: list[tuple[Column, Stage]] = []
    drained = heated = washed = False
    dryer = machine.machine.kind == "tumble_dryer"
    works = [i for i, c in enumerate(columns) if any(_works(machine, p) for p in c.real_parts)]
    for place, column in enumerate(columns):
        stage = _stage(column, goods, machine, heated and place > works[-1])
        if stage == "wash" and drained and machine.machine.kind != "tumble_dryer":
            stage = "rinse"
        heated = heated or stage == "heat"
        washed = washed or stage == "heat" or (stage == "wash" and column.longest_s >= WASH_S)
        drained = drained or (washed and stage in ("drain", "spin"))
        if out and out[-1][1] == "spin" and (stage == "spin" or (stage == "drain" and column.longest_s < SPIN_DRAIN_S)):
            merge(out[-1][0], column)
            continue
        same = ("heat", "wash", "rinse", "dry", "wait") if dryer else ("heat", "wash", "rinse", "dry")
        if out and out[-1][1] == stage and stage in same:
            merge(out[-1][0], column)  # the same programme heats in other fragments on another day
            continue
        out.append((column, stage))
    named: list[tuple[Column, Stage]] = []
    for column, stage in _without_rests(out, machine):
        if stage == "spin" and (drain := _drain_before(column, goods, machine)) is not None:
            named.append((drain, "drain"))
        named.append((column, stage))
    return named


def _without_rests(named: list[tuple[Column, Stage]], machine: Machine) -> list[tuple[Column, Stage]]:
    """A short time without the heater between two heats is its thermostat's rest, and a short one between two spins
    is balancing, not a phase: how often they come differs from day to day. What a washer-dryer heats after its last
    spin dries."""
    water = {p.id for p in machine.components if p.nature != "resistive" and p.rated_w <= SMALL_W}
    valves = {p.id for p in machine.components if p.nature == "solenoid"}
    out: list[tuple[Column, Stage]] = []
    for column, stage in named:
        if stage in ("heat", "spin") and len(out) > 1 and out[-2][1] == stage:
            rest = out[-1][0]
            dry = not rest.real_parts & (water if stage == "heat" else valves)
            if rest.longest_s <= REST_S and dry:
                merge(out[-2][0], rest)
                merge(out[-2][0], column)
                out.pop()
                continue
        out.append((column, stage))
    if machine.machine.kind == "washer_dryer":
        last = max((i for i, (_, s) in enumerate(out) if s == "spin"), default=len(out))
        out = [(c, "dry" if i > last and s == "heat" else s) for i, (c, s) in enumerate(out)]
    return out


def _works(machine: Machine, part: str) -> bool:
    """A heater or a large motor: while one is still to come, a quiet is a pause and no drying."""
    found = machine.component(part)
    return found.nature == "resistive" or (found.nature == "motor" and found.rated_w > SMALL_W)


def _drain_before(column: Column, goods: Sequence[Good], machine: Machine) -> Column | None:
    """The pump alone, before the drum begins to spin, is a drain of its own where every cycle has it."""
    large = {p.id for p in machine.components if p.nature == "motor" and p.rated_w > SMALL_W}
    until: list[int | None] = []
    for regime, good in zip(column.cells, goods, strict=True):
        if regime is None:
            until.append(None)
            continue
        moving = [lv.start_ms for lv in good.levels if lv.start_ms >= regime.start_ms + 3000 and lv.parts & large]
        first_ms = min(moving, default=regime.end_ms)
        if not DRAIN_MS <= first_ms - regime.start_ms < regime.end_ms - regime.start_ms:
            return None
        until.append(first_ms)
    cells: list[Regime | None] = []
    for regime, at_ms in zip(column.cells, until, strict=True):
        if regime is None or at_ms is None:
            cells.append(None)
            continue
        cells.append(Regime(regime.start_ms, at_ms, frozenset()))
        regime.start_ms = at_ms
    return Column(cells)


def _stage(column: Column, goods: Sequence[Good], machine: Machine, done: bool) -> Stage:
    """The stage of a phase: by its parts where these say it, else by what the power showed at that time."""
    parts = [machine.component(p) for p in column.real_parts]
    dryer = machine.machine.kind == "tumble_dryer"
    large = [p for p in parts if p.nature == "motor" and p.rated_w > SMALL_W]
    if any(p.nature == "resistive" for p in parts):
        return "dry" if dryer else "heat"
    if not large and any(p.nature == "motor" for p in parts):
        return "drain"
    if not large and any(p.nature == "solenoid" for p in parts):
        return "fill"
    if not parts:
        return "dry" if done and machine.machine.kind == "dishwasher" else "wait"
    if dryer:
        if max(machine.components, key=lambda p: p.rated_w) in parts:
            return "dry"  # a heat pump's compressor, where no heater is
        return "cool" if any(p.endswith(STEADY) for p in column.parts) else "wait"
    votes: dict[Stage, float] = {}
    for regime, good in zip(column.cells, goods, strict=True):
        for stage, start_ms, end_ms in good.stages if regime is not None else ():
            shared = 0 if regime is None else min(end_ms, regime.end_ms) - max(start_ms, regime.start_ms)
            if shared > 0 and stage in ("wash", "rinse", "spin", "wait"):
                votes[stage] = votes.get(stage, 0.0) + shared
    return max(votes, key=lambda s: votes[s], default="wash")


def _watt_band(column: Column, goods: Sequence[Good], phase_id: str, notes: list[str]) -> Band | None:
    """A band for a spin's steady draw, from five cycles on."""
    if column.n < ENOUGH_FOR_WATTS:
        notes.append(f"{phase_id}: no watt band; {column.n} cycles cannot support one, {ENOUGH_FOR_WATTS} can")
        return None
    steady = [
        level.power_w
        for regime, good in zip(column.cells, goods, strict=True)
        if regime is not None
        for level in good.levels
        if level.seconds >= 20 and level.start_ms >= regime.start_ms and level.end_ms <= regime.end_ms
    ]
    steady = [w for w in steady if w > SMALL_W]
    if len(steady) < ENOUGH_FOR_WATTS:
        return None
    return Band(low=float(int(min(steady) * 0.6)), high=float(int(max(steady) * 1.4) + 1))
