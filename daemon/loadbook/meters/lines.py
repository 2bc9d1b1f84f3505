"""From the settings to poll loops: reads the maps, checks that ports are there and that the wire has the time."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from pathlib import Path

from loadbook.clock import Clock
from loadbook.errors import InputError, StartError
from loadbook.files import load_map
from loadbook.meters.budget import Budget, budget
from loadbook.meters.counters import CountingSink
from loadbook.meters.line import ModbusLine, PolledMeter
from loadbook.meters.modbus import ModbusWire, ReadError
from loadbook.settings import Line, Settings

log = logging.getLogger(__name__)

MODBUS_FORMS = ("registers", "sunspec")


def build_lines(settings: Settings, folder: Path, sink: CountingSink, clock: Clock) -> list[ModbusLine]:
    """One poll loop per line of the settings, not started. Raises InputError or StartError in one line."""
    if not settings.lines:
        raise InputError("the settings have no [[line]]; add one with a [[line.meter]], or nothing can be read")
    interval_s = settings.poller.interval_s
    lines = []
    for place, line in enumerate(settings.lines, start=1):
        meters = polled_meters(line, folder)
        check_port(line, place)
        if line.kind == "modbus_rtu":
            check_budget(line, place, budget(line, [m.map for m in meters], interval_s))
        lines.append(build_line(line, meters, interval_s, sink, clock))
    return lines


def check_budget(line: Line, place: int, needed: Budget) -> None:
    """Refuses a line whose meters cannot all be read in each interval (StartError), warns where it is tight."""
    complaint = needed.complaint(line, place)
    if complaint and needed.share > 1:
        raise StartError(complaint)
    if complaint:
        log.warning("%s", complaint)


def build_line(
    line: Line, meters: list[PolledMeter], interval_s: float, sink: CountingSink, clock: Clock
) -> ModbusLine:
    """One line's poll loop, not started."""
    return ModbusLine(
        line.id,
        wire=ModbusWire(line),
        meters=meters,
        sink=sink,
        clock=clock,
        interval_s=interval_s,
        timeout_s=line.timeout_s,
    )


def polled_meters(line: Line, folder: Path) -> list[PolledMeter]:
    """The line's meters with their maps. Raises InputError where a map does not fit the line."""
    meters = []
    for meter in line.meters:
        meter_map = load_map(meter.map, folder)
        if meter_map.form not in MODBUS_FORMS:
            raise InputError(
                f"meter {meter.id!r}: map {meter.map!r} is no Modbus map and line {line.id!r} is {line.kind}; "
                "take another map or put the meter on a telegram line"
            )
        meters.append(PolledMeter(meter.id, meter.unit_id, meter_map))
    return meters


def check_port(line: Line, place: int) -> None:
    """A port that is not there at start is a mistake in the settings; one that goes later comes back by itself.
    Raises StartError naming the port and its key."""
    if line.kind == "modbus_tcp":
        return
    key = f"line[{place}].port"
    if "://" not in line.port and not Path(line.port).exists():
        raise StartError(
            f"{key}: {line.port} does not exist; plug the adapter in, or give the path that ls /dev/serial/by-id shows"
        )
    wire = ModbusWire(line)
    try:
        wire.open()
    except ReadError as bad:
        raise StartError(f"{key}: {bad}") from None
    finally:
        wire.close()


def meters_by_line(lines: Sequence[Line]) -> dict[str, str]:
    """Line id by meter id."""
    return {meter.id: line.id for line in lines for meter in line.meters}
