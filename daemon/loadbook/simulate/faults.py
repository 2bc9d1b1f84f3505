"""Faults of the trade, as changes to one cycle of a session, each with what it is about.

A fault is tried on every model and programme; ``where`` says whether it can happen there. What must be said about it is
derived in ``charted`` and ``seen``; ``about`` names the kinds that count as finding it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from loadbook.simulate.bands import idle_limit_w, standby_limit_w
from loadbook.simulate.expect import Expected
from loadbook.simulate.metering import Rows, drop
from loadbook.simulate.model import Model, Step
from loadbook.simulate.play import Session, Turn, Twist
from loadbook.simulate.run import Health, Recorded
from loadbook.simulate.supply import Slope, Supply


@dataclass(frozen=True)
class Case:
    """A fault made concrete: the twist, the supply, the session around it, what spoils the log, what counts."""

    twist: Twist = field(default_factory=Twist)
    supply: Callable[[Supply], Supply] = lambda s: s
    session: Callable[[Session], Session] = lambda s: s
    rows: Callable[[Rows, Recorded], Rows] = lambda r, _: r
    component: str | None = None
    phase: str | None = None


@dataclass(frozen=True)
class Fault:
    """``make(model, programme)`` gives the case, or None where the fault cannot happen."""

    id: str
    about: tuple[str, ...]
    make: Callable[[Model, str], Case | None]

    def needed(self, case: Case) -> Callable[[list[Expected]], list[Expected]]:
        """Which of the derived expectations the case is about: the earliest of the first kind that there is."""

        def about_it(one: Expected) -> bool:
            part = case.component is None or not one.components or case.component in one.components
            return part and (case.phase is None or case.phase in one.phases)

        def pick(expected: list[Expected]) -> list[Expected]:
            for kind in self.about:
                right = [e for e in expected if e.kind == kind and about_it(e)]
                if right:
                    return [min(right, key=lambda e: e.provable_s)]
            return []

        return pick


def steps(model: Model, programme: str) -> tuple[Step, ...]:
    return model.programmes[programme]


def heaters(model: Model, programme: str) -> list[str]:
    """Resistive parts that the programme keeps on through a phase or lets its thermostat switch."""
    used = {p for s in steps(model, programme) for p in (*s.chart.on, *s.chart.pulsing)}
    return [c.id for c in model.components if c.nature == "resistive" and c.rated_w > 200 and c.id in used]


def heat_phase(model: Model, programme: str) -> str | None:
    """The first phase with a heater on."""
    names = set(heaters(model, programme))
    return next((s.chart.id for s in steps(model, programme) if names & {*s.chart.on, *s.chart.pulsing}), None)


def users(model: Model, programme: str, part_id: str) -> list[Step]:
    return [s for s in steps(model, programme) if part_id in (*s.chart.on, *s.chart.pulsing)]


def part_of(model: Model, programme: str, nature: str, *words: str) -> str | None:
    """The first part of that nature whose id has one of the words (is it, if the word is plain), if it is used."""
    for component in model.components:
        named = not words or any(w == component.id or (w not in PLAIN and w in component.id) for w in words)
        if component.nature == nature and named and users(model, programme, component.id):
            return component.id
    return None


def ill(part_id: str | None, health: Health, phase: str | None = None) -> Case | None:
    """A case of one part with one illness for the whole cycle."""
    return None if part_id is None else Case(Twist(health={part_id: health}), component=part_id, phase=phase)


def a_heater(model: Model, programme: str) -> str | None:
    names = heaters(model, programme)
    return names[0] if names else None


def weak(scale: float) -> Callable[[Model, str], Case | None]:
    return lambda m, p: ill(a_heater(m, p), Health(scale=scale))


def of(nature: str, words: tuple[str, ...], health: Health) -> Callable[[Model, str], Case | None]:
    """A part of that nature with that illness. A part that the very first phase needs alone fails a minute later:
    before, nothing at all would happen, and nobody could know that a cycle was meant to run."""

    def make(model: Model, programme: str) -> Case | None:
        name = part_of(model, programme, nature, *words)
        first = steps(model, programme)[0].chart
        alone = health.scale == 0 and first.on == (name,) and not first.pulsing
        return ill(name, replace(health, from_s=60.0) if alone else health)

    return make


PLAIN = ("pump", "motor")
PUMP = ("drain_pump", "pump", "pump_out")
DRIVE = ("drum_motor", "circulation", "main_motor", "drum", "wash_pump", "motor")
VALVE = ("inlet", "valve")
WORK = ("wash", "rinse", "heat")


def middle_phase(model: Model, programme: str, *stages: str, needed_only: bool = True) -> Step | None:
    """The longest needed phase of those stages that is neither first nor last."""
    rows = steps(model, programme)
    last = max(k for k, s in enumerate(rows) if not s.chart.optional)
    inner = [s for s in rows[1:last] if s.chart.stage in stages]
    inner = [s for s in inner if not (needed_only and s.chart.optional)]
    return max(inner, key=lambda s: s.chart.max_s, default=None)


def stretch(*stages: str, to: float = 1.35) -> Callable[[Model, str], Case | None]:
    """One phase of a stage lasts ``to`` times its ``max_s``."""

    def make(model: Model, programme: str) -> Case | None:
        step = middle_phase(model, programme, *stages) or next(
            (s for s in steps(model, programme) if s.chart.stage in stages and not s.chart.optional), None
        )
        if step is None:
            return None
        chart = step.chart
        usual_s = 0.5 * (chart.min_s + chart.max_s)
        twist = Twist(lengthen={chart.id: to * chart.max_s / (0.45 * usual_s)}, cut_after={chart.id: to * chart.max_s},
                      patience=20.0)  # fmt: skip
        return Case(twist, phase=chart.id)

    return make


def shorten(*stages: str) -> Callable[[Model, str], Case | None]:
    def make(model: Model, programme: str) -> Case | None:
        step = middle_phase(model, programme, *stages)
        if step is None or step.chart.min_s < 60:
            return None
        return Case(Twist(cut_after={step.chart.id: 0.55 * step.chart.min_s}), phase=step.chart.id)

    return make


def skip(*stages: str) -> Callable[[Model, str], Case | None]:
    """A needed phase is left out that differs from its neighbours, as they do from each other."""

    def make(model: Model, programme: str) -> Case | None:
        rows = steps(model, programme)
        for k in range(1, len(rows) - 1):
            here, after = rows[k].chart, rows[k + 1].chart
            before = rows[k - 1].chart
            looks = [frozenset((*c.on, *c.pulsing)) for c in (before, here, after)]
            if here.stage in stages and not here.optional and len(set(looks)) == 3:
                return Case(
                    Twist(reorder=lambda got, gone=here.id: [s for s in got if s.chart.id != gone]),  # type: ignore[misc]
                    phase=here.id,
                )
        return None

    return make


def swapped(model: Model, programme: str) -> Case | None:
    """Two blocks that look unlike in the wrong order: a heat before its fill, a rinse before its drain."""
    rows = steps(model, programme)
    for k in range(2, len(rows) - 2):
        one, two = rows[k].chart, rows[k + 1].chart
        unlike = not {*one.on, *one.pulsing} & {*two.on, *two.pulsing}
        if unlike and not one.optional and not two.optional and one.on != rows[k - 1].chart.on and two.on:

            def reorder(got: list[Step], a: str = one.id, b: str = two.id) -> list[Step]:
                ids = [s.chart.id for s in got]
                i, j = ids.index(a), ids.index(b)
                got[i], got[j] = got[j], got[i]
                return got

            return Case(Twist(reorder=reorder))
    return None


def stop_in(*stages: str, otherwise: tuple[str, ...] = ()) -> Callable[[Model, str], Case | None]:
    def make(model: Model, programme: str) -> Case | None:
        step = middle_phase(model, programme, *stages) or middle_phase(model, programme, *otherwise)
        return None if step is None else Case(Twist(stop_in=step.chart.id), session=_long_after)

    return make


def _long_after(session: Session) -> Session:
    return replace(session, after_s=max(session.after_s, 2700.0))


def forever(model: Model, programme: str) -> Case | None:
    """The controller never leaves a middle phase until the whole is longer than the chart can be."""
    step = middle_phase(model, programme, "wash", "rinse") or middle_phase(model, programme, "dry")
    if step is None:
        step = steps(model, programme)[0]
    longest_s = model.machine.programme(programme).longest_s()
    twist = Twist(lengthen={step.chart.id: 60.0}, cut_after={step.chart.id: longest_s * 1.1}, patience=50.0)
    return Case(twist)


def cut(seconds: float, silent: bool) -> Callable[[Model, str], Case | None]:
    """The supply goes for a while in the middle; a meter on the same supply goes silent with it."""

    def make(model: Model, programme: str) -> Case | None:
        step = middle_phase(model, programme, "wash", "heat", "rinse", "dry") or steps(model, programme)[0]
        at_s = 0.4 * step.chart.min_s + 20

        def quiet(rows: Rows, recorded: Recorded) -> Rows:
            for first, last in recorded.run.lost:
                rows = drop(rows, first * 0.25, last * 0.25 + 1)
            return rows

        case = Case(Twist(outages={step.chart.id: (at_s, seconds)}))
        return replace(case, rows=quiet) if silent else case

    return make


def silence(seconds: float) -> Callable[[Model, str], Case | None]:
    """The meter says nothing for a while; the machine goes on."""

    def make(model: Model, programme: str) -> Case | None:
        def quiet(rows: Rows, recorded: Recorded) -> Rows:
            cycle = recorded.run.cycles[0]
            middle_s = (cycle.start + 0.45 * (cycle.end - cycle.start)) * 0.25
            return drop(rows, middle_s, middle_s + seconds)

        return Case(rows=quiet)

    return make


def leak(model: Model, programme: str) -> Case | None:
    """The valve comes on again while all is quiet: a leak, or a level switch that says empty. (Over a running pump its
    few watts lie within the pump's band, and nobody can tell.)"""
    valve = part_of(model, programme, "solenoid", *VALVE)
    quiet = [s.chart for s in steps(model, programme) if model.machine.is_quiet(s.chart) and s.chart.min_s >= 150]
    if valve is None or not quiet:
        return None
    return Case(Twist(health={f"{valve}@{quiet[0].id}": Health(stuck=True, from_s=60.0)}), component=valve)


def supply(**changes: object) -> Callable[[Model, str], Case | None]:
    return lambda m, p: Case(supply=lambda s: replace(s, **changes))  # type: ignore[arg-type]


def sag(factor: float) -> Callable[[Model, str], Case | None]:
    return lambda m, p: Case(supply=lambda s: replace(s, slopes=(Slope(factor, from_s=300.0),)))


def anti_crease_forever(model: Model, programme: str) -> Case | None:
    last = steps(model, programme)[-1]
    if not last.chart.optional or not last.chart.pulsing:
        return None
    long_s = last.chart.max_s + 900
    twist = Twist(lengthen={last.chart.id: 3.0 + long_s / 60.0}, cut_after={last.chart.id: long_s},
                  reorder=lambda got: got if got[-1] is last else [*got, last])  # fmt: skip
    return Case(twist, phase=last.chart.id)


def hungry_standby(model: Model, programme: str) -> Case | None:
    """Above what idling may draw, below what is taken for standby: more would pass for a valve."""
    limit, standby = idle_limit_w(model.plate.standby_w), standby_limit_w(model.plate.standby_w)
    extra = max(min(limit * 1.5, 0.5 * (limit + standby)) - model.off_w, 0.5)
    return Case(session=lambda s: replace(s, after_s=2400.0, dark_after_s=60.0, idle_extra_w=extra))


def _dies(model: Model, programme: str) -> Case | None:
    """The heater goes open in the middle of its first phase."""
    name, phase = a_heater(model, programme), heat_phase(model, programme)
    if name is None or phase is None:
        return None
    chart = next(s.chart for s in steps(model, programme) if s.chart.id == phase)
    at_s = min(150.0, 0.5 * chart.min_s)
    return Case(Twist(health={f"{name}@{phase}": Health(scale=0.0, from_s=at_s)}), component=name)


def motor_dies(model: Model, programme: str) -> Case | None:
    """The motor of a wash, rinse or heat phase stops for good a good minute into the longest of them."""
    rows = [s.chart for s in steps(model, programme) if s.chart.stage in WORK and not s.chart.optional]
    name = part_of(model, programme, "motor", *DRIVE)
    rows = [c for c in rows if name in (*c.on, *c.pulsing) and c.min_s >= 200]
    if name is None or not rows:
        return None
    chart = max(rows, key=lambda c: c.min_s)
    return Case(Twist(health={f"{name}@{chart.id}": Health(scale=0.0, from_s=0.45 * chart.min_s)}), component=name)


def paused(model: Model, programme: str) -> Case | None:
    """Paused for seven minutes in a wash: it has stopped, and then goes on."""
    step = middle_phase(model, programme, "wash", "rinse") or middle_phase(model, programme, "dry", "heat")
    if step is None or model.machine.is_quiet(step.chart):
        return None
    return Case(Twist(pauses={step.chart.id: (0.5 * step.chart.min_s, 420.0)}))


FAULTS: tuple[Fault, ...] = (
    Fault("heater-open", ("component_missing", "phase_too_long"), weak(0.0)),
    Fault("heater-half", ("power_low",), weak(0.5)),
    Fault("heater-weak-75", ("power_low",), weak(0.75)),
    Fault("heater-high", ("power_high",), weak(1.22)),
    Fault("heater-dies-later", ("component_missing",), _dies),
    Fault("heater-stuck-on", ("component_unexpected",), lambda m, p: ill(a_heater(m, p), Health(stuck=True))),
    Fault("motor-absent", ("component_missing",), of("motor", DRIVE, Health(scale=0.0))),
    Fault("motor-dies-later", ("component_missing",), motor_dies),
    Fault("motor-blocked", ("power_high",), of("motor", DRIVE, Health(scale=2.1))),
    Fault("drain-pump-missing", ("component_missing", "stopped_early"), of("motor", PUMP, Health(scale=0.0))),
    Fault("drain-pump-blocked", ("power_high",), of("motor", PUMP, Health(scale=1.7))),
    Fault("drain-pump-stuck-on", ("component_unexpected",), of("motor", PUMP, Health(stuck=True))),
    Fault("valve-missing", ("component_missing", "stopped_early"), of("solenoid", VALVE, Health(scale=0.0))),
    Fault("fan-missing", ("component_missing",), of("motor", ("fan",), Health(scale=0.0))),
    Fault("fill-overlong", ("phase_too_long",), stretch("fill")),
    Fault("heat-overlong", ("phase_too_long",), stretch("heat")),
    Fault("wash-overlong", ("phase_too_long",), stretch("wash", "rinse")),
    Fault("drain-overlong", ("phase_too_long",), stretch("drain", to=2.0)),
    Fault("dry-overlong", ("phase_too_long",), stretch("dry", to=1.2)),
    Fault("heat-too-short", ("phase_too_short",), shorten("heat")),
    Fault("wash-too-short", ("phase_too_short",), shorten("wash", "rinse")),
    Fault("rinse-skipped", ("phase_missing",), skip("rinse", "heat")),
    Fault("drain-skipped", ("phase_missing",), skip("drain")),
    Fault("out-of-order", ("phase_out_of_order",), swapped),
    Fault("stopped-in-wash", ("stopped_early",), stop_in("wash", "rinse", otherwise=("dry",))),
    Fault("stopped-in-quiet", ("stopped_early", "phase_too_long"), stop_in("dry")),
    Fault("stopped-in-heat", ("stopped_early",), stop_in("heat", "cool")),
    Fault("paused", ("stopped_early",), paused),
    Fault("never-ending", ("never_ending",), forever),
    Fault("power-cut", ("power_lost",), cut(240.0, silent=False)),
    Fault("power-cut-meter-too", ("meter_silent",), cut(300.0, silent=True)),
    Fault("meter-silent", ("meter_silent",), silence(200.0)),
    Fault("supply-low", ("supply_voltage",), sag(0.84)),
    Fault("supply-high", ("supply_voltage",), sag(1.125)),
    Fault("frequency-off", ("supply_frequency",), supply(hz_offset=0.75, hz_offset_from_s=400.0)),
    Fault("source-weak", ("supply_impedance",), supply(source_ohm=2.3, open_v=241.0)),
    Fault("standby-high", ("standby_high",), hungry_standby),
    Fault("anti-crease-endless", ("phase_too_long",), anti_crease_forever),
    Fault("leak-refill", ("component_unexpected",), leak),
)  # fmt: skip


def one_turn(programme: str, case: Case) -> Session:
    """The session of a case: one cycle, some idle around it."""
    return case.session(Session((Turn(programme, twist=case.twist),)))
