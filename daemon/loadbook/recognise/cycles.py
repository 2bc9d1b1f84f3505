"""A cycle as the contract has it, from the story that is told: phases with start, end, energy, parts and verdict.

Pure.
"""

from __future__ import annotations

from bisect import bisect_left

from loadbook.events import Cycle, Outcome, PartMeasured, Phase, PhaseVerdict
from loadbook.recognise.chart_model import ChartModel, ProgrammeModel
from loadbook.recognise.hypothesis import Story
from loadbook.recognise.stay import Stay
from loadbook.recognise.track import MWMS_PER_KWH

VERDICT: dict[str, PhaseVerdict] = {
    "component_missing": "low",
    "power_low": "low",
    "power_high": "high",
    "component_unexpected": "high",
    "phase_too_short": "too_short",
    "phase_too_long": "too_long",
    "phase_out_of_order": "unexpected",
    "phase_missing": "missing",
}
"""The later in the table, the more a phase's verdict is taken from it."""
SEEN_MS = 2_000


def starts_of(chart: ChartModel, story: Story, end_ms: int, late_ms: int) -> list[int]:
    """When each stay of a story began, the current one last. Where phases look alike the earlier one holds until its
    ``max_s``, as far as the later one's ``min_s`` leaves room."""
    programme = chart.programmes[story.programme]
    stays = [*story.past, story.now]
    starts = [0] * len(stays)
    until_ms = end_ms
    for k in range(len(stays) - 1, -1, -1):
        stay = stays[k]
        late = late_ms if k == len(stays) - 1 else stay.late_ms
        if late > stay.early_ms and k and _rested_for_good(stays, programme, k, end_ms, chart.valves_mask):
            late = stay.early_ms
        least_ms = programme.phases[stay.place].min_ms if stay.place < len(programme.phases) else 0
        start = max(stay.early_ms, min(late, until_ms - least_ms))
        starts[k] = until_ms = max(min(start, until_ms), story.start_ms)
    starts[0] = story.start_ms
    _hold(stays, programme, starts, end_ms)
    return starts


def _hold(stays: list[Stay], programme: ProgrammeModel, starts: list[int], end_ms: int) -> None:
    """Moves the starts of phases that have the very same parts as the one before: it holds until its ``max_s``, as far
    as the least times of those after it leave room."""
    room = [end_ms] * (len(stays) + 1)
    same = [False] * len(stays)
    for k in range(len(stays) - 1, -1, -1):
        here = programme.place(stays[k].place)
        before = programme.place(stays[k - 1].place) if k else None
        room[k] = starts[k]
        if here is None or before is None or stays[k].unseen or stays[k - 1].unseen:
            continue
        same[k] = (here.on, here.pulsing, here.stage) == (before.on, before.pulsing, before.stage)
        if same[k]:
            room[k] = max(starts[k], (room[k + 1] if k + 1 < len(stays) else end_ms) - here.min_ms)
    for k in range(1, len(stays)):
        if same[k]:
            most_ms = programme.phases[stays[k - 1].place].max_ms + stays[k - 1].paused_ms
            starts[k] = max(starts[k], min(starts[k - 1] + most_ms, room[k]))


def _rested_for_good(stays: list[Stay], programme: ProgrammeModel, k: int, end_ms: int, valves_mask: int) -> bool:
    """A part that pulsed in the phase before, no valve, has rested since for longer than it ever had: that phase was
    over."""
    place = stays[k].place
    if place >= len(programme.phases) or stays[k - 1].unseen:
        return False
    phase = programme.phases[place]
    for part, pulses in stays[k - 1].pulses.items():
        if (phase.mask | valves_mask) >> part & 1 or pulses.rest_since_ms is None or not pulses.n:
            continue
        again_ms = next((s.early_ms for s in stays[k + 1 :] if part in s.seen_ms), end_ms)
        if again_ms - pulses.rest_since_ms > pulses.overdue_ms():
            return True
    return False


