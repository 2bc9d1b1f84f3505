"""Real traces with hand labels: phases against a chart, and faults put into the traces. No test needs them.

A folder holds the traces and ``labels.json`` (start, end, phases with stage and times, spells of the heater); another
holds machine files and ``map.json`` (log -> machine file, the chart's phase id of each labelled phase, and in
``begins``, by phase id, the clock times where a phase of the chart begins elsewhere than the label: see ``_phases``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from loadbook.events import iso
from loadbook.files import load_machine
from loadbook.logs import read_log
from loadbook.machine import Machine
from loadbook.reading import Series
from recognising import hear
from scoring import Score, score, seconds

AROUND_S = 900.0
AFTER_S = 2400.0
EVIDENCE_S, METER_S = 30.0, 30.0
"""By when a part must have been said to be missing (contract), and what a meter of several seconds' cadence needs."""
REST_S, LATER_S, STOPPED_S = 45.0, 60.0, 300.0
"""A pulsing motor's least rest before it is missing; what follows from no stroke at all; a machine that has stopped."""
STROKES, SILENT_S, BLIP_N = 3, 60.0, 4
SMALL_MORE = 1.3
"""A pump or a valve draws this many times its plate at most; what draws more is a motor's stroke."""
DRUM = ("drum_motor", "spin_motor")

Expected = list[dict[str, Any]]


@dataclass(frozen=True)
class Labelled:
    """One labelled cycle cut out of its day: readings around it, its chart, its phases as (id, stage, start s, end s).
    ``open_s``: until when a phase that looks like the one before may be taken to begin."""

    name: str
    series: Series
    machine: Machine
    phases: tuple[tuple[str, str, float, float], ...]
    heater: tuple[tuple[float, float], ...]
    open_s: dict[str, float] = field(default_factory=dict)

    def chart(self, phase_id: str) -> Any:
        return next(p for p in self.machine.programmes[0].phases if p.id == phase_id)

    def mask(self, from_s: float, until_s: float) -> np.ndarray:
        return (self.series.at_ms >= from_s * 1000) & (self.series.at_ms < until_s * 1000)

    def near(self, phase_id: str) -> tuple[str, ...]:
        """A phase and its neighbours."""
        names = [i for i, *_ in self.phases]
        here = names.index(phase_id)
        return tuple(names[max(here - 1, 0) : here + 2])


def labelled(folder: Path, charts: Path, as_labelled: bool = False) -> list[Labelled]:
    """Every labelled cycle that has a chart. ``as_labelled``: without what the map says of where phases begin."""
    known = json.loads((charts / "map.json").read_text(encoding="utf-8"))
    out: list[Labelled] = []
    for row in json.loads((folder / "labels.json").read_text(encoding="utf-8")):
        if row["log"] not in known:
            continue
        chart = known[row["log"]]
        series = read_log(folder / row["log"]).series
        inside = (series.at_ms >= (seconds(row["start"]) - AROUND_S) * 1000) & (
            series.at_ms <= (seconds(row["end"]) + AFTER_S) * 1000
        )
        first, last = np.flatnonzero(inside)[[0, -1]]
        machine = load_machine(charts / chart["machine"])
        phases, open_s = _phases(machine, row, chart["phases"], {} if as_labelled else chart.get("begins", {}))
        out.append(
            Labelled(
                row["log"].split("/")[-1].removesuffix(".csv.gz"),
                series.slice(int(first), int(last) + 1),
                machine,
                phases,
                tuple((seconds(a), seconds(b)) for a, b in row["heater_on"]),
                open_s,
            )
        )
    return out


