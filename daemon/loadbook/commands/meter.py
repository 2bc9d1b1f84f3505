"""``loadbook meter``: read a meter once and see whether its values make sense; look for meters on a line."""

from __future__ import annotations

import argparse
import itertools
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from loadbook.errors import InputError, StartError
from loadbook.files import load_map, load_settings, share
from loadbook.meters.budget import budget, exchange_s
from loadbook.meters.lines import MODBUS_FORMS, check_maps, check_port
from loadbook.meters.maps import MeterMap
from loadbook.meters.trying import Heard, Trial, scan, try_modbus, try_telegram, where
from loadbook.reading import QUANTITIES, QUANTITY_BY_NAME
from loadbook.settings import Line, Meter

USUAL_SPEEDS_BD = (9600, 19200, 2400, 4800, 38400, 57600, 115200)
"""The likeliest first. Common practice, no source; the Modbus specification asks for 9600 and 19200 at least."""


def register(subparsers: Any) -> None:
    """Add ``meter`` with ``try`` and ``scan`` to the command line."""
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "meter",
        help="read a meter once, or look for meters on a line",
        description="try: reads one meter live, prints each value with its unit, the time of the exchange and whether "
        "it all makes sense. scan: asks every unit id of a Modbus line whether somebody is there.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    one = actions.add_parser(
        "try",
        help="read one meter live",
        description="Reads one meter live and checks the values against each other. Where they are absurd it tries "
        "other word orders, addresses one off and the other function code, and says which makes sense. Exit status: "
        "0 makes sense, 1 does not, 2 nothing could be read.",
    )
    _add_line(one)
    one.add_argument("--config", type=Path, metavar="FILE", help="take line and meter from this settings file")
    one.add_argument("--meter", metavar="ID", help="the meter of the settings; not needed where there is one")
    one.add_argument("--map", metavar="NAME", help="meter map: a name in config/meters, or the path of a .toml")
    one.add_argument("--unit", type=int, default=1, metavar="N", help="Modbus unit id (1)")
    one.add_argument("--json", action="store_true", help="print one JSON object")
    one.set_defaults(run=run_try)
    many = actions.add_parser(
        "scan",
        help="look for unit ids on a line",
        description="Asks each Modbus unit id for two registers. Whoever answers is tried with the Modbus maps that "
        "come along. Exit status: 0 somebody is there, 1 nobody is, 2 the port cannot be used.",
    )
    _add_line(many)
    many.add_argument("--first", type=int, default=1, metavar="N", help="first unit id (1)")
    many.add_argument("--last", type=int, default=247, metavar="N", help="last unit id (247)")
    many.add_argument(
        "--every-speed", action="store_true", help="try the usual speeds and parities until somebody answers"
    )
    many.add_argument("--json", action="store_true", help="print one JSON object")
    many.set_defaults(run=run_scan, config=None)