def build_cycle(
    chart: ChartModel,
    story: Story,
    *,
    key_ms: int,
    outcome: Outcome,
    end_ms: int,
    end_mwms: int,
    late_ms: int,
    peak_w: float,
    standby_w: float | None,
    programme_known: bool,
    kinds: dict[str, set[str]],
    parts: list[PartMeasured],
) -> Cycle:
    """The cycle up to ``end_ms``. ``kinds`` are the alert kinds that stand by phase id."""
    programme = chart.programmes[story.programme]
    stays = [s for s in (*story.past, story.now)]
    starts = starts_of(chart, story, end_ms, late_ms)
    phases: list[tuple[int, Phase]] = []
    for k, stay in enumerate(stays):
        if stay.place >= len(programme.phases):
            continue
        stop_ms = starts[k + 1] if k + 1 < len(stays) else end_ms
        if starts[k] >= end_ms and k:
            continue
        end = (end_ms, end_mwms)
        phases.append((starts[k], _phase(chart, programme, stays, starts, k, min(stop_ms, end_ms), end, kinds)))
    listed = [phase for _, phase in phases]
    over = outcome != "running"
    came = {stay.place for k, stay in enumerate(stays) if starts[k] < end_ms or not k or not over}
    gone = {place for place, _ in story.skipped} - came
    if over:
        last = max(came)
        gone |= {k for k in range(last + 1, len(programme.phases)) if not programme.phases[k].optional}
    for place in sorted(gone):
        model = programme.phases[place]
        at = next((n for n, p in enumerate(listed) if _place(programme, p.id) > place), len(listed))
        listed.insert(at, Phase(model.id, model.stage, None, None, verdict="missing"))
    return Cycle(
        key_ms=key_ms,
        start_ms=story.start_ms,
        end_ms=end_ms,
        programme=programme.id if programme_known else None,
        outcome=outcome,
        energy_kwh=round((end_mwms - story.start_mwms) / MWMS_PER_KWH, 6),
        peak_w=round(peak_w, 1),
        standby_w=None if standby_w is None else round(standby_w, 2),
        phases=listed,
        verdict="attention" if any(kinds.values()) or outcome == "stopped_early" else "pass",
        parts=parts,
    )


def _place(programme: ProgrammeModel, phase_id: str | None) -> int:
    return next((k for k, p in enumerate(programme.phases) if p.id == phase_id), -1)


def _phase(
    chart: ChartModel, programme: ProgrammeModel, stays: list[Stay], starts: list[int], k: int, stop_ms: int,
    end: tuple[int, int], kinds: dict[str, set[str]],
) -> Phase:  # fmt: skip
    stay, model = stays[k], programme.phases[stays[k].place]
    energy = _energy(stays, starts, k, end)
    seconds = (stop_ms - starts[k]) / 1000
    found = kinds.get(model.id, set())
    verdict: PhaseVerdict = "ok"
    for kind, word in VERDICT.items():
        if kind in found:
            verdict = word
    drew = {i: ms for i, ms in stay.seen_ms.items() if ms >= SEEN_MS}
    for (kind, part), suspect in stay.suspects.items():
        if kind == "unexpected" and suspect.ms >= SEEN_MS and part >= 0:
            drew[part] = suspect.ms
    return Phase(
        id=model.id,
        stage=model.stage,
        start_ms=starts[k],
        end_ms=stop_ms,
        power_w=None if stay.unseen or seconds <= 0 else round(energy / 1e6 / seconds / 1e0, 1),
        energy_kwh=None if stay.unseen else round(energy / MWMS_PER_KWH, 6),
        on=[part.id for i, part in enumerate(chart.parts) if i in drew],
        verdict=verdict,
    )


def _energy(stays: list[Stay], starts: list[int], k: int, end: tuple[int, int]) -> float:
    """Energy of a stay; where a start was moved, what flowed between two instants at which it was counted is shared
    out by time. ``end`` is the cycle's: when, and the energy by then."""
    known = {stay.late_ms: stay.late_mwms for stay in stays if stay.late_mwms >= 0}
    known |= {stay.early_ms: stay.start_mwms for stay in stays} | {end[0]: end[1]}
    at_ms = sorted(known)

    def by(when_ms: int) -> float:
        right = bisect_left(at_ms, when_ms)
        if right == len(at_ms):
            return float(end[1])
        if at_ms[right] == when_ms or not right:
            return float(known[at_ms[right]])
        a_ms, b_ms = at_ms[right - 1], at_ms[right]
        return known[a_ms] + (known[b_ms] - known[a_ms]) * (when_ms - a_ms) / (b_ms - a_ms)

    return max(0.0, by(starts[k + 1] if k + 1 < len(stays) else end[0]) - by(starts[k]))
