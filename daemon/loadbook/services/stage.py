"""Machines on stage: what their simulated meters play over real Modbus, their past, and the settings file that
goes with them. For ``loadbook demo`` and ``loadbook replay``; ``performance`` runs it.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from loadbook.clock import Clock
from loadbook.errors import StartError
from loadbook.files import load_machine, load_map
from loadbook.meters.simulated import Player, SimulatedLine, SimulatedMeter
from loadbook.reading import QUANTITIES, Series
from loadbook.settings_text import settings_file

SETTINGS_NAME = "loadbook.toml"
PAUSE_STEP_MS = 5_000
"""Between two old cycles the machine idles; a reading every few seconds is enough to show it."""
PAUSE_MS = 3 * 3_600_000
START_S = 6.0
"""So long everything may take to start: until then the history stands for the machines and their meters idle, so that
no gap is seen at any speed."""
_IDLE_ROWS = 60
"""The first rows of a log, before its cycle: what the machine idles at."""


@dataclass(frozen=True, slots=True)
class Play:
    """One machine: its file, the log its meter plays, over which wire, and logs of cycles that are over already."""

    meter: str
    machine_file: Path
    series: Series
    wire: Literal["rtu", "tcp"]
    map: str
    earlier: tuple[Series, ...] = ()
    loop: bool = False


def woven(logs: Sequence[Series], end_ms: int, pause_ms: int, step_ms: int = PAUSE_STEP_MS) -> Series:
    """Logs one after the other with idle pauses between, the last pause ending just before ``end_ms``; the counter runs
    on. Columns that some log does not have are left out."""
    names = [q.name for q in QUANTITIES if all(log.column(q.name) is not None for log in logs)]
    times: list[np.ndarray] = []
    columns: dict[str, list[np.ndarray]] = {name: [] for name in names}
    at_ms, counter_wh = 0, 0.0
    for log in logs:
        idle = np.arange(pause_ms // step_ms) % min(_IDLE_ROWS, len(log))
        own_ms = log.at_ms - log.at_ms[0]
        times += [at_ms + own_ms, at_ms + int(own_ms[-1]) + step_ms * np.arange(1, len(idle) + 1)]
        for name in names:
            column = np.asarray(log.column(name))
            if name == "energy_wh":
                own_wh = counter_wh + column - column[0]
                columns[name] += [own_wh, np.full(len(idle), own_wh[-1])]
                counter_wh = float(own_wh[-1])
            else:
                columns[name] += [column, column[idle]]
        at_ms = int(times[-1][-1]) + step_ms
    whole = np.concatenate(times)
    made = Series(at_ms=whole + (end_ms - 1000 - int(whole[-1])), power_w=np.concatenate(columns.pop("power_w")))
    for name, parts in columns.items():
        setattr(made, name, np.concatenate(parts))
    return made


def counting_on(series: Series, before: Series | None) -> Series:
    """``series`` with its counter going on where that of ``before`` ended."""
    if before is None or before.energy_wh is None or series.energy_wh is None:
        return series
    return replace(series, energy_wh=series.energy_wh - series.energy_wh[0] + before.energy_wh[-1])


def free_port(wanted: int | None, usual: int) -> int:
    """``wanted`` if it is free (else StartError); with None the ``usual`` one, or any free one where that is taken."""
    for port in (usual, 0) if wanted is None else (wanted,):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            found: int = probe.getsockname()[1]
            return found
    raise StartError(f"port {wanted} is taken on 127.0.0.1; choose another with --port")


class SimulatedMeters:
    """The part of the stage that the poller cannot tell from meters (``life.Part``)."""

    name = "simulated meters"

    def __init__(self, plays: Sequence[Play], folder: Path, clock: Clock) -> None:
        self.plays = plays
        self._folder = folder
        self._clock = clock
        self.lines: dict[str, SimulatedLine] = {}

    def startup(self) -> None:
        """Start every line; the logs begin to play. Nothing where they play already."""
        if self.lines:
            return
        try:
            for play in self.plays:
                player = Player(play.series, self._clock, loop=play.loop)
                meter = SimulatedMeter(1, load_map(play.map, self._folder), player)
                link = self._folder / f"{play.meter}-line" if play.wire == "rtu" else None
                self.lines[play.meter] = SimulatedLine([meter], self._clock, link=link).start()
        except BaseException:
            self.shutdown()
            raise

    def turn(self) -> None:
        """Nothing to do: the servers have threads of their own."""

    def healthy(self) -> bool:
        return True

    def shutdown(self) -> None:
        for line in self.lines.values():
            line.stop()
        self.lines.clear()


def write_settings(
    folder: Path, plays: Sequence[Play], meters: SimulatedMeters, ports: dict[str, int], chosen: dict[str, str]
) -> Path:
    """The stage's settings file, as a user would write it. ``ports``: of ``broker`` and ``dashboard``; ``chosen``:
    further settings as TOML. The meters run already, so their addresses are known."""
    settings = {
        "machines": json.dumps([str(play.machine_file.resolve()) for play in plays]),
        "store.folder": json.dumps(str(folder / "data")),
        "store.commit_every_s": "5.0",
        "broker.port": str(ports["broker"]),
        "dashboard.port": str(ports["dashboard"]),
        "poller.trust_clock": "true",
    }
    text = settings_file(settings | chosen)
    for play in plays:
        line = meters.lines[play.meter]
        if play.wire == "rtu":
            where = f'kind = "modbus_rtu"\nport = {json.dumps(line.port)}\n'
        else:
            where = f'kind = "modbus_tcp"\nhost = "{line.address[0]}"\ntcp_port = {line.address[1]}\n'
        text += (
            f'\n[[line]]\nid = "{play.meter}-line"\n{where}\n[[line.meter]]\nid = "{play.meter}"\n'
            f'map = "{play.map}"\nmachine = "{load_machine(play.machine_file).id}"\n'
        )
    path = folder / SETTINGS_NAME
    path.write_text(text, encoding="utf-8")
    return path


def after_idling(play: Play, ready_ms: int, speed: float) -> Play:
    """The play with idling before its log for as long as everything needs to start, and its counter going on."""
    idle_ms = round(START_S * 1000 * speed)
    idle = play.series.slice(0, min(_IDLE_ROWS, len(play.series)))
    prelude = woven([idle], ready_ms, max(idle_ms - 1000 * len(idle), PAUSE_STEP_MS))
    earlier = woven(play.earlier, ready_ms, PAUSE_MS) if play.earlier else None
    prelude = counting_on(prelude, earlier)
    return replace(play, series=joined(prelude, counting_on(play.series, prelude)))


def joined(first: Series, second: Series) -> Series:
    """``second`` right after ``first``; columns that both have."""
    at_ms = np.concatenate([first.at_ms, second.at_ms - second.at_ms[0] + first.at_ms[-1] + 1000])
    made = Series(at_ms=at_ms, power_w=np.concatenate([first.power_w, second.power_w]))
    for quantity in QUANTITIES[1:]:
        one, two = first.column(quantity.name), second.column(quantity.name)
        if one is not None and two is not None:
            setattr(made, quantity.name, np.concatenate([one, two]))
    return made
