"""From the settings to poll loops: reads the maps, checks that ports are there and that the wire has the time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from loadbook.clock import Clock
from loadbook.errors import InputError, StartError
from loadbook.files import load_map
from loadbook.meters.counters import CountingSink
from loadbook.meters.line import ModbusLine, PolledMeter
from loadbook.meters.modbus import ModbusWire, ReadError
from loadbook.settings import Line, Settings

MODBUS_FORMS = ("registers", "sunspec")


def build_lines(settings: Settings, folder: Path, sink: CountingSink, clock: Clock) -> list[ModbusLine]:
    """One poll loop per line of the settings, not started. Raises InputError or StartError in one line."""
    if not settings.lines:
        raise InputError("the settings have no [[line]]; add one with a [[line.meter]], or nothing can be read")
    for place, line in enumerate(settings.lines, start=1):
        check_port(line, place)
    return [build_line(line, settings.poller.interval_s, folder, sink, clock) for line in settings.lines]


def build_line(line: Line, interval_s: float, folder: Path, sink: CountingSink, clock: Clock) -> ModbusLine:
    """One line's poll loop, not started. Raises InputError."""
    return ModbusLine(
        line.id,
        wire=ModbusWire(line),
        meters=polled_meters(line, folder),
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
