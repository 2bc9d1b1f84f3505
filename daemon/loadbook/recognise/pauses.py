"""What a quiet time within a run means: a pause, the drying before a last drain, or the end of a programme.

Pure. A quiet-time limit alone is wrong both ways (a dishwasher is quiet for half an hour inside a cycle and starts
its next programme forty seconds after one), so every pause is kept and judged again as more is seen after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from itertools import dropwhile
from typing import Any

from loadbook.machine import Kind
from loadbook.recognise.segments import Segment
from loadbook.recognise.stages import MOVING, Drive, kind_seen, spins_of

PAUSE_MS = 20_000
"""A shorter quiet is no pause."""
BURST_MS = 5_000
"""A draw shorter than this after a pause is a spike."""
HOLD_MS: dict[Kind, int] = {
    "washing_machine": 240_000,
    "washer_dryer": 300_000,
    "tumble_dryer": 300_000,
    "dishwasher": 720_000,
    "other": 420_000,
}
"""A quiet longer than this parts a finished programme from the next one."""
SHORTEST_HOLD_MS = min(HOLD_MS.values())
DRYING_MS = 240_000
"""A dishwasher quiet this long after its last heat is drying."""
DRY_ON_MS = 35 * 60_000
"""So long it may dry before its last drain."""
LATE_MS = 45 * 60_000
"""So long after its last draw a late drain still belongs to a dishwasher's cycle."""
DRAINED_MS = 300_000
LAST_DRAIN_S = 240.0
ABANDONED_MS = 30 * 60_000
"""An unfinished programme that stays quiet, or unheard of, this long is over."""
SETTLED_MS = 60_000
"""At the end of a log: quiet this long is an end."""
MOTOR_PROOF_MS = 10_000
HEAT_PROOF_MS = 60_000
SMALL_PROOF_MS = 90_000
OFF_STEP_W = 1.0
"""Off and on must differ by this much to be told apart."""
MOVED_S = 60.0
UNHEATED_S = 600.0
"""A dishwasher's programme moves water; one that only heats has lost its pump and is not over yet."""
BETWEEN_MS = 30_000
"""A washer that has spun, is quiet this long and then fills before it moves has begun anew (between a spin and its
rinse ten machines were never quiet that long)."""
FILL_FIRST_MS = 12_000
COOLED_S = 120.0
MOST_PAUSES = 12
WASHERS: tuple[Kind, ...] = ("washing_machine", "washer_dryer")
TELLS_OFF: tuple[Kind, ...] = ("dishwasher", "washing_machine")
"""Machines that stay on through every pause of a programme; a dryer's drum rests between strokes at any level."""


@dataclass(slots=True)
class Pause:
    """A quiet within a run, and what has been drawn since it ended."""

    quiet_ms: int
    quiet_mwms: int
    resume_ms: int
    resume_mwms: int
    still_ms: int
    """How much of it was known to be quiet."""
    off: bool = False
    """The level fell to where the machine is when it is off, which is below its own quiet level."""
    active_ms: int = 0
    motor_ms: int = 0
    heat_ms: int = 0
    small_first_ms: int = 0
    """What small parts drew before the first motor: a programme begins with draining and filling."""

    def add(self, ms: int, active: bool, motor: bool, heat: bool) -> None:
        if motor and not self.motor_ms:
            self.small_first_ms = self.active_ms
        self.active_ms += ms * active
        self.motor_ms += ms * motor
        self.heat_ms += ms * heat