def _add_line(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", metavar="PATH", help="serial port, such as /dev/serial/by-id/...")
    parser.add_argument("--host", metavar="HOST[:PORT]", help="Modbus TCP instead of a serial port")
    parser.add_argument("--baud", type=int, metavar="BD", help="line speed (9600)")
    parser.add_argument("--parity", choices=("N", "E", "O"), help="parity (E, as the Modbus specification has it)")
    parser.add_argument("--stop-bits", type=int, choices=(1, 2), help="stop bits (1)")
    parser.add_argument("--data-bits", type=int, choices=(7, 8), help="data bits (8)")
    parser.add_argument("--timeout", type=float, metavar="S", help="how long an answer may take to begin, s")


def _line_of(args: argparse.Namespace, meters: list[dict[str, Any]], telegram: bool = False) -> Line:
    if bool(args.port) == bool(args.host):
        raise InputError("give --port for a serial line or --host for Modbus TCP (or, for try, --config)")
    given: dict[str, Any] = {
        "baud_bd": args.baud,
        "parity": args.parity,
        "stop_bits": args.stop_bits,
        "data_bits": args.data_bits,
        "timeout_s": args.timeout,
    }
    line: dict[str, Any] = {"id": "line", "meter": meters, **{k: v for k, v in given.items() if v is not None}}
    if args.port:
        line |= {"kind": "telegram" if telegram else "modbus_rtu", "port": args.port}
    else:
        host, _, tcp_port = args.host.partition(":")
        line |= {"kind": "modbus_tcp", "host": host, "tcp_port": tcp_port or 502}
    try:
        return Line.model_validate(line)
    except ValueError as bad:
        first = bad.errors()[0] if hasattr(bad, "errors") else {"loc": ("line",), "msg": str(bad)}
        raise InputError(f"{first['loc'][-1]}: {first['msg']}") from None


def _meter_of_settings(args: argparse.Namespace) -> tuple[Line, Meter, MeterMap]:
    settings = load_settings(args.config)
    known = settings.meters()
    if args.meter is None and len(known) != 1:
        raise InputError(f"{args.config}: has the meters {', '.join(known) or 'none'}; name one with --meter")
    meter_id = args.meter or next(iter(known))
    if meter_id not in known:
        raise InputError(f"{args.config}: has no meter {meter_id!r}; it has {', '.join(known) or 'none'}")
    line = next(line for line in settings.lines if known[meter_id] in line.meters)
    line = line.model_copy(update={"meters": (known[meter_id],)})
    return line, known[meter_id], load_map(known[meter_id].map, args.config.parent)


def run_try(args: argparse.Namespace) -> int:
    """Read once, print, judge."""
    if args.config:
        line, meter, meter_map = _meter_of_settings(args)
    else:
        if not args.map:
            raise InputError("give --map NAME (a name in config/meters, or the path of a .toml), or --config FILE")
        meter_map = load_map(args.map, Path())
        meters = [{"id": "meter", "map": args.map, "unit_id": args.unit}]
        line = _line_of(args, meters, telegram=meter_map.form not in MODBUS_FORMS)
        meter = line.meters[0]
    check_maps(line, [meter_map])
    _check_there(line)
    trial = try_telegram(line, meter_map) if line.kind == "telegram" else try_modbus(line, meter.unit_id, meter_map)
    print(_as_json(trial) if args.json else _as_text(trial, line, meter, meter_map))
    return 1 if trial.doubts else 0


def _check_there(line: Line) -> None:
    try:
        check_port(line, 1)
    except StartError as bad:
        raise StartError(str(bad).removeprefix("line[1].port: ")) from None


def _as_json(trial: Trial) -> str:
    return json.dumps(
        {
            "values": trial.values,
            "doubts": [{"quantity": d.quantity, "because": d.because} for d in trial.doubts],
            "exchange_s": trial.exchange_s,
            "makes_sense_with": [{"change": words, "values": values} for words, values in trial.better],
        },
        indent=1,
    )


def _word(name: str) -> str:
    return QUANTITY_BY_NAME[name].senml_name.replace("_", " ")


def _values(values: dict[str, float]) -> list[str]:
    rows = []
    for quantity in QUANTITIES:
        if quantity.name in values:
            unit = "" if quantity.unit == "1" else quantity.unit
            rows.append(
                f"  {_word(quantity.name):16s} {values[quantity.name]:14,.{quantity.decimals}f} {unit}".rstrip()
            )
    return rows


def _as_text(trial: Trial, line: Line, meter: Meter, meter_map: MeterMap) -> str:
    rows = [f"{meter_map.map.title}, on {where(line)}" + (f", {trial.found}" if trial.found else "")]
    rows += _values(trial.values)
    if trial.exchange_s is not None:
        text = f"exchange: {trial.exchange_s * 1000:.0f} ms"
        if line.kind == "modbus_rtu":
            alone = budget(line, [meter_map], 1.0).wire_s
            count = sum(b.count for b in meter_map.registers.blocks) if meter_map.registers else None
            asked = f" for {count} registers" if count else ""
            text += f"{asked}; the line's budget counts {alone * 1000:.0f} ms ({1 / alone:.0f} such meters a second)"
        rows.append(text)
    if trial.echoes:
        rows.append("the adapter hears what it sends (two-wire echo); that is taken care of")
    if not trial.doubts:
        return "\n".join([*rows, "makes sense"])
    rows += [f"absurd: {_word(d.quantity)}: {d.because}" for d in trial.doubts]
    if len(trial.better) == 1:
        rows += [f"makes sense with {trial.better[0][0]}:", *_values(trial.better[0][1])]
    for words, values in trial.better if len(trial.better) > 1 else ():
        rows += [f"would make sense with {words}:", *_values(values)]
    if not trial.better and meter_map.registers is not None:
        rows.append("no other word order, address one off or function code makes sense either: check the map")
    return "\n".join(rows)


def run_scan(args: argparse.Namespace) -> int:
    """Ask every unit id."""
    if not 1 <= args.first <= args.last <= 247:
        raise InputError(f"--first {args.first} --last {args.last}: unit ids run from 1 to 247")
    args.timeout = args.timeout or 0.1
    if args.every_speed and args.host:
        raise InputError("--every-speed is for serial lines; Modbus TCP has no speed")
    maps = {path.stem: load_map(path.stem, Path()) for path in sorted(share("config", "meters").glob("*.toml"))}
    maps = {name: meter_map for name, meter_map in maps.items() if meter_map.form in MODBUS_FORMS}
    heard: list[Heard] = []
    for line in _lines_to_scan(args):
        _check_there(line)
        heard = _scan_line(args, line, maps)
        if heard:
            break
    if args.json:
        found = [{"unit_id": h.unit_id, "how": h.how, "maps": list(h.maps)} for h in heard]
        print(json.dumps({"baud_bd": line.baud_bd, "parity": line.parity, "units": found}, indent=1))
    elif not heard:
        print("nobody answers; check A and B, baud and parity, and whether another program has the line")
    return 0 if heard else 1


def _lines_to_scan(args: argparse.Namespace) -> Iterator[Line]:
    """The line as given, or at every usual speed and parity."""
    if not args.every_speed:
        yield _line_of(args, [{"id": "meter", "map": "any"}])
        return
    for args.baud, args.parity in itertools.product(USUAL_SPEEDS_BD, ("N", "E")):
        yield _line_of(args, [{"id": "meter", "map": "any"}])


def _scan_line(args: argparse.Namespace, line: Line, maps: dict[str, MeterMap]) -> list[Heard]:
    units = range(args.first, args.last + 1)
    seconds = len(units) * (args.timeout + (exchange_s(line, 2) if line.kind == "modbus_rtu" else 0))
    shown = sys.stderr.isatty()
    if not args.json:
        print(f"asking unit ids {units[0]} to {units[-1]} on {where(line)}, up to {seconds:.0f} s", file=sys.stderr)
    heard = []
    for one in scan(line, units, maps, lambda unit: print(f"\r{unit} ", end="", file=sys.stderr) if shown else None):
        heard.append(one)
        if not args.json:
            fits = f"makes sense with map {', '.join(one.maps)}" if one.maps else "none of the maps makes sense of it"
            print(f"unit {one.unit_id}: {one.how}; {fits}", flush=True)
    return heard
