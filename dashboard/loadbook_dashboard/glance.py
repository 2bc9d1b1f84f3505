"""One machine in a few words: what it does, since when, how long yet, and whether somebody is needed.

Pure: takes rows and the time, gives words and lengths. The page at a glance and the board both show this.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

from loadbook.alert_kinds import PRIORITY_ORDER, PRIORITY_WORDS, alert_kind, alert_title
from loadbook.events import Cycle
from loadbook.machine import Programme

from loadbook_dashboard import words
from loadbook_dashboard.matters import matters
from loadbook_dashboard.queries import KnownAlert, MachineRow

FINISHED_FOR_MS = 12 * 3_600_000
"""A machine whose last cycle ended this long ago is idle, not finished."""

STATE_WORDS: dict[str, str] = {
    "running": "Running",
    "finished": "Finished",
    "idle": "Idle",
    "no_power": "No supply",
    "silent": "Meter silent",
}


@dataclass(slots=True)
class Stretch:
    """One piece of the phase ribbon: its share of the whole (0 to 1), where it begins, and what it stands for."""

    start: float
    share: float
    stage: str
    when: str
    """done | now | later"""


@dataclass(slots=True)
class Call:
    """Why somebody is needed: one open alert in words, with those that are the same matter."""

    id: int
    title: str
    priority: str
    priority_words: str
    first: str
    began_ms: int
    over_ms: int | None
    seen: bool
    seen_by: str | None
    cycle_key_ms: int | None
    again: int = 0
    """How many more open alerts of this cycle are about the same part and say the same."""


@dataclass(slots=True)
class Glance:
    """What the page says about one machine."""

    id: str
    name: str
    kind: str
    place: str | None
    meter: str | None
    state: str
    word: str
    since_ms: int | None
    programme: str | None = None
    phase: str | None = None
    phase_since_ms: int | None = None
    phase_until_ms: int | None = None
    phase_number: int | None = None
    phase_count: int | None = None
    next_phase: str | None = None
    done_low_ms: int | None = None
    done_high_ms: int | None = None
    usual_done_ms: int | None = None
    usual_from: int = 0
    ribbon: list[Stretch] = field(default_factory=list)
    cycle: Cycle | None = None
    calls: list[Call] = field(default_factory=list)
    quiet: int = 0
    """Alerts that stand or are unseen, but call nobody now: put aside, held back."""
    out_of_service_since_ms: int | None = None
    out_of_service_by: str | None = None
    out_of_service_reason: str | None = None
    last_reading_ms: int | None = None
    power_w: float | None = None

    @property
    def needed(self) -> bool:
        """Whether somebody should come: something stands, or is over, that nobody has seen."""
        return any(not call.seen for call in self.calls)

    @property
    def urgency(self) -> str:
        """The highest priority among what nobody has seen."""
        return min((c.priority for c in self.calls if not c.seen), key=PRIORITY_ORDER.__getitem__, default="low")


def call_of(matter: list[KnownAlert], machine: MachineRow) -> Call:
    """Open alerts that are one matter in words; its first speaks for it."""
    known = matter[0]
    alert = known.alert
    kind = alert_kind(alert.kind)
    phase = words.phase_name(machine.chart, known.programme, alert.phase) if alert.phase else None
    return Call(
        id=known.id,
        title=alert_title(alert.kind, words.part_name(machine.chart, alert.component), phase, not known.active),
        priority=kind.priority,
        priority_words=PRIORITY_WORDS[kind.priority],
        first=kind.first,
        began_ms=alert.began_ms,
        over_ms=alert.cleared_ms,
        seen=known.seen,
        seen_by=known.seen_by,
        cycle_key_ms=alert.cycle_key_ms,
        again=len(matter) - 1,
    )


HEARD_MS = 60_000
"""A meter heard within this is not silent (contract, section 4: ``meter_silent``)."""


def state_now(machine: MachineRow, cycle: Cycle | None, now_ms: int) -> tuple[str, int | None]:
    """(state, since when). What was last said of a machine may be that its meter is silent, or nothing at all, while
    readings come again: then it runs if its cycle does, and idles otherwise."""
    heard_ms = machine.last_reading_ms or 0
    since_ms = machine.state_since_ms
    if machine.state != "silent" or now_ms - heard_ms > HEARD_MS or (since_ms or 0) + HEARD_MS > heard_ms:
        return machine.state, since_ms
    if cycle is not None and cycle.outcome == "running":
        return "running", cycle.start_ms
    return "idle", cycle.end_ms if cycle is not None else None


def glance(
    machine: MachineRow, cycle: Cycle | None, alerts: list[KnownAlert], usual_rest_s: list[float], now_ms: int
) -> Glance:
    """``cycle`` is the machine's last one, with phases; ``usual_rest_s`` from the start of the phase it is in."""
    state, since_ms = state_now(machine, cycle, now_ms)
    running = state in ("running", "no_power") and cycle is not None and cycle.outcome == "running"
    if state == "idle" and cycle is not None and cycle.outcome != "running":
        since_ms = max(since_ms or 0, cycle.end_ms) if since_ms is None else since_ms
        if now_ms - cycle.end_ms < FINISHED_FOR_MS:
            state, since_ms = "finished", cycle.end_ms
    found = Glance(
        id=machine.id,
        name=machine.name,
        kind=words.KIND_WORDS.get(machine.kind, machine.kind),
        place=machine.place,
        meter=machine.meter,
        state=state,
        word=STATE_WORDS.get(state, state),
        since_ms=since_ms,
        cycle=cycle,
        last_reading_ms=machine.last_reading_ms,
        quiet=sum(known.quiet is not None for known in alerts),
        out_of_service_since_ms=machine.out_of_service_since_ms,
        out_of_service_by=machine.out_of_service_by,
        out_of_service_reason=machine.out_of_service_reason,
        calls=sorted(
            (call_of(matter, machine) for matter in matters(k for k in alerts if k.quiet is None)),
            key=lambda call: (call.seen, call.over_ms is not None, PRIORITY_ORDER[call.priority], -call.began_ms),
        ),
    )
    if cycle is not None and (running or state == "finished"):
        found.programme = words.programme_name(machine.chart, cycle.programme)
    if running and cycle is not None:
        _running(found, machine, cycle, usual_rest_s, now_ms)
    return found


