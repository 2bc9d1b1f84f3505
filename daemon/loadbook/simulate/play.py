"""A session at one socket: idle, cycles of a model one after another, faults in them; and the record of what was."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from loadbook.simulate.model import Model, Step
from loadbook.simulate.run import GaveUpError, Health, Played, Recorded, Run, Stay
from loadbook.simulate.supply import Supply


@dataclass(frozen=True)
class Twist:
    """What a fault changes in one cycle of a session."""

    health: dict[str, Health] = field(default_factory=dict)
    """From/until seconds count from the start of the cycle."""
    lengthen: dict[str, float] = field(default_factory=dict)
    cut_after: dict[str, float] = field(default_factory=dict)
    patience: float = 1.0
    reorder: Callable[[list[Step]], list[Step]] | None = None
    stop_in: str | None = None
    """The machine stops (fuse, board) at the half of this phase and stays on standby."""
    board_w: float | None = None
    outages: dict[str, tuple[float, float]] = field(default_factory=dict)
    pauses: dict[str, tuple[float, float]] = field(default_factory=dict)
    """All stands still (seconds into the phase, for how many seconds): the door was opened, or it was paused."""

    def touches(self) -> bool:
        """Whether it changes the cycle at all (a fault of supply, log or session does not)."""
        return self != Twist()


@dataclass(frozen=True)
class Turn:
    """One cycle of a session: its programme, the idle time before it and what is wrong in it."""

    programme: str
    idle_s: float = 120.0
    twist: Twist = field(default_factory=Twist)
    display_s: float = 30.0
    """How long the display is on before the programme starts (delayed start: long)."""
    display_w: float | None = None
    """What it draws meanwhile (default: as in the programme)."""


@dataclass(frozen=True)
class Session:
    """A whole run: turns, then idle at the end (``after_s``, of which ``dark_after_s`` with the display still on)."""

    turns: tuple[Turn, ...]
    after_s: float = 420.0
    dark_after_s: float = 120.0
    idle_extra_w: float = 0.0


def play(model: Model, session: Session, seed: int, supply: Supply | None = None) -> Recorded:
    """Run a session. The same model, session, supply and seed give the same arrays."""
    run = Run(model, seed, supply or Supply(seed, open_v=model.plate.rated_voltage_v * 1.008))
    for number, turn in enumerate(session.turns):
        run.board_w = model.off_w + session.idle_extra_w
        dark = max(turn.idle_s - turn.display_s, 0.0)
        if dark:
            run.draw(dark)
        run.board_w = turn.twist.board_w or model.running_w
        if turn.display_w is not None:
            run.board_w = turn.display_w
        run.draw(max(turn.display_s, 0.25))
        run.board_w = turn.twist.board_w or model.running_w
        _cycle(run, turn, number)
    if session.after_s:
        run.draw(min(session.dark_after_s, session.after_s))
        run.board_w = model.off_w + session.idle_extra_w
        if session.after_s > session.dark_after_s:
            run.draw(session.after_s - session.dark_after_s)
    return run.finish()


def _cycle(run: Run, turn: Turn, number: int) -> None:
    twist = turn.twist
    run.health = {
        key: h if "@" in key else replace(h, from_s=h.from_s + run.now_s, until_s=h.until_s + run.now_s)
        for key, h in twist.health.items()
    }
    run.outages, run.pauses = dict(twist.outages), dict(twist.pauses)
    run.lengthen, run.cut_after, run.patience = dict(twist.lengthen), dict(twist.cut_after), twist.patience
    come: dict[str, bool] = {}
    for s in run.model.programmes[turn.programme]:
        come.setdefault(s.block or s.chart.id, not s.chart.optional or bool(run.rng.random() < s.likely))
    steps = [s for s in run.model.programmes[turn.programme] if come[s.block or s.chart.id]]
    if twist.reorder:
        steps = twist.reorder(steps)
    cycle = Played(turn.programme, run.n)
    run.cycles.append(cycle)
    for step in steps:
        stay = Stay(step.chart.id, step.chart.stage, run.n, programme=turn.programme, cycle=number)
        run.stays.append(stay)
        run.phase_id, run.phase_start = step.chart.id, run.n
        stopped = False
        if twist.stop_in == step.chart.id:
            run.cut_after[step.chart.id] = 0.5 * (step.chart.min_s + min(step.chart.max_s, 1.5 * step.chart.min_s + 60))
            stopped = True
        try:
            step.act.go(run)
        except GaveUpError:
            stopped = True
        stay.end = run.n
        if stopped:
            cycle.outcome = "stopped_early"
            break
    cycle.end = run.n
    run.health, run.phase_id, run.litres = {}, "", 0.0
    run.water_c = run.inlet_c
