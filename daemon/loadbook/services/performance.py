"""Machines on stage and everything else as it runs for real, in one process, a folder and at a chosen speed."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from pathlib import Path

from loadbook.clock import SPEED, clock_of_environment
from loadbook.files import load_settings
from loadbook.services.history import take_in
from loadbook.services.life import live
from loadbook.services.run import all_parts
from loadbook.services.stage import (
    PAUSE_MS,
    START_S,
    Play,
    SimulatedMeters,
    after_idling,
    free_port,
    woven,
    write_settings,
)
from loadbook.settings import Settings


def perform(plays: Sequence[Play], folder: Path, speed: float, port: int | None, chosen: dict[str, str]) -> int:
    """Run everything in this process until told to stop, ``speed`` times as fast as the clock on the wall, with the
    data in ``folder``. ``port``: of the dashboard; None takes the usual one, or any where that is taken. ``chosen``:
    settings as TOML. Returns an exit status; raises LoadbookError where something does not start.
    """
    ports = {"dashboard": free_port(port, Settings().dashboard.port), "broker": free_port(None, 0)}
    os.environ[SPEED] = f"{speed:g}@{time.time_ns() // 1_000_000}"
    clock = clock_of_environment()
    ready_ms = round(clock.now_ms() + START_S * 1000 * speed)
    plays = [after_idling(play, ready_ms, speed) for play in plays]
    meters = SimulatedMeters(plays, folder, clock)
    meters.startup()
    try:
        path = write_settings(folder, plays, meters, ports, chosen)
        settings = load_settings(path)
        for play in plays:
            if play.earlier:
                take_in(settings, folder, play.meter, woven(play.earlier, ready_ms, PAUSE_MS))
        return live([meters, *all_parts(settings, folder, clock)])
    finally:
        meters.shutdown()