def _phases(
    machine: Machine, row: dict[str, Any], ids: list[str], begins: dict[str, str | list[str]]
) -> tuple[tuple[tuple[str, str, float, float], ...], dict[str, float]]:
    """The labelled phases under the chart's ids, and until when some may begin. ``begins``: the clock times at which
    phases begin by their own parts, where a label has another convention (a spin from the drum's first turn, though
    its pump was on before), or takes several of the chart's phases for one."""

    def at(clock: str) -> float:
        return seconds(row["start"][:11] + clock + row["start"][19:])

    starts = {i: (p["stage"], seconds(p["start"])) for i, p in zip(ids, row["phases"], strict=True)}
    open_s: dict[str, float] = {}
    for i, when in begins.items():
        first, *later = [when] if isinstance(when, str) else when
        stage = starts[i][0] if i in starts else next(p.stage for p in machine.programmes[0].phases if p.id == i)
        starts[i] = stage, at(first)
        open_s |= {i: at(later[0])} if later else {}
    order = sorted(starts, key=lambda i: starts[i][1])
    ends = [*(starts[i][1] for i in order[1:]), seconds(row["phases"][-1]["end"])]
    return tuple((i, *starts[i], end) for i, end in zip(order, ends, strict=True)), open_s


def truth_json(log: Labelled, fault: str = "", expected: Expected | None = None) -> dict[str, Any]:
    def at(s: float) -> str:
        return iso(round(s * 1000)) or ""

    def phase(i: str, stage: str, a: float, b: float) -> dict[str, Any]:
        until = {"may_start_until": at(log.open_s[i])} if i in log.open_s else {}
        return {"id": i, "stage": stage, "start": at(a), "end": at(b), **until}

    return {
        "scenario": f"{log.name}--{fault or 'as-it-was'}", "machine": log.machine.id, "fault": fault,
        "cycles": [
            {
                "start": at(log.phases[0][2]), "end": at(log.phases[-1][3]), "programme": "usual",
                "outcome": "completed", "phases": [phase(*p) for p in log.phases],
            }
        ],
        "alerts": [*(expected or []), *_silences(log)],
    }  # fmt: skip


def _silences(log: Labelled) -> Expected:
    """A gap of more than a minute in the trace is one."""
    at_s = log.series.at_ms / 1000
    gaps = [float(at_s[k]) for k in np.flatnonzero(np.diff(at_s) > SILENT_S)]
    return [expect("meter_silent", (a, a + SILENT_S - 1, a + SILENT_S + METER_S), (), needed=False) for a in gaps]


def expect(
    kind: str, times_s: tuple[float, float, float], phases: tuple[str, ...], parts: tuple[str, ...] = (),
    needed: bool = True, also: tuple[str, ...] = (),
) -> dict[str, Any]:  # fmt: skip
    began_s, proof_s, due_s = times_s
    return {
        "kind": kind, "also": list(also), "cycle": 0, "phases": list(phases), "components": list(parts),
        "began_at": iso(round(began_s * 1000)), "provable_at": iso(round(proof_s * 1000)),
        "due_at": iso(round(due_s * 1000)), "needed": needed,
    }  # fmt: skip


def _with_power(log: Labelled, power_w: np.ndarray, volts: bool) -> Labelled:
    series = replace(log.series, power_w=np.maximum(power_w, 0.0))
    if volts:
        series.voltage_v = np.full(len(series), log.machine.machine.rated_voltage_v)
    return replace(log, series=series)


def heater_at(log: Labelled, share: float) -> tuple[Labelled, Expected] | None:
    """The heater at a share of its watts, with a voltage column at the rated value (without, 75 % proves nothing)."""
    if not log.heater:
        return None
    power = log.series.power_w.copy()
    on = np.zeros(power.size, dtype=bool)
    for a, b in log.heater:
        on |= log.mask(a, b)
    plate_w = log.machine.component("heater").rated_w
    on &= power > 0.7 * plate_w
    base_w = (
        0.0 if log.machine.machine.kind != "dishwasher" else log.machine.component("circulation_pump").rated_w * 0.95
    )
    heater_w = float(np.percentile(power[on], 10)) - base_w
    power[on] -= (1 - share) * heater_w
    faulty = _with_power(log, power, volts=True)
    began_s = next(a for a, b in log.heater if b - a >= 40)
    names = tuple(i for i, _, a, b in log.phases if a - 5 <= began_s <= b)
    again = [
        expect("power_low", (a, a, b + LATER_S), (i,), ("heater",), needed=False)
        for i, _, a, b in log.phases
        if i not in names and "heater" in (*log.chart(i).on, *log.chart(i).pulsing)
    ]
    return faulty, [expect("power_low", (began_s, began_s + 2, began_s + 60), names, ("heater",)), *again]


