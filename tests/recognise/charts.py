"""Small charts on the test washer's parts, a phase in a line."""

from __future__ import annotations

from loadbook.machine import Machine, parse_machine
from washer import CHART

PARTS = CHART.split("[[programme]]")[0]


def phase(name: str, stage: str, least_s: float, most_s: float, on: str = "", pulsing: str = "") -> str:
    """A phase's rows; ``on`` and ``pulsing`` are quoted names, separated by commas."""
    lists = f"on = [{on}]\npulsing = [{pulsing}]\n"
    return f'[[programme.phase]]\nid = "{name}"\nstage = "{stage}"\n{lists}min_s = {least_s}\nmax_s = {most_s}\n'


def machine(*programmes: tuple[str, ...]) -> Machine:
    """The test washer's parts with these programmes, ``p0``, ``p1``, …"""
    charts = [f'[[programme]]\nid = "p{k}"\n' + "".join(phases) for k, phases in enumerate(programmes)]
    return parse_machine(PARTS + "".join(charts), "charts.toml")
