"""Scores what was said about a log against its truth. Pure: takes the truth as its JSON object and what was said as the
contract's JSON object (with the live timeline beside it), gives counts that can be added up.

Seconds everywhere; times in the JSON are ISO 8601.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np

EARLY_S = 2.0
"""An alert may not come before anything can prove it; the meter's second is forgiven."""
LATE_S = 900.0
"""An alert that names the right thing this much too late is late, not false."""
LEVELS = ("component_missing", "component_unexpected", "power_low", "power_high")
OVERRUNS = ("phase_too_long", "never_ending")


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@dataclass
class Fault:
    """One alert that had to come: was it found, was it named, how late."""

    scenario: str
    fault: str
    kind: str
    found: bool = False
    named: bool = False
    level_delay_s: float | None = None
    overrun_delay_s: float | None = None
    why: str = ""


@dataclass
class Score:
    """Counts of one log."""

    scenario: str
    machine: str
    fault: str
    faults: list[Fault] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    running_s: float = 0.0
    frames: int = 0
    final_right: int = 0
    live_right: int = 0
    boundaries: dict[int, tuple[int, int, int]] = field(default_factory=dict)
    cycles: int = 0
    cycles_said: int = 0
    cycles_exact: int = 0
    programmes_right: int = 0
    outcomes_right: int = 0
    taken_back: int = 0
    """Alerts that were raised and withdrawn again."""

    @property
    def failed(self) -> bool:
        right = self.frames == 0 or self.final_right / self.frames > 0.95
        return bool(
            self.false or any(not f.named for f in self.faults) or self.cycles_exact < self.cycles or not right
            or self.cycles_said > self.cycles
        )  # fmt: skip


def score(truth: dict[str, Any], said: dict[str, Any], live: list[tuple[float, str | None]]) -> Score:
    """``live`` is (second, phase id or None): what was said to run from then on."""
    out = Score(truth["scenario"], truth["machine"], truth["fault"])
    _alerts(out, truth["alerts"], said["alerts"])
    _cycles(out, truth["cycles"], said["cycles"])
    gaps = [(seconds(a), seconds(b)) for a, b in truth.get("gaps", [])]
    _frames(out, truth["cycles"], said["cycles"], live, gaps)
    for within_s in (5, 15):
        out.boundaries[within_s] = _boundaries(truth["cycles"], said["cycles"], within_s, gaps)
    return out


def _names(expected: dict[str, Any], alert: dict[str, Any]) -> bool:
    if alert["component"] is not None and alert["component"] in expected["components"]:
        return True
    if alert["phase"] is not None and alert["phase"] in expected["phases"]:
        return True
    return not expected["components"] and not expected["phases"]


def _alerts(out: Score, expected: list[dict[str, Any]], alerts: list[dict[str, Any]]) -> None:
    for one in expected:
        if not one["needed"]:
            continue
        result = Fault(out.scenario, out.fault, one["kind"])
        provable_s, due_s = seconds(one["provable_at"]), seconds(one["due_at"])
        right = [a for a in alerts if a["kind"] in (one["kind"], *one["also"])]
        timely = [a for a in right if provable_s - EARLY_S <= seconds(a["raised_at"]) <= due_s]
        best = next((a for a in timely if _names(one, a)), timely[0] if timely else None)
        if best:
            raised_s = seconds(best["raised_at"])
            result.found, result.named = True, _names(one, best)
            result.why = "" if result.named else f"named {best['phase']}/{best['component']}"
            if best["kind"] in LEVELS:
                result.level_delay_s = raised_s - seconds(one["began_at"])
            if best["kind"] in OVERRUNS:
                result.overrun_delay_s = raised_s - provable_s
        elif right:
            late_s = seconds(right[0]["raised_at"]) - due_s
            early_s = provable_s - seconds(right[0]["raised_at"])
            result.why = f"{late_s:.0f} s after the latest" if late_s > 0 else f"{early_s:.0f} s before any proof"
        else:
            result.why = "said " + (", ".join(sorted({a["kind"] for a in alerts})) or "nothing")
        out.faults.append(result)
    out.false += [_short(a) for a in alerts if not any(_allowed(one, a) for one in expected)]


def _allowed(one: dict[str, Any], alert: dict[str, Any]) -> bool:
    """Whether an alert says what truly was and names it, be it late."""
    if alert["kind"] not in (one["kind"], *one["also"]) or not _names(one, alert):
        return False
    raised_s = seconds(alert["raised_at"])
    return seconds(one["provable_at"]) - EARLY_S <= raised_s <= seconds(one["due_at"]) + LATE_S