def _running(found: Glance, machine: MachineRow, cycle: Cycle, usual_rest_s: list[float], now_ms: int) -> None:
    found.since_ms = cycle.start_ms
    open_phase = next((p for p in reversed(cycle.phases) if p.start_ms is not None), None)
    phase_id = machine.phase or (open_phase.id if open_phase else None)
    stage = machine.stage or (open_phase.stage if open_phase else None)
    found.phase = words.phase_name(machine.chart, cycle.programme, phase_id, stage)
    found.phase_since_ms = open_phase.start_ms if open_phase else machine.state_since_ms
    found.phase_until_ms = machine.phase_until_ms
    programme = None
    if machine.chart is not None and cycle.programme is not None:
        programme = next((p for p in machine.chart.programmes if p.id == cycle.programme), None)
    position = None
    if programme is not None:
        position = next((i for i, p in enumerate(programme.phases) if p.id == phase_id), None)
    if programme is None or position is None or found.phase_since_ms is None:
        return
    found.phase_number, found.phase_count = position + 1, len(programme.phases)
    after = programme.phases[position + 1 :]
    if after:
        found.next_phase = after[0].name or words.plain(after[0].id)
    low_s, high_s = rest_of(programme, position)
    found.done_low_ms = max(now_ms, found.phase_since_ms + round(low_s * 1000))
    found.done_high_ms = max(now_ms, found.phase_since_ms + round(high_s * 1000))
    if len(usual_rest_s) >= 3:
        usual_ms = found.phase_since_ms + round(median(usual_rest_s) * 1000)
        if usual_ms > now_ms:
            found.usual_done_ms, found.usual_from = usual_ms, len(usual_rest_s)
    found.ribbon = ribbon(programme, position, cycle, found.phase_since_ms, now_ms)


def rest_of(programme: Programme, position: int) -> tuple[float, float]:
    """From the start of a phase to the end of the programme: least and most by the chart, s."""
    rest = programme.phases[position:]
    return sum(p.min_s for p in rest if not p.optional), sum(p.max_s for p in rest)


def ribbon(programme: Programme, position: int, cycle: Cycle, since_ms: int, now_ms: int) -> list[Stretch]:
    """The programme as stretches: measured lengths for what is done, the middle of the chart's window for the rest."""
    measured = {p.id: p for p in cycle.phases if p.start_ms is not None}
    pieces: list[tuple[float, str, str]] = []
    for index, phase in enumerate(programme.phases):
        middle_s = (phase.min_s + phase.max_s) / 2
        if index < position:
            row = measured.get(phase.id)
            if row is not None and row.start_ms is not None and row.end_ms is not None:
                pieces.append(((row.end_ms - row.start_ms) / 1000, phase.stage, "done"))
        elif index == position:
            elapsed_s = (now_ms - since_ms) / 1000
            pieces.append((max(elapsed_s, 1.0), phase.stage, "now"))
            if middle_s > elapsed_s:
                pieces.append((middle_s - elapsed_s, phase.stage, "later"))
        else:
            pieces.append((middle_s / 2 if phase.optional else middle_s, phase.stage, "later"))
    whole = sum(length for length, _, _ in pieces) or 1.0
    stretches, start = [], 0.0
    for length, stage, when in pieces:
        stretches.append(Stretch(start, length / whole, stage, when))
        start += length / whole
    return stretches