@dataclass(slots=True)
class Run:
    """A cycle that is open, or resting (``closed``) and could go on. ``told`` once it is believed to be one."""

    key_ms: int
    start_ms: int
    start_mwms: int
    active_end_ms: int
    active_end_mwms: int
    peak_w: float = 0.0
    active_ms: int = 0
    motor_ms: int = 0
    heat_ms: int = 0
    bursts: int = 1
    burst_ms: int = -1
    """When the draw after the last pause began."""
    still_ms: int = 0
    """Known quiet since the last draw."""
    off_ms: int = 0
    """How much of that was at the level of a machine that is off."""
    on_wms: float = 0.0
    on_ms: int = 0
    """The quiet level while the programme runs."""
    told: bool = False
    closed: bool = False
    closed_ms: int = -1
    """The last draw before it was closed."""
    pauses: list[Pause] = field(default_factory=list)
    segments: list[Segment] = field(default_factory=list)
    drives: list[Drive] = field(default_factory=list)

    def rest(self, ms: int, level_w: float, idle_w: float | None) -> None:
        """``ms`` more of quiet; ``idle_w`` is what the machine draws between cycles, where known."""
        self.still_ms += ms
        on_w = self.on_wms / self.on_ms if self.on_ms >= 30_000 else None
        if idle_w is not None and on_w is not None and on_w - idle_w >= OFF_STEP_W and level_w < (on_w + idle_w) / 2:
            self.off_ms += ms
        else:
            self.on_wms += level_w * ms
            self.on_ms += ms

    def add(self, ms: int, active: bool, motor: bool, heat: bool) -> None:
        """``ms`` more of draw."""
        self.active_ms += ms * active
        self.motor_ms += ms * motor
        self.heat_ms += ms * heat
        for pause in self.pauses:
            pause.add(ms, active, motor, heat)

    def note(self, pause: Pause) -> None:
        """One more pause; where there are too many, the shortest of the older ones is forgotten."""
        self.bursts += 1
        self.pauses.append(pause)
        if len(self.pauses) > MOST_PAUSES:
            older = self.pauses[:-2]
            self.pauses.remove(min(older, key=lambda p: p.still_ms))

    def goes_on(self) -> bool:
        """It was closed, and more than a spike has been drawn since."""
        last = self.pauses[-1] if self.pauses else None
        return self.closed and last is not None and last.resume_ms > self.closed_ms and last.active_ms >= BURST_MS

    def save(self) -> dict[str, Any]:
        state = {name: getattr(self, name) for name in self.__slots__ if name not in ("pauses", "segments", "drives")}
        state["pauses"] = [asdict(p) for p in self.pauses]
        state["drives"] = [list(d) for d in self.drives]
        state["segments"] = [s.save() for s in self.segments]
        return state

    @classmethod
    def restore(cls, state: dict[str, Any]) -> Run:
        pauses = [Pause(**p) for p in state["pauses"]]
        segments = [Segment(*s) for s in state["segments"]]
        state = {"closed_ms": state["active_end_ms"], **state}  # as it was saved once
        return cls(**{**state, "pauses": pauses, "segments": segments, "drives": [tuple(d) for d in state["drives"]]})


def is_proven(run: Run, ended: bool = False) -> bool:
    """Enough was drawn to call it a cycle: a motor or heater, or small parts that switch; one steady draw may be a
    machine that idles high."""
    if run.motor_ms >= MOTOR_PROOF_MS:
        return True
    return run.bursts >= 3 and run.active_ms >= SMALL_PROOF_MS


def _before(segments: Sequence[Segment], at_ms: int) -> list[Segment]:
    return [s for s in segments if s.start_ms < at_ms]


def _last_heat(segments: Sequence[Segment]) -> int:
    return max((i for i, s in enumerate(segments) if s.look == "heat"), default=-1)


def _spins_after_heat(run: Run, segments: Sequence[Segment]) -> int:
    heat = _last_heat(segments)
    after_ms = segments[heat].end_ms if heat >= 0 else 0
    until_ms = segments[-1].end_ms if segments else 0
    return sum(1 for start_ms, _ in spins_of(segments, run.drives) if after_ms <= start_ms < until_ms)


def is_complete(run: Run, segments: Sequence[Segment], kind: Kind) -> bool:
    """A programme could be over here."""
    heat = _last_heat(segments)
    if kind == "washing_machine":
        return _spins_after_heat(run, segments) >= 1
    if kind == "dishwasher":
        moved_s = sum(s.seconds for s in segments if s.look in MOVING)
        return moved_s >= (MOVED_S if heat >= 0 else UNHEATED_S)
    if kind == "washer_dryer":
        return bool(spins_of(segments, run.drives))
    if kind == "tumble_dryer":
        return heat >= 0
    return sum(s.seconds for s in segments if s.look != "quiet") >= 600


def is_drained(segments: Sequence[Segment], kind: Kind) -> bool:
    """A dishwasher that heated, then dried, then drained shortly."""
    heat = _last_heat(segments)
    if kind != "dishwasher" or heat < 0:
        return False
    after = list(dropwhile(lambda s: s.look in MOVING, segments[heat + 1 :]))  # what was heated is moved on
    if any(s.look in MOVING and s.seconds > 30 for s in after):
        return False
    dried = next((i for i, s in enumerate(after) if s.look == "quiet" and s.seconds * 1000 >= DRYING_MS), None)
    if dried is None:
        return False
    drains = [s for s in after[dried + 1 :] if s.look == "small"]
    return bool(drains) and drains[-1].seconds <= LAST_DRAIN_S


def is_emptied(segments: Sequence[Segment], kind: Kind) -> bool:
    """A dishwasher that heated, rinsed and drained: between two rinses it fills as soon as it has drained."""
    known = [s for s in segments if s.look != "quiet"]
    return kind == "dishwasher" and _last_heat(known) >= 0 and known[-1].look == "small"


def is_finished(segments: Sequence[Segment], kind: Kind) -> bool:
    """A dishwasher that washed, heated, dried and drained has nothing left to do."""
    return is_drained(segments, kind) and sum(s.seconds for s in segments if s.look in MOVING) >= MOVED_S