def _without(log: Labelled, parts: tuple[str, ...], from_s: float) -> np.ndarray:
    """The power without what a motor draws from then on; pumps and valves beside it draw on. Beside the heater it is
    what stands above the floor; else what no small part draws is a stroke, and leaves what was there around it."""
    power = log.series.power_w.copy()
    heater_w = log.machine.component("heater").rated_w
    small = [c.rated_w for c in log.machine.components if c.rated_w < 50 and c.nature in ("motor", "solenoid")]
    small_w = 4.5 + SMALL_MORE * max(small, default=0.0)
    motor_w = float(np.median(power[(power > small_w) & (power < 0.6 * heater_w)]))
    for phase_id, _, a, b in log.phases:
        chart = log.chart(phase_id)
        if not {*parts} & {*chart.on, *chart.pulsing} or b <= from_s:
            continue
        inside = log.mask(max(a, from_s), b)
        hot = inside & (power > 0.6 * heater_w)
        if hot.any():
            turns_all_along = parts[0] in chart.on
            floor_w = float(np.percentile(power[hot], 10))
            power[hot] = power[hot] - motor_w if turns_all_along else np.minimum(power[hot], floor_w)
        turns = inside & ~hot & (power > small_w)
        turns |= inside & ~hot & (np.roll(turns, 1) | np.roll(turns, -1))  # its ramps
        at, kept = np.flatnonzero(turns), np.flatnonzero(inside & ~turns & ~hot)
        if at.size and kept.size:
            k = np.searchsorted(kept, at)
            around = power[kept[np.maximum(k - 1, 0)]], power[kept[np.minimum(k, kept.size - 1)]]
            power[at] = np.minimum(*around)
        elif at.size:
            power[at] = 4.0
    return power


def motor_gone(log: Labelled) -> tuple[Labelled, Expected] | None:
    """The circulation pump (dishwasher) or the drum's motor (washer) draws nothing from the start. A pump that is on
    all along is due where its phase needs it and no heater hides it (in a log without volts a heater's band is wider
    than a pump). A drum that never pulsed is not covered by the rule of three strokes: it is due where a heater runs
    without it, or where all stands still for as long as a machine does that has stopped."""
    kind = log.machine.machine.kind
    if kind not in ("dishwasher", "washing_machine"):
        return None
    parts = ("circulation_pump",) if kind == "dishwasher" else DRUM
    faulty = _with_power(log, _without(log, parts, 0.0), False)
    mine = [(i, a, b) for i, _, a, b in log.phases if {*parts} & {*log.chart(i).on, *log.chart(i).pulsing}]
    if kind == "dishwasher":
        sure = [(i, a, a + EVIDENCE_S + METER_S) for i, a, _ in mine if log.chart(i).on == parts]
        also: tuple[str, ...] = ()
    else:
        sure, also = _never_turned(faulty, mine)
    if not sure:
        return None
    phase_id, _, due_s = sure[0]
    first = expect("component_missing", (mine[0][1], mine[0][1] + 1, due_s), log.near(phase_id), parts, also=also)
    return faulty, [first, *_goes_on(faulty, mine, parts)]


def _never_turned(
    log: Labelled, mine: list[tuple[str, float, float]]
) -> tuple[list[tuple[str, float, float]], tuple[str, ...]]:
    for i, a, b in mine:
        chart = log.chart(i)
        if chart.stage not in ("wash", "rinse", "heat"):
            continue
        at_work = bool(chart.on)
        wait_s = REST_S + LATER_S if at_work else STOPPED_S
        if b - a >= wait_s + EVIDENCE_S:
            return [(i, a, a + wait_s + EVIDENCE_S + METER_S)], () if at_work else ("stopped_early",)
    return [], ()


