"""From segments of one look to named stages: fill, wash, heat, rinse, spin, drain, dry, cool, wait.

Pure: a function of the whole list, so it may change its mind as more of the cycle is seen. What watts alone cannot
tell (a drain from a fill, a wash from a rinse) is told from the order, as the trade knows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loadbook.machine import Kind
from loadbook.recognise.segments import Segment

MOVING = ("run", "tumble", "spin")
Drive = tuple[int, int]
"""A time (from, to, ms) through which the motor was on without a break."""
LONG_DRIVE_MS = 60_000
AFTER_HEAT_MS = 30_000
"""A short drive right after a heat stirs what was heated; nobody spins hot water."""
JOIN_SPIN_S = 170.0
"""Tries of one spin, with balancing between them, are one spin; a rinse takes longer."""
DRAIN_S = 45.0
FILL_S = 75.0
"""A washer that does nothing but pump or fill this long is draining or filling; shorter, it belongs to what it does,
as the water let in right after a spin belongs to the rinse."""
PUMP_W = 18.0
"""A drain pump draws more than this, a valve or two less (common practice, no source)."""
THERMOSTAT_S = 150.0
"""In a dryer, the heater's rests while the drum turns on."""


@dataclass(slots=True)
class Stage:
    """One or more segments under one name."""

    stage: str
    parts: list[Segment]

    @property
    def start_ms(self) -> int:
        return self.parts[0].start_ms

    @property
    def end_ms(self) -> int:
        return self.parts[-1].end_ms

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000

    @property
    def energy_mwms(self) -> int:
        return sum(p.energy_mwms for p in self.parts)


def kind_seen(segments: Sequence[Segment]) -> Kind:
    """What kind of machine this looks like, from its power alone; ``other`` while nobody can tell."""
    tumble_s = sum(s.seconds for s in segments if s.look in ("tumble", "spin"))
    run_s = sum(s.seconds for s in segments if s.look == "run")
    heats = [s for s in segments if s.look == "heat"]
    if heats:
        until = heats[-1].end_ms
        before = [s for s in segments if s.start_ms < until]
        started_s = (heats[0].start_ms - segments[0].start_ms) / 1000
        rests = [s for s in before if s.start_ms >= heats[0].start_ms and s.look != "heat"]
        if started_s <= 150 and not any(s.look in ("tumble", "spin") and s.seconds > 180 for s in rests):
            dry = not any(s.look == "small" for s in before)  # nothing pumped, nothing let in
            if max((s.seconds for s in rests), default=0.0) <= THERMOSTAT_S:
                if dry or len(heats) >= 3:
                    return "tumble_dryer"
            elif dry and len(heats) >= 3 and all(s.look in MOVING for s in rests):
                return "tumble_dryer"  # it cools, and heats again
    if tumble_s >= 120 and tumble_s > 0.5 * run_s:
        return "washing_machine"
    if run_s >= 120 or heats:
        return "dishwasher"
    return "other"


def name_stages(segments: Sequence[Segment], drives: Sequence[Drive], kind: Kind, ended: bool) -> list[Stage]:
    """Stages of one cycle so far. ``ended`` is true once nothing more is expected."""
    known = [s for s in segments if s.end_ms > s.start_ms]
    if not known:
        return []
    if kind in ("washing_machine", "washer_dryer"):
        stages = _washer(known, drives, kind, ended)
    elif kind == "tumble_dryer":
        stages = _dryer(known)
    else:
        stages = _dishwasher(known)
    return _joined(stages)


def _joined(stages: list[Stage]) -> list[Stage]:
    """Neighbours of one name are one stage."""
    out: list[Stage] = []
    for stage in stages:
        if out and out[-1].stage == stage.stage:
            out[-1].parts.extend(stage.parts)
        else:
            out.append(stage)
    return out


def spins_of(known: Sequence[Segment], drives: Sequence[Drive]) -> list[Drive]:
    """Spins of a washer: a motor that drives on for long, or over a pump; tries of one spin are one."""
    cores: list[Drive] = []
    heat_ends = [s.end_ms for s in known if s.look == "heat"]
    for start_ms, end_ms in drives:
        over_pump = any(s.look in ("spin", "run") and s.start_ms < end_ms and s.end_ms > start_ms for s in known)
        after_heat = any(0 <= start_ms - heat_ms <= AFTER_HEAT_MS for heat_ms in heat_ends)
        if end_ms - start_ms >= LONG_DRIVE_MS or (over_pump and not after_heat):
            cores.append((start_ms, end_ms))
    spins: list[Drive] = []
    for start_ms, end_ms in cores:
        heated = spins and any(s.look == "heat" and spins[-1][1] <= s.start_ms < start_ms for s in known)
        if spins and not heated and start_ms - spins[-1][1] <= JOIN_SPIN_S * 1000:
            spins[-1] = (spins[-1][0], end_ms)
        else:
            spins.append((start_ms, end_ms))
    return spins


