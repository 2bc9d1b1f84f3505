"""ACSF1: eight recordings of real appliances with watts, vars, volts and amperes every 10 s, in physical units.

Source: ACS-F1 (Gisler, Ridi, Zufferey, Abou Khaled, Hennebert: "Appliance consumption signature database and
recognition test protocols", WoSSPA 2013), from the data file ACSF1 of the Python package aeon 1.6.0 (BSD 3-clause; the
same file is in sktime 1.2.0). There each row is four interleaved channels (var, W, V, A), jointly normalised. The units
came back by finding the scale that puts the voltage on a grid of 0.001 V and the offset at which V times A is the
hypotenuse of W and var under load. ``acsf1.csv.gz`` has four devices in the two sessions of the set.
"""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np
from loadbook.reading import Series

FILE = Path(__file__).with_name("acsf1.csv.gz")


def recording(device: str, session: str) -> Series:
    """One hour of one device; ``session`` is ``train`` or ``test``."""
    with gzip.open(FILE, "rt", encoding="utf-8", newline="") as file:
        rows = [r for r in csv.DictReader(file) if r["device"] == device and r["session"] == session]
    columns = {
        name: np.array([float(r[name]) for r in rows])
        for name in ("power_w", "voltage_v", "current_a", "reactive_power_var")
    }
    return Series(at_ms=np.array([int(r["second"]) * 1000 for r in rows], dtype=np.int64), **columns)