def _goes_on(log: Labelled, mine: list[tuple[str, float, float]], parts: tuple[str, ...]) -> Expected:
    """What is true as well, and may be said: it is missing in every phase that has it; all stands still for long."""
    out = [expect("component_missing", (a, a, b + LATER_S), log.near(i), parts, needed=False) for i, a, b in mine]
    draws = (log.series.power_w > 5.0).astype(int)
    still = np.convolve(draws, np.ones(BLIP_N), "same") < BLIP_N  # a few readings of a relay are no action
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(int), [0]])))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        a, b = log.series.at_ms[first] / 1000, log.series.at_ms[min(end, len(still) - 1)] / 1000
        here = [(i, p, q) for i, _, p, q in log.phases if p < b and q > a]
        if b - a < STOPPED_S or not here or all(log.machine.is_quiet(log.chart(i)) for i, *_ in here):
            continue
        near = tuple(dict.fromkeys(n for i, *_ in here for n in log.near(i)))
        out.append(expect("stopped_early", (a, a + STOPPED_S - 2, b + 2 * LATER_S), near, (), needed=False))
    return out


def motor_dies(log: Labelled) -> tuple[Labelled, Expected] | None:
    """The drum's motor draws nothing any more from 40 % of the longest wash on, before 60 % of the least time it takes,
    so that it cannot have ended: it pulsed, and then stays off for three times its longest rest, 45 s at least
    (contract)."""
    if log.machine.machine.kind != "washing_machine":
        return None
    washes = [(i, a, b) for i, _, a, b in log.phases if log.chart(i).stage == "wash"]
    here, a, b = max(washes, key=lambda r: r[2] - r[1])
    dies_s = a + min(0.4 * (b - a), 0.6 * log.chart(here).min_s)
    faulty = _with_power(log, _without(log, DRUM, dies_s), False)
    turns = log.mask(a, dies_s) & (log.series.power_w > 50)
    edges = np.flatnonzero(np.diff(turns.astype(int)))
    times_s = log.series.at_ms[edges + 1] / 1000
    rests_s = [y - x for x, y in zip(times_s[1::2], times_s[2::2], strict=False)]
    if len(rests_s) < STROKES:
        return None
    last_s = float(log.series.at_ms[np.flatnonzero(turns)[-1]]) / 1000
    wait_s = max(REST_S, 3 * max(rests_s))
    if b - last_s < wait_s + EVIDENCE_S:
        return None
    mine = [
        (i, p, q) for i, _, p, q in log.phases if q > dies_s and {*DRUM} & {*log.chart(i).on, *log.chart(i).pulsing}
    ]
    due_s = last_s + wait_s + EVIDENCE_S + METER_S
    first = expect("component_missing", (last_s, last_s + REST_S - 3, due_s), log.near(here), DRUM)
    return faulty, [first, *_goes_on(faulty, [r for r in mine if r[0] != here], DRUM)]


def pump_gone(log: Labelled) -> tuple[Labelled, Expected] | None:
    """The drain pump draws nothing in the phases that need it all along. It is due in the first of them that lasts long
    enough to show it and comes when something has drawn already; before that there is no cycle to speak of, and those
    that are too short pass unseen."""
    wanted = [(i, a, b) for i, _, a, b in log.phases if log.chart(i).on == ("drain_pump",) and not log.chart(i).pulsing]
    if not wanted or log.machine.machine.kind != "dishwasher":
        return None
    power = log.series.power_w.copy()
    for _, a, b in wanted:
        inside = log.mask(a - 2, b + 2)
        power[inside] = np.minimum(power[inside], 2.0)
    sure = [(i, a, b) for i, a, b in wanted if a > log.phases[0][2] and b - a >= EVIDENCE_S]
    if not sure:
        return None
    phase_id, a, _ = sure[0]
    pump = ("drain_pump",)
    again = [expect("component_missing", (x, x, y + LATER_S), log.near(i), pump, needed=False) for i, x, y in sure[1:]]
    unseen = [
        expect("phase_missing", (x, y, log.phases[-1][3]), (i,), needed=False)
        for i, x, y in wanted
        if (i, x, y) not in sure
    ]
    first = expect("component_missing", (a, a + 1, a + 60), (phase_id, "dry"), pump)
    here = [i for i, *_ in log.phases].index(phase_id)
    stopped = expect(  # nothing draws any more: whether it drains, dries or has stopped nobody can tell
        "stopped_early", (a, a + STOPPED_S - 2, log.phases[-1][3] + 3600),
        tuple(i for i, *_ in log.phases[max(here - 1, 0) :]), (), False,
    )  # fmt: skip
    return _with_power(log, power, False), [first, *again, *unseen, stopped]


