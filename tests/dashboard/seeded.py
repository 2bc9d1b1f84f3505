"""A store as an afternoon in the laundry would leave it, for pages to show: an invented place, from the replay logs.

``seed(folder, now_ms)`` writes ledger and readings with the recorder's own classes. What each machine does:

- quay-washer-1 runs, healthy, with a history of eight good cycles;
- harbour-dish-2 runs with half a heater: an alert stands that nobody has seen;
- quay-dryer-3 finished twenty minutes ago;
- pier-washer-4's meter has been silent for seven minutes;
- pier-dish-5 is idle; last night a cycle of it filled too slowly, which nobody has seen yet.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from loadbook.events import Alert, AlertChanged, Cycle, CycleChanged, PartMeasured, Phase, StateChanged
from loadbook.files import load_causes, share
from loadbook.judge.causes import Evidence
from loadbook.logs import read_log
from loadbook.machine import Machine, parse_machine
from loadbook.reading import Reading, Series
from loadbook.services.soak_desk import SoakDesk
from loadbook.soak.decide import Accuracy
from loadbook.store.connect import READINGS_FILE
from loadbook.store.ledger import Ledger
from loadbook.store.sqlite_readings import SqliteStore

NOW_MS = int(datetime.fromisoformat("2026-11-25T13:20:00+00:00").timestamp() * 1000)
DAY_MS = 86_400_000
MINUTE_MS = 60_000


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@dataclass
class Played:
    """One replay log, shifted in time so that its first cycle begins at ``start_ms``."""

    series: Series
    truth: dict[str, Any]
    shift_ms: int

    def cycle(self, until_ms: int | None = None, stretch_ms: int = 0) -> Cycle:
        """The truth's first cycle; cut off at ``until_ms`` as one that still runs."""
        told = self.truth["cycles"][0]
        start_ms, end_ms = ms(told["start"]) + self.shift_ms, ms(told["end"]) + self.shift_ms + stretch_ms
        phases = []
        for row in told["phases"]:
            first, last = ms(row["start"]) + self.shift_ms, ms(row["end"]) + self.shift_ms
            if until_ms is not None and first >= until_ms:
                break
            phases.append(self.phase(row, first, last if until_ms is None else min(last, until_ms)))
        running = until_ms is not None and until_ms < end_ms
        end_ms = until_ms if running else end_ms
        energy = sum(p.energy_kwh or 0 for p in phases)
        peak = max((p.power_w or 0) for p in phases) * 1.12
        if not running:
            phases = [replace(p, cost=f"{(p.energy_kwh or 0) * 0.31:.6f}") for p in phases]
        return Cycle(
            start_ms, start_ms, end_ms, told["programme"], "running" if running else told["outcome"], round(energy, 3),
            round(peak, 1), None if running else 1.1, phases, "pass",
            None if running else f"{energy * 0.31:.6f}", None if running else "EUR", parts=measured(phases),
        )  # fmt: skip

    def phase(self, row: dict[str, Any], first: int, last: int) -> Phase:
        at = self.series.at_ms + self.shift_ms
        power = self.series.power_w[(at >= first) & (at < last)]
        mean = float(power.mean()) if len(power) else None
        energy = None if mean is None else round(mean * (last - first) / 3.6e9, 4)
        on = {"heat": ["heater"], "drain": ["drain_pump"], "fill": ["inlet_valve"]}.get(row["stage"], [])
        return Phase(row["id"], row["stage"], first, last, None if mean is None else round(mean, 1), energy, on)

    def readings(self, until_ms: int) -> list[Reading]:
        return [
            replace(r, at_ms=r.at_ms + self.shift_ms)
            for r in self.series.readings()
            if r.at_ms + self.shift_ms < until_ms
        ]


def measured(phases: list[Phase]) -> list[PartMeasured]:
    """What the heater and the drain pump drew, phase by phase, as a recorder would have it."""
    rows = []
    for phase in phases:
        for part in phase.on:
            watts, seconds = phase.power_w or 0.0, ((phase.end_ms or 0) - (phase.start_ms or 0)) / 1000
            if part == "heater" and watts > 0:
                rows.append(PartMeasured(part, phase.id, watts, seconds, watts * 1.03, 230.0**2 / watts))
            elif part == "drain_pump":
                rows.append(PartMeasured(part, phase.id, watts, seconds))
    return rows


