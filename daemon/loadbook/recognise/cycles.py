"""A cycle as the contract has it, from the story that is told: phases with start, end, energy, parts and verdict.

Pure.
"""

from __future__ import annotations

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
    return starts


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
    """Energy of a stay; where its start was moved between early and late, what flowed between those is shared out by
    time. ``end`` is the cycle's: when, and the energy by then."""
    end_ms, end_mwms = end

    def at_start(n: int) -> float:
        if n >= len(stays):
            return float(end_mwms)
        stay = stays[n]
        until_ms = starts[n + 1] if n + 1 < len(stays) else end_ms
        until = float(stays[n + 1].start_mwms) if n + 1 < len(stays) else float(end_mwms)
        span = until_ms - stay.early_ms
        if starts[n] <= stay.early_ms or span <= 0:
            return float(stay.start_mwms)
        if stay.late_mwms >= 0 and starts[n] <= stay.late_ms:
            span, until = stay.late_ms - stay.early_ms, float(stay.late_mwms)
        return stay.start_mwms + (until - stay.start_mwms) * (starts[n] - stay.early_ms) / span

    return max(0.0, at_start(k + 1) - at_start(k))