def _cut_at(known: Sequence[Segment], spins: Sequence[Drive]) -> list[tuple[Segment, bool]]:
    """Segments cut at the edges of the spins, each with whether it lies in one."""
    edges = sorted({edge for spin in spins for edge in spin})
    out: list[tuple[Segment, bool]] = []
    for segment in known:
        rest = segment
        for edge in edges:
            if rest.start_ms < edge < rest.end_ms:
                out.append((rest.until(edge), False))
                rest = rest.since(edge)
        out.append((rest, False))
    return [(s, any(a <= s.start_ms < b for a, b in spins)) for s, _ in out]


def _washer(known: list[Segment], drives: Sequence[Drive], kind: Kind, ended: bool) -> list[Stage]:
    spins = spins_of(known, drives)
    pieces = _cut_at(known, spins)
    last_spin_ms = spins[-1][1] if spins else -1
    last_heat_ms = max((s.end_ms for s in known if s.look == "heat"), default=-1)
    stages: list[Stage] = []
    moved = rinsing = False
    for i, (segment, spinning) in enumerate(pieces):
        moving = segment.look in MOVING
        short_start = not moved and moving and segment.seconds <= 20 and i + 1 < len(pieces)
        if segment.look == "unknown" and stages:
            name = stages[-1].stage
        elif segment.look == "heat":
            late = kind == "washer_dryer" and spins and segment.start_ms >= spins[0][1]
            name, moved, rinsing = "dry" if late else "heat", True, False
        elif spinning:
            name, moved, rinsing = "spin", True, True
        elif moving and not short_start:
            name, moved = "rinse" if rinsing else "wash", True
        elif not moved:
            name = "fill"
        elif segment.look == "small" and segment.top_w >= PUMP_W and segment.seconds >= DRAIN_S:
            name, rinsing = "drain", True
        elif segment.look == "small" and segment.seconds >= FILL_S and stages[-1].stage != "spin":
            name = "fill"
        else:
            name = "rinse" if rinsing else "wash"
        if ended and segment.start_ms >= last_spin_ms > last_heat_ms and name != "spin":
            name = "wait"
        stages.append(Stage(name, [segment]))
    if kind == "washer_dryer":
        _rests_dry(stages)
    return stages


def _rests_dry(stages: list[Stage]) -> None:
    """What a washer-dryer does between two dryings is its thermostat's rest; after the last one it cools."""
    drying = [i for i, s in enumerate(stages) if s.stage == "dry"]
    if not drying:
        return
    for stage in stages[drying[0] : drying[-1] + 1]:
        if stage.seconds <= THERMOSTAT_S:
            stage.stage = "dry"
    for stage in stages[drying[-1] + 1 :]:
        stage.stage = "cool" if stage.stage in ("wash", "rinse", "spin", "wait") else stage.stage


def _dryer(known: list[Segment]) -> list[Stage]:
    heats = [i for i, s in enumerate(known) if s.look == "heat"]
    stages: list[Stage] = []
    first, last = (heats[0], heats[-1]) if heats else (len(known), -1)
    cooled = False
    for i, segment in enumerate(known):
        if segment.look == "unknown" and stages:
            name = stages[-1].stage
        elif i < first:
            name = "heat" if heats and segment.seconds <= 60 else "dry"
        elif i <= last:
            name = "heat" if segment.look == "heat" or segment.seconds <= THERMOSTAT_S else "dry"
        elif segment.look == "run" and not cooled:
            name = "cool"
        elif segment.look in ("tumble", "spin", "quiet", "small"):
            name, cooled = "wait", segment.look in ("tumble", "spin") or cooled
            if not stages or (segment.look == "quiet" and stages[-1].stage == "cool" and segment.seconds < 20):
                name = "cool"
        else:
            name = "wait"
        stages.append(Stage(name, [segment]))
    return stages


def _dishwasher(known: list[Segment]) -> list[Stage]:
    heats = [i for i, s in enumerate(known) if s.look == "heat"]
    last = heats[-1] if heats else -1
    moves = [i for i, s in enumerate(known) if s.look in MOVING or s.look == "heat"]
    first_move, last_move = (moves[0], moves[-1]) if moves else (len(known), -1)
    stages: list[Stage] = []
    emptied = False
    for i, segment in enumerate(known):
        look = segment.look
        if look == "unknown" and stages:
            name = stages[-1].stage
        elif i < first_move:
            name = "fill"
        elif look == "heat":
            name = "heat"
        elif look in MOVING:
            name = "rinse" if emptied and heats and i > heats[0] else "wash"
        elif i > last_move >= last >= 0:
            name = "drain" if look == "small" else "dry"
            if look == "small" and stages and stages[-1].stage == "dry" and i < len(known) - 1:
                # a vent or a pump's stroke within the drying belongs to it
                name = "dry"
        elif look == "small" or (segment.seconds > 20 and look == "quiet"):
            name = _drain_or_fill(known, i)
            emptied = True
        else:
            name = stages[-1].stage if stages else "fill"
        stages.append(Stage(name, [segment]))
    return stages


def _drain_or_fill(known: list[Segment], i: int) -> str:
    """Between washes the water first goes out, then comes in; a pump draws more than a valve."""
    before = i == 0 or known[i - 1].look in MOVING or known[i - 1].look == "heat"
    return "drain" if before else "fill"
