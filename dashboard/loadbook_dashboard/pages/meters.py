"""The meters: when each was last heard, what it reads, and how many readings were gaps, by reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from flask import Blueprint, render_template

from loadbook_dashboard.parts import Parts, parts
from loadbook_dashboard.queries import MachineRow, NotReadyError

blueprint = Blueprint("meters", __name__)

SILENT_AFTER_MS = 60_000
"""No reading for this long is the alert ``meter_silent`` (contract, section 4)."""


@dataclass(slots=True)
class MeterLine:
    """One meter in a row of the page."""

    id: str
    map: str
    line: str
    machine: MachineRow | None
    last_ms: int | None
    power_w: float | None = None
    voltage_v: float | None = None
    read: int | None = None
    gaps: dict[str, int] = field(default_factory=dict)
    reason: str | None = None
    absurd: dict[str, float] = field(default_factory=dict)
    """Values that cannot be and were left out, the last by quantity."""
    silent: bool = False
    aside: dict[str, Any] = field(default_factory=dict)
    """What the recorder could not read of it: ``messages``, ``entries``, ``why``, ``at_ms``; empty: nothing."""

    @property
    def gap_count(self) -> int:
        return sum(self.gaps.values())


def meter_lines(here: Parts) -> list[MeterLine]:
    """Every meter of the settings, and any other that is heard."""
    try:
        by_meter = {m.meter: m for m in here.queries.machines() if m.meter}
    except NotReadyError:
        by_meter = {}
    said: dict[str, dict[str, Any]] = {}
    for state in here.hub.pollers().values():
        meters = state.get("meters")
        if isinstance(meters, dict):
            said.update({k: v for k, v in meters.items() if isinstance(v, dict)})
    configured = {m.id: (m.map, line.id) for line in here.settings.lines for m in line.meters}
    now_ms = here.now_ms()
    rows = []
    for name in [*configured, *sorted((set(said) | set(by_meter) | set(here.hub.aside)) - set(configured) - {None})]:
        map_name, line = configured.get(name, ("", ""))
        machine, counters, last = by_meter.get(name), said.get(name, {}), here.hub.last(name)
        last_ms = last.at_ms if last else (machine.last_reading_ms if machine else None)
        if last is None:
            known = (last_ms, counters.get("last_at_ms"), here.stored_ms(name))
            last_ms = max((int(at_ms) for at_ms in known if at_ms), default=None)
        rows.append(
            MeterLine(
                id=name,
                map=map_name,
                line=line or str(counters.get("line") or ""),
                machine=machine,
                last_ms=last_ms,
                power_w=last.power_w if last else None,
                voltage_v=last.voltage_v if last else None,
                read=counters.get("read"),
                gaps={k: int(v) for k, v in dict(counters.get("gaps") or {}).items() if v},
                reason=counters.get("reason") or None,
                absurd={str(k): float(v) for k, v in dict(counters.get("absurd") or {}).items()},
                silent=last_ms is None or now_ms - last_ms > SILENT_AFTER_MS,
                aside=here.hub.aside.get(name, {}),
            )
        )
    return rows


@blueprint.get("/meters")
def page() -> str:
    """The page of meters."""
    here = parts()
    return render_template("meters.html", rows=meter_lines(here), pollers=here.hub.pollers())


@blueprint.get("/meters/part")
def part() -> str:
    """The rows alone, for the live page."""
    here = parts()
    return render_template("meters_part.html", rows=meter_lines(here), pollers=here.hub.pollers())