def _short(alert: dict[str, Any]) -> str:
    where = "/".join(x for x in (alert["phase"], alert["component"]) if x)
    band = f"{alert['low']}..{alert['high']}"
    return f"{alert['kind']} {where} at {alert['raised_at']} (measured {alert['measured']}, {band})"


def _cycles(out: Score, truth: list[dict[str, Any]], said: list[dict[str, Any]]) -> None:
    out.cycles, out.cycles_said = len(truth), len(said)
    for cycle in truth:
        start_s, end_s = seconds(cycle["start"]), seconds(cycle["end"])
        out.running_s += end_s - start_s
        for other in said:
            a_s, b_s = seconds(other["start"]), seconds(other["end"])
            shared = min(end_s, b_s) - max(start_s, a_s)
            if shared / max(max(end_s, b_s) - min(start_s, a_s), 1.0) >= 0.95:
                out.cycles_exact += 1
                out.programmes_right += other["programme"] == cycle["programme"]
                out.outcomes_right += other["outcome"] == cycle["outcome"]
                break


def _paint(cycles: list[dict[str, Any]], start_s: float, n: int, ids: dict[str, int]) -> np.ndarray:
    row = np.full(n, -1)
    for cycle in cycles:
        for phase in cycle["phases"]:
            if phase["start"] is None or phase["id"] is None:
                continue
            a, b = round(seconds(phase["start"]) - start_s), round(seconds(phase["end"]) - start_s)
            row[max(a, 0) : max(b, 0)] = ids.setdefault(phase["id"], len(ids))
    return row


def _frames(
    out: Score,
    truth: list[dict[str, Any]],
    said: list[dict[str, Any]],
    live: list[tuple[float, str | None]],
    gaps: list[tuple[float, float]],
) -> None:
    if not truth:
        return
    ids: dict[str, int] = {}
    start_s = seconds(truth[0]["start"]) - 10
    n = round(seconds(truth[-1]["end"]) - start_s) + 10
    true = _paint(truth, start_s, n, ids)
    final = _paint(said, start_s, n, ids)
    now = np.full(n, -1)
    for at_s, phase in live:
        now[max(round(at_s - start_s), 0) :] = -1 if phase is None else ids.setdefault(phase, len(ids))
    other = true.copy()
    for cycle in truth:
        for before, phase in pairwise(cycle["phases"]):
            if "may_start_until" in phase:
                a, b = (round(seconds(phase[k]) - start_s) for k in ("start", "may_start_until"))
                other[max(a, 0) : max(b, 0)] = ids[before["id"]]
    inside = true >= 0
    for a_s, b_s in gaps:
        inside[max(round(a_s - start_s), 0) : max(round(b_s - start_s), 0)] = False
    out.frames = int(inside.sum())
    out.final_right = int(((final == true) | (final == other))[inside].sum())
    out.live_right = int(((now == true) | (now == other))[inside].sum())


def _boundaries(
    truth: list[dict[str, Any]], said: list[dict[str, Any]], within_s: float, gaps: list[tuple[float, float]]
) -> tuple[int, int, int]:
    """(right, true, said) starts of phases, gaps left out; each may be matched once, by the phase of the same id."""

    def starts(cycles: list[dict[str, Any]]) -> list[tuple[str, float]]:
        every = [(p["id"], seconds(p["start"])) for c in cycles for p in c["phases"] if p["start"] is not None]
        return [(i, at_s) for i, at_s in every if not any(a - 1 <= at_s <= b + 1 for a, b in gaps)]

    true, other = starts(truth), starts(said)
    open_s = {
        (p["id"], seconds(p["start"])): seconds(p["may_start_until"])
        for c in truth for p in c["phases"] if "may_start_until" in p
    }  # fmt: skip
    left = list(other)
    right = 0
    for name, at_s in true:
        last_s = max(at_s, open_s.get((name, at_s), at_s)) + within_s
        near = [x for x in left if x[0] == name and at_s - within_s <= x[1] <= last_s]
        if near:
            left.remove(min(near, key=lambda x: abs(x[1] - at_s)))
            right += 1
    return right, len(true), len(other)


def f1(right: int, true: int, said: int) -> float:
    return 2 * right / max(true + said, 1)