def played(name: str, start_ms: int) -> Played:
    """A replay log with its cycle moved to ``start_ms``."""
    truth = json.loads(share("replay_logs", f"{name}.truth.json").read_text(encoding="utf-8"))
    series = read_log(share("replay_logs", f"{name}.csv.gz")).series
    return Played(series, truth, start_ms - ms(truth["cycles"][0]["start"]))


def machine_text(model: str, **other: str) -> str:
    """A machine file that came along, with another id or name."""
    text = share("config", "machines", f"{model}.toml").read_text(encoding="utf-8")
    was = parse_machine(text, model).machine
    for key, value in other.items():
        text = text.replace(f'{key} = "{getattr(was, key)}"', f'{key} = "{value}"', 1)
    return text


MACHINES: tuple[tuple[str, str, dict[str, str]], ...] = (
    ("m1", "quay-washer-1", {}),
    ("m2", "harbour-dish-2", {}),
    ("m3", "quay-dryer-3", {}),
    ("m4", "quay-washer-1", {"id": "pier-washer-4", "name": "Washer 4, pier side"}),
    ("m5", "harbour-dish-2", {"id": "pier-dish-5", "name": "Dishwasher 5, pier canteen"}),
)


def machines() -> list[tuple[str, Machine, str]]:
    """(meter, machine, its file's text) of every machine of the place."""
    found = []
    for meter, model, other in MACHINES:
        text = machine_text(model, **other)
        found.append((meter, parse_machine(text, model), text))
    return found


class Seed:
    """Writes one afternoon."""

    def __init__(self, folder: Path, now_ms: int = NOW_MS) -> None:
        self.now_ms = now_ms
        self.ledger = Ledger.open(folder)
        self.store = SqliteStore(folder / READINGS_FILE)
        self.by_id = {machine.id: machine for _, machine, _ in machines()}

    def close(self) -> None:
        self.ledger.close()
        self.store.close()

    def say(self, machine: str, *events: CycleChanged | AlertChanged | StateChanged) -> None:
        with self.ledger.transaction():
            for event in events:
                self.ledger.apply(machine, event)

    def history(self, machine: str, log: str, days: int, until_ms: int) -> None:
        """A good cycle a day, each a little longer or shorter than the last."""
        for day in range(days, 0, -1):
            play = played(log, until_ms - day * DAY_MS + (day * 7919 % 5400) * 1000)
            self.say(machine, CycleChanged(until_ms, play.cycle(stretch_ms=(day * 977 % 240) * 1000)))

    def running(self, machine: str, meter: str, log: str, minutes: int) -> Cycle:
        """A cycle that began ``minutes`` ago, with its readings."""
        play = played(log, self.now_ms - minutes * MINUTE_MS)
        cycle = play.cycle(self.now_ms)
        readings = play.readings(self.now_ms)
        self.store.append([(meter, r) for r in readings])
        last = cycle.phases[-1]
        chart = self.by_id[machine].programme(cycle.programme or "")
        row = next(p for p in chart.phases if p.id == last.id)
        until_ms = (last.start_ms or 0) + round(row.max_s * 1000)
        self.say(
            machine,
            CycleChanged(self.now_ms, cycle),
            StateChanged(self.now_ms, "running", cycle.start_ms, last.id, last.stage, until_ms),
        )
        with self.ledger.transaction():
            self.ledger.touch(machine, readings[-1].at_ms)
        return cycle

    def alert(
        self, machine: str, cycle: Cycle | None, alert: Alert, stage: str | None = None, expected_w: float | None = None
    ) -> None:
        alert.cycle_key_ms = cycle.key_ms if cycle else None
        evidence = Evidence(
            alert.kind, stage=stage, phase=alert.phase, component=alert.component, measured=alert.measured,
            low=alert.low, high=alert.high, unit=alert.unit, voltage_v=229.1, expected_w=expected_w,
        )  # fmt: skip
        alert.causes = load_causes(()).likely(evidence, self.by_id[machine])
        self.say(machine, AlertChanged(alert.raised_ms, alert))


