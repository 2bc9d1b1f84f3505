"""The verdict of a soak test: each requirement over all its cycles, by the decision rule; spread and drift. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import fmean, stdev

from loadbook.events import Alert, Cycle
from loadbook.soak.decide import Accuracy, Finding, decide, deviation_sentence, worst
from loadbook.soak.requirements import Requirement

PART_KINDS = frozenset({"component_missing", "component_unexpected", "power_lost"})
SEQUENCE_KINDS = frozenset({"phase_missing", "phase_out_of_order"})
UNFINISHED_KINDS = frozenset({"stopped_early", "never_ending"})
CONDITION_KINDS = frozenset({"supply_voltage", "supply_frequency", "supply_impedance", "meter_silent"})
"""What concerns the place rather than the machine: told as conditions of the test, not as its findings."""


@dataclass(frozen=True, slots=True)
class Result:
    """One requirement, measured. ``values`` has one entry per cycle (None: not measured), ``finding`` the worst."""

    requirement: Requirement
    values: tuple[float | None, ...]
    findings: tuple[Finding, ...]
    finding: Finding
    why: str = ""
    accuracy: Accuracy | None = None

    def uncertainty(self, value: float) -> float | None:
        """U of a value of this quantity; None where the accuracy is not known."""
        return None if self.accuracy is None else self.accuracy.uncertainty(value)

    @property
    def measured(self) -> list[float]:
        """The values there are."""
        return [v for v in self.values if v is not None]

    def spread(self) -> tuple[float, float, float] | None:
        """(least, mean, most) over the cycles; None without a value."""
        values = self.measured
        return (min(values), fmean(values), max(values)) if values else None


@dataclass(frozen=True, slots=True)
class Drift:
    """How a heater's resistance moved over the test, ohms: first and last cycle, and the scatter between cycles."""

    component: str
    first_ohm: float
    last_ohm: float
    scatter_ohm: float

    @property
    def change_percent(self) -> float:
        """Last against first, percent."""
        return 100.0 * (self.last_ohm / self.first_ohm - 1.0)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a soak test found. ``finding`` is the worst of the results: Not met > Not assessed > Undecided > Met."""

    results: tuple[Result, ...]
    finding: Finding
    tested: int
    good: int
    sentence: str
    drifts: tuple[Drift, ...] = ()
    conditions: tuple[Alert, ...] = field(default=())


def draw_verdict(
    required: Sequence[Requirement], cycles: Sequence[Cycle], alerts: Sequence[Alert], meter: Accuracy | None
) -> Verdict:
    """The verdict over the cycles of a test; ``alerts`` are those raised during it, ``meter`` the meter's accuracy.

    A cycle still running is left out: it is not tested yet.
    """
    tested = [c for c in cycles if c.outcome != "running"]
    by_cycle = [[a for a in alerts if a.cycle_key_ms == c.key_ms] for c in tested]
    results = tuple(_result(r, tested, by_cycle, meter) for r in required)
    good = 0
    for index, raised in enumerate(by_cycle):
        bad = any(a.kind not in CONDITION_KINDS for a in raised)
        bad = bad or any(r.findings[index] is Finding.NOT_MET for r in results)
        good += not bad
    return Verdict(
        results=results,
        finding=worst([r.finding for r in results]) if tested else Finding.NOT_ASSESSED,
        tested=len(tested),
        good=good,
        sentence=deviation_sentence(good, len(tested)),
        drifts=tuple(_drifts(tested)),
        conditions=tuple(a for a in alerts if a.kind in CONDITION_KINDS),
    )


NOT_ASSESSED_WHY = {
    "no limit": (
        "neither the plate nor the chart sets a limit",
        "Set one in the machine file or in the order of the next test.",
    ),
    "no accuracy": (
        "no limit of error of the meter is stated, neither in the settings nor in its map",
        "Take it from the meter's data sheet, state it beside the meter in the settings (class_percent, class_fixed_w) "
        "and test again: the rule has to stand before anything is measured.",
    ),
    "no fixed part": (
        "no fixed part of the meter's limit of error is stated, which rules a draw this small",
        "Take it from the data sheet, state it beside the meter in the settings (class_fixed_w) and test again.",
    ),
    "not measured": (
        "not measured in any cycle",
        "Another programme may show it; as it is, nothing can be said of it.",
    ),
}
"""Why a requirement was not assessed, in words, and what to do so that the next test assesses it."""


def left_open(verdict: Verdict) -> list[tuple[int, str, str]]:
    """(how many requirements, why, what to do) for each reason for which some were not assessed, most first.

    Nothing before the first cycle is complete: then none is assessed yet, and that is as it should be.
    """
    if not verdict.tested:
        return []
    whys = [r.why for r in verdict.results if r.finding is Finding.NOT_ASSESSED]
    counted = [(whys.count(why), why, remedy) for why, remedy in NOT_ASSESSED_WHY.values() if why in whys]
    return sorted(counted, key=lambda row: -row[0])


def _result(
    required: Requirement, cycles: Sequence[Cycle], raised: Sequence[Sequence[Alert]], meter: Accuracy | None
) -> Result:
    accuracy = required.accuracy(meter)
    values = tuple(_value(required, c, a) for c, a in zip(cycles, raised, strict=True))
    findings = tuple(decide(v, required.bounds, accuracy) for v in values)
    seen = [f for f, v in zip(findings, values, strict=True) if v is not None]
    why = ""
    if required.bounds.low is None and required.bounds.high is None:
        why = "no limit"
    elif accuracy is None:
        why = "no fixed part" if required.quantity == "standby" and meter is not None else "no accuracy"
    elif not seen:
        why = "not measured"
    why = NOT_ASSESSED_WHY[why][0] if why else ""
    return Result(required, values, findings, worst(seen) if not why else Finding.NOT_ASSESSED, why, accuracy)


def _value(required: Requirement, cycle: Cycle, raised: Sequence[Alert]) -> float | None:
    if required.quantity == "events":
        kinds = {"completed": UNFINISHED_KINDS, "parts": PART_KINDS, "sequence": SEQUENCE_KINDS}[required.id]
        count = sum(a.kind in kinds for a in raised)
        unfinished = required.id == "completed" and cycle.outcome != "completed"
        return float(max(count, int(unfinished)))
    if required.quantity == "standby":
        return cycle.standby_w
    if required.quantity == "duration":
        for phase in cycle.phases:
            if phase.id == required.subject and phase.start_ms is not None and phase.end_ms is not None:
                return (phase.end_ms - phase.start_ms) / 1000.0
        return None
    watts = [
        (p.at_rated_w if required.at_rated else p.power_w, p.seconds)
        for p in cycle.parts
        if p.component == required.subject and p.seconds > 0
    ]
    return _mean([(w, s) for w, s in watts if w is not None])


def _mean(weighted: Sequence[tuple[float, float]]) -> float | None:
    """The mean of (value, weight); None without any."""
    total = sum(weight for _, weight in weighted)
    return sum(value * weight for value, weight in weighted) / total if total else None


def _drifts(cycles: Sequence[Cycle]) -> list[Drift]:
    by_part: dict[str, list[float]] = {}
    for cycle in cycles:
        ohms: dict[str, list[tuple[float, float]]] = {}
        for part in cycle.parts:
            if part.resistance_ohm is not None and part.seconds > 0:
                ohms.setdefault(part.component, []).append((part.resistance_ohm, part.seconds))
        for component, pairs in ohms.items():
            mean = _mean(pairs)
            if mean is not None:
                by_part.setdefault(component, []).append(mean)
    return [
        Drift(component, values[0], values[-1], stdev(values) if len(values) > 2 else 0.0)
        for component, values in by_part.items()
        if len(values) >= 2
    ]
