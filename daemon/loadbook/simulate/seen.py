"""Expectations from what the meter saw: supply, silence, lost power, standby (contract, section 4)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from loadbook.simulate.bands import idle_limit_w
from loadbook.simulate.expect import Expected, View
from loadbook.simulate.run import DT_S
from loadbook.simulate.spells import spells

SILENT_S = 60.0
LOST_S = 10.0
IDLE_S = 1200.0
STANDBY_SHOWS_W = 0.5
"""Without volts, 0 W means no supply where the machine file's standby would show on the meter (contract)."""
SITE_V = 230.0
"""Nominal supply where no setting says otherwise (contract); a plate of another system, such as 120 V, does."""
Array = npt.NDArray[np.float64]


def expectations(view: View, cycles: list[tuple[float, float]]) -> list[Expected]:
    """Everything that follows from the rows of the log."""
    return [*_silent(view), *_lost(view, cycles), *_supply(view), *_impedance(view), *_standby(view, cycles)]


def _silent(view: View) -> list[Expected]:
    out: list[Expected] = []
    at = view.rows.true_s
    for k in np.flatnonzero(np.diff(at) > SILENT_S):
        began_s = float(at[k])
        out.append(Expected("meter_silent", began_s, began_s + SILENT_S, began_s + SILENT_S + 2 + view.slack_s))
    return out


def _lost(view: View, cycles: list[tuple[float, float]]) -> list[Expected]:
    out: list[Expected] = []
    for first, last in view.recorded.run.lost:
        began_s, end_s = first * DT_S, last * DT_S
        read = (view.rows.true_s > began_s) & (view.rows.true_s < end_s)
        standby_w = view.recorded.run.model.plate.standby_w or 0.0
        shows = view.volts_known or standby_w >= max(2 * view.step_w, STANDBY_SHOWS_W)
        if (
            (shows or view.recorded.run.model.running_w > view.step_w)
            and end_s - began_s >= LOST_S + 1
            and read.sum() >= LOST_S
        ):
            number = next((i for i, c in enumerate(cycles) if c[0] <= began_s <= c[1]), None)
            out.append(
                Expected(
                    "power_lost",
                    began_s,
                    began_s + LOST_S - 1,
                    began_s + LOST_S + 5 + view.slack_s,
                    cycle=number,
                    may=not shows,
                )
            )
    return out


def _running_mean(at_s: Array, values: Array, window_s: float) -> tuple[Array, Array]:
    """(times, means over the window before) where a whole window has passed."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    first = np.searchsorted(at_s, at_s - window_s, side="right")
    means = (total[1:] - total[first]) / (np.arange(1, values.size + 1) - first)
    full = at_s - at_s[0] >= window_s - 5
    return at_s[full], means[full]


def _supply(view: View) -> list[Expected]:
    out: list[Expected] = []
    rows, plate = view.rows, view.recorded.run.model.plate
    if "voltage_v" not in rows.columns:
        return out
    live = rows.columns["voltage_v"] > 0.2 * plate.rated_voltage_v
    at_s = rows.true_s[live]
    rated_v = plate.rated_voltage_v
    nominal_v = SITE_V if abs(rated_v / SITE_V - 1) <= 0.10 else rated_v
    todo = [("supply_voltage", rows.columns["voltage_v"][live], 600.0, nominal_v, 0.10)]
    if "frequency_hz" in rows.columns:
        todo.append(("supply_frequency", rows.columns["frequency_hz"][live], 60.0, plate.rated_frequency_hz, 0.01))
    for kind, values, window_s, nominal, share in todo:
        if not at_s.size:
            continue
        when, mean = _running_mean(at_s, values, window_s)
        wrong = np.abs(mean / nominal - 1.0) > share
        for first, _ in spells(wrong, 60.0)[:1]:
            began_s = float(when[first])
            out.append(Expected(kind, began_s - window_s, began_s - 0.6 * window_s, began_s + 30 + view.slack_s))
    return out


def _impedance(view: View) -> list[Expected]:
    """Needs at least five large steps to be due; may be said from the third on."""
    supply, rows = view.recorded.run.supply, view.rows
    if supply.source_ohm <= 1.5 or "voltage_v" not in rows.columns:
        return []
    amps = view.recorded.part_w.sum(axis=0) / np.maximum(view.recorded.volts, 1.0)
    jumps = np.flatnonzero(np.abs(amps[8:] - amps[:-8]) > 4.0)
    groups = [g for g in np.split(jumps, np.flatnonzero(np.diff(jumps) > 16) + 1) if g.size]
    if len(groups) < 3:
        return []
    third, fifth = (float(groups[min(i, len(groups) - 1)][-1]) * DT_S for i in (2, 4))
    first_s = float(groups[0][0]) * DT_S
    due_s = fifth + 60.0 + view.slack_s
    return [Expected("supply_impedance", first_s, third - 5.0, due_s)]


def _standby(view: View, cycles: list[tuple[float, float]]) -> list[Expected]:
    """Idle for 20 min at more than the limit."""
    out: list[Expected] = []
    model = view.recorded.run.model
    limit = idle_limit_w(model.plate.standby_w)
    power = view.recorded.part_w.sum(axis=0)
    busy = np.zeros(power.size, dtype=bool)
    for start_s, end_s in cycles:
        busy[round(start_s / DT_S) : round(end_s / DT_S)] = True
    for first, last in spells(~busy):
        for a, b in spells(power[first:last] > limit + max(0.15, 0.5 * view.step_w)):
            if (b - a) * DT_S >= IDLE_S:
                began_s = (first + a) * DT_S
                out.append(
                    Expected("standby_high", began_s, began_s + IDLE_S - 130, began_s + IDLE_S + 60 + view.slack_s)
                )
    return out