def prolonged(log: Labelled, stage: str) -> tuple[Labelled, Expected] | None:
    """The longest phase of a stage goes on to 1.3 times its ``max_s``: the middle of its trace again and again."""
    rows = [(i, a, b) for i, s, a, b in log.phases if log.chart(i).stage == stage and b - a > 150]
    if not rows:
        return None
    phase_id, a, b = max(rows, key=lambda r: r[2] - r[1])
    longest_s = log.chart(phase_id).max_s
    block = np.flatnonzero(log.mask(a + 0.3 * (b - a), a + 0.8 * (b - a)))
    span_ms = int(log.series.at_ms[block[-1] + 1] - log.series.at_ms[block[0]])
    times = int(np.ceil((1.3 * longest_s - (b - a)) * 1000 / span_ms))
    at = np.concatenate(
        [log.series.at_ms[: block[-1] + 1]]
        + [log.series.at_ms[block] + span_ms * (k + 1) for k in range(times)]
        + [log.series.at_ms[block[-1] + 1 :] + span_ms * times]
    )
    power = np.concatenate(
        [
            log.series.power_w[: block[-1] + 1],
            np.tile(log.series.power_w[block], times),
            log.series.power_w[block[-1] + 1 :],
        ]
    )
    later_s = span_ms * times / 1000
    phases = tuple((i, s, x + later_s * (x >= b), y + later_s * (y >= b)) for i, s, x, y in log.phases)
    open_s = {i: x + later_s * (x >= b) for i, x in log.open_s.items()}
    faulty = replace(log, series=Series(at_ms=at, power_w=power), phases=phases, open_s=open_s)
    proof_s = a + longest_s
    expected = [expect("phase_too_long", (a, proof_s - 20, proof_s + 60), (phase_id,))]
    if log.machine.is_quiet(log.chart(phase_id)):  # it has stopped as well (contract: its max_s + 30 s)
        stopped_s = proof_s + EVIDENCE_S
        expected.append(expect("stopped_early", (a, stopped_s - 2, b + later_s + LATER_S), (phase_id,), needed=False))
    never_s = log.phases[0][2] + log.machine.programmes[0].longest_s()
    if phases[-1][3] > never_s:
        expected.append(expect("never_ending", (never_s, never_s - 2, phases[-1][3] + LATER_S), (), needed=False))
    return faulty, expected


FAULTS = {
    "heater-75": lambda log: heater_at(log, 0.75),
    "heater-50": lambda log: heater_at(log, 0.5),
    "motor-gone": motor_gone,
    "motor-dies": motor_dies,
    "pump-gone": pump_gone,
    "heat-prolonged": lambda log: prolonged(log, "heat"),
    "wash-prolonged": lambda log: prolonged(log, "wash"),
    "dry-prolonged": lambda log: prolonged(log, "dry"),
}


def real_scores(folder: Path, charts: Path, tell: Any = None, as_labelled: bool = False) -> list[Score]:
    """Each labelled cycle as it was, and with each fault that can be put into it."""
    out: list[Score] = []
    for log in labelled(folder, charts, as_labelled):
        cases: list[tuple[str, Labelled, Expected]] = [("", log, [])]
        for name, put in FAULTS.items():
            got = put(log)
            if got:
                cases.append((name, *got))
        for name, faulty, expected in cases:
            heard = hear(faulty.series, faulty.machine)
            one = score(truth_json(faulty, name, expected), heard.said, heard.live)
            out.append(one)
            if tell and one.failed:
                tell(one, heard)
    return out