SOAK = {
    "machine": "quay-washer-1", "programme": "mixed-40", "cycles": 6, "pause_max_s": 90_000.0, "ticket": "R-2041",
    "technician": "Ines Vale", "customer": "Harbour Guest House", "appliance": "Front loader, 8 kg",
    "complaint": "Trips the breaker while heating", "parts_replaced": "heating element",
}  # fmt: skip


def soak(one: Seed, now_ms: int) -> None:
    """A soak test on the first washer, three days old: its cycles since then count, one runs."""
    desk = SoakDesk(one.ledger, lambda meter: Accuracy(1.0, 0.3))
    with one.ledger.transaction():
        desk.order({"order": SOAK}, now_ms - 3 * DAY_MS - 3_600_000)


def seed(folder: Path, now_ms: int = NOW_MS) -> None:
    """The whole afternoon."""
    one = Seed(folder, now_ms)
    for meter, machine, text in machines():
        with one.ledger.transaction():
            one.ledger.put_machine(machine, meter, text)
    one.history("quay-washer-1", "washer-healthy", 8, now_ms)
    one.running("quay-washer-1", "m1", "washer-healthy", 24)
    soak(one, now_ms)

    one.history("harbour-dish-2", "dishwasher-healthy", 4, now_ms)
    cycle = one.running("harbour-dish-2", "m2", "dishwasher-half-heater", 31)
    heat = next(p for p in cycle.phases if p.id == "main-heat")
    heat.verdict, cycle.verdict = "low", "attention"
    one.say("harbour-dish-2", CycleChanged(now_ms, cycle))
    began = heat.start_ms or 0
    alert = Alert("power_low", began, began + 34_000, None, None, "main-heat", "heater", 886.0, 1625.2, 1896.1, "W")
    one.alert("harbour-dish-2", cycle, alert, "heat", 1805.8)

    dryer = played("dryer-healthy", 0)
    length_ms = dryer.cycle().end_ms
    dryer = played("dryer-healthy", now_ms - 20 * MINUTE_MS - length_ms)
    one.history("quay-dryer-3", "dryer-healthy", 2, now_ms - DAY_MS)
    done = dryer.cycle()
    readings = dryer.readings(now_ms)
    one.store.append([("m3", r) for r in readings])
    before = played("dryer-healthy", now_ms - DAY_MS - length_ms)
    one.store.append([("m3", replace(r, power_w=(r.power_w or 0) * 0.8)) for r in before.readings(now_ms)])
    weaker = before.cycle()
    for phase in weaker.phases:
        phase.energy_kwh = (phase.energy_kwh or 0) * 0.8
    one.say("quay-dryer-3", CycleChanged(now_ms, weaker))
    one.say("quay-dryer-3", CycleChanged(now_ms, done), StateChanged(now_ms, "idle", done.end_ms))

    one.history("pier-washer-4", "washer-healthy", 2, now_ms)
    gone_ms = now_ms - 7 * MINUTE_MS
    one.say("pier-washer-4", StateChanged(gone_ms + 60_000, "silent", gone_ms))
    silent = Alert("meter_silent", gone_ms, gone_ms + 60_000, None, None, None, None, 60.0, None, 60.0, "s")
    one.alert("pier-washer-4", None, silent)

    night = played("washer-slow-tap", now_ms - 15 * 3_600_000)
    slow = night.cycle()
    one.history("pier-dish-5", "dishwasher-healthy", 3, now_ms - DAY_MS)
    told = played("dishwasher-healthy", slow.start_ms).cycle()
    fill = next(p for p in told.phases if p.id == "fill")
    fill.verdict, told.verdict = "too_long", "attention"
    one.say("pier-dish-5", CycleChanged(now_ms, told), StateChanged(now_ms, "idle", told.end_ms))
    first = (fill.start_ms or 0) + 240_000
    over = Alert("phase_too_long", first, first, first + 95_000, None, "fill", None, 335.0, 40.0, 240.0, "s")
    one.alert("pier-dish-5", told, over, "fill")
    with one.ledger.transaction():
        for machine, minutes in (("quay-dryer-3", 0), ("pier-dish-5", 0), ("pier-washer-4", 7)):
            one.ledger.touch(machine, now_ms - minutes * MINUTE_MS - 1000)
    one.close()
