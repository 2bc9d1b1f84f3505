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
from loadbook.meters.loop import LineLoop
from loadbook.meters.maps import MeterMap
from loadbook.meters.modbus import ModbusWire
from loadbook.meters.port import open_port
from loadbook.meters.telegram_line import AskedLine, PushedLine
from loadbook.settings import Line, Settings

log = logging.getLogger(__name__)

MODBUS_FORMS = ("registers", "sunspec")


def build_lines(settings: Settings, folder: Path, sink: CountingSink, clock: Clock) -> list[LineLoop]:
    """One loop per line of the settings, not started. Raises InputError or StartError in one line."""
    if not settings.lines:
        raise InputError("the settings have no [[line]]; add one with a [[line.meter]], or nothing can be read")
    interval_s = settings.poller.interval_s
    loops = []
    for place, (line, maps) in enumerate(lines_with_maps(settings, folder), start=1):
        check_port(line, place)
        loops.append(build_line(line, maps, interval_s, sink, clock))
    return loops


def lines_with_maps(settings: Settings, folder: Path) -> list[tuple[Line, list[MeterMap]]]:
    """Every line with the maps of its meters, checked against each other and the wire's time; touches no port. Raises
    InputError, or StartError where a line has no time for its meters."""
    found = []
    for place, line in enumerate(settings.lines, start=1):
        maps = [load_map(meter.map, folder) for meter in line.meters]
        check_maps(line, maps)
        if line.kind == "modbus_rtu":
            check_budget(line, place, budget(line, maps, settings.poller.interval_s))
        found.append((line, maps))
    return found


def build_line(line: Line, maps: Sequence[MeterMap], interval_s: float, sink: CountingSink, clock: Clock) -> LineLoop:
    """One line's loop, not started; ``maps`` belong to its meters."""
    pairs = list(zip(line.meters, maps, strict=True))
    if line.kind != "telegram":
        meters = [PolledMeter(meter.id, meter.unit_id, meter_map) for meter, meter_map in pairs]
        return ModbusLine(
            line.id,
            wire=ModbusWire(line),
            meters=meters,
            sink=sink,
            clock=clock,
            interval_s=interval_s,
            timeout_s=line.timeout_s,
        )
    if is_asked(maps[0]):
        asked = [(meter.id, meter.device_address, meter_map) for meter, meter_map in pairs]
        return AskedLine(line, asked, sink=sink, clock=clock)
    return PushedLine(line, line.meters[0].id, maps[0], sink=sink, clock=clock)


def is_asked(meter_map: MeterMap) -> bool:
    """Whether a telegram meter is asked by a sign-on; the others send by themselves."""
    return meter_map.obis is not None and meter_map.obis.framing == "sign_on"


def check_maps(line: Line, maps: Sequence[MeterMap]) -> None:
    """Raises InputError where a map does not fit its line."""
    wanted = "telegram" if line.kind == "telegram" else "Modbus"
    for meter, meter_map in zip(line.meters, maps, strict=True):
        if (meter_map.form in MODBUS_FORMS) != (line.kind != "telegram"):
            raise InputError(
                f"meter {meter.id!r}: map {meter.map!r} is no {wanted} map, and line {line.id!r} is {line.kind}; "
                "take another map or another kind of line"
            )
    if line.kind == "telegram" and len(maps) > 1 and not all(is_asked(m) for m in maps):
        raise InputError(
            f"line {line.id!r}: meters that send by themselves cannot share a line; give each a line of its own"
        )


def check_budget(line: Line, place: int, needed: Budget) -> None:
    """Refuses a line whose meters cannot all be read in each interval (StartError), warns where it is tight."""
    complaint = needed.complaint(line, place)
    if complaint and needed.share > 1:
        raise StartError(complaint)
    if complaint:
        log.warning("%s", complaint)


def check_port(line: Line, place: int) -> None:
    """A port that is not there at start is a mistake in the settings; one that goes later comes back by itself.
    Raises StartError naming the port and its key."""
    if line.kind == "modbus_tcp" or "://" in line.port:
        return  # what is on the network may come later
    key = f"line[{place}].port"
    if not Path(line.port).exists():
        raise StartError(
            f"{key}: {line.port} does not exist; plug the adapter in, or give the path that ls /dev/serial/by-id shows"
        )
    try:
        open_port(line.port, line.baud_bd, line.data_bits, line.parity, line.stop_bits).close()
    except OSError as bad:
        raise StartError(f"{key}: {bad}") from None


def meters_by_line(lines: Sequence[Line]) -> dict[str, str]:
    """Line id by meter id."""
    return {meter.id: line.id for line in lines for meter in line.meters}