def is_far(run: Run, segments: Sequence[Segment], kind: Kind) -> bool:
    """So far along that a heater now would be a new programme: after two spins, or after a dryer has cooled."""
    heat = _last_heat(segments)
    after = segments[heat + 1 :]
    if kind == "washing_machine":
        return _spins_after_heat(run, segments) >= 2
    spins = spins_of(segments, run.drives)
    if kind == "washer_dryer" and not any(end_ms <= segments[heat].start_ms for _, end_ms in spins):
        return False
    if kind in ("tumble_dryer", "washer_dryer"):
        return heat >= 0 and sum(s.seconds for s in after if s.look in MOVING) >= COOLED_S
    return False


def close_after_ms(run: Run, segments: Sequence[Segment], kind: Kind) -> int:
    """So long a quiet is awaited before the cycle is called complete."""
    if kind != "dishwasher":
        return HOLD_MS[kind]
    known = _before(segments, run.active_end_ms)
    heat = _last_heat(known)
    if heat >= 0 and not any(s.look in MOVING and s.seconds > 120 for s in known[heat + 1 :]):
        return DRAINED_MS if is_drained(known, kind) else DRY_ON_MS
    return HOLD_MS[kind]


def goes_on_late(run: Run, segments: Sequence[Segment], kind: Kind, at_ms: int) -> bool:
    """Whether a draw after a quiet may still belong to the run (else it begins one of its own at once)."""
    quiet_ms = at_ms - run.active_end_ms
    if not run.told:
        return quiet_ms < HOLD_MS["other"]
    if kind == "dishwasher":
        return quiet_ms < LATE_MS
    if quiet_ms >= ABANDONED_MS:
        return False
    return run.still_ms < HOLD_MS[kind] or not is_complete(run, _before(segments, run.active_end_ms), kind)


def part_at(run: Run, segments: Sequence[Segment], known: Kind | None) -> Pause | None:
    """The pause after which, as is now proven, another programme began; None while nothing says so.

    ``known`` is the machine's kind; where nobody knows it, what came before each pause tells.
    """
    moved = [p for p in run.pauses if p.motor_ms >= MOTOR_PROOF_MS]
    if known in (None, "dishwasher"):
        for pause in moved:
            before = _before(segments, pause.quiet_ms)
            if is_finished(before, "dishwasher") and (known or kind_seen(before)) == "dishwasher":
                return pause
    heated: list[Pause] = []
    dryer = False
    for pause in moved:
        if pause.resume_ms - pause.quiet_ms >= ABANDONED_MS:
            return pause
        anew = pause.still_ms >= BETWEEN_MS and pause.small_first_ms >= FILL_FIRST_MS
        hot = pause.heat_ms >= HEAT_PROOF_MS
        if not (anew or hot or pause.off or pause.still_ms >= SHORTEST_HOLD_MS):
            continue
        before = _before(segments, pause.quiet_ms)
        kind = known or kind_seen(before)
        enough = pause.still_ms >= HOLD_MS[kind] or (pause.off and kind in TELLS_OFF)
        enough = enough or (anew and (kind in WASHERS or is_emptied(before, kind)))
        if enough and is_complete(run, before, kind):
            return pause
        if hot and is_far(run, before, kind):
            heated.append(pause)
            dryer = kind == "tumble_dryer"
    if not heated:
        return None
    if dryer:
        return heated[-1]  # its drum rests at any length against creases; the heat begins the new programme
    return max(heated, key=lambda p: p.still_ms)


def split_run(run: Run, pause: Pause) -> tuple[Run, Run]:
    """The run up to the pause, and the one after it."""
    before = Run(
        run.key_ms,
        run.start_ms,
        run.start_mwms,
        pause.quiet_ms,
        pause.quiet_mwms,
        told=run.told,
        closed=run.closed,
        motor_ms=run.motor_ms - pause.motor_ms,
        heat_ms=run.heat_ms - pause.heat_ms,
        active_ms=run.active_ms - pause.active_ms,
        bursts=run.bursts,
        segments=[s.until(pause.quiet_ms) for s in run.segments if s.start_ms < pause.quiet_ms],
        drives=[d for d in run.drives if d[0] < pause.quiet_ms],
    )
    after = Run(
        pause.resume_ms,
        pause.resume_ms,
        pause.resume_mwms,
        run.active_end_ms,
        run.active_end_mwms,
        motor_ms=pause.motor_ms,
        heat_ms=pause.heat_ms,
        active_ms=pause.active_ms,
        still_ms=run.still_ms,
        off_ms=run.off_ms,
        burst_ms=run.burst_ms,
        pauses=[p for p in run.pauses if p.resume_ms > pause.resume_ms],
        segments=[s.since(pause.resume_ms) for s in run.segments if s.end_ms > pause.resume_ms],
        drives=[d for d in run.drives if d[0] >= pause.resume_ms],
    )
    before.peak_w = max((s.peak_w for s in before.segments), default=0.0)
    after.peak_w = max((s.peak_w for s in after.segments), default=0.0)
    return before, after
