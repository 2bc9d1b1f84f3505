"""Energy of whole loads against published figures, as plausibility: the logs that come along, and the demand model.

Sources: MacKay, Sustainable Energy - without the hot air (2009), page 51 (a washing machine draws about 2.5 kW, about
1 kWh a load at 40 degrees, 80 L of water); Commission Regulation (EU) 2019/2022, Annex V (benchmarks of dishwashers:
0.55 to 0.67 kWh for 10 to 14 place settings, eco programme); the best value published for a tumble dryer with a heating
element (7 kg: 2.73 kWh in 76 min; benchmarks of the EU ecodesign regulations). Simulated and invented loads differ,
so the bands are wide.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from loadbook.cost.energy_curve import UJ_PER_KWH, EnergyCurve
from loadbook.cost.heat import check_heat, water_kwh
from loadbook.files import find_log
from loadbook.logs import read_log


@pytest.mark.parametrize(
    ("log", "published_kwh", "within"),
    [("washer-healthy", 1.0, 2.0), ("dishwasher-healthy", 0.61, 1.5), ("dryer-healthy", 2.73, 1.25)],
)
def test_a_load_takes_about_what_is_published(log: str, published_kwh: float, within: float) -> None:
    curve = EnergyCurve(read_log(find_log(Path(log))).series)
    kwh = curve.between(curve.first_ms, curve.last_ms) / UJ_PER_KWH
    assert published_kwh / within < kwh < published_kwh * within


def test_a_washing_machine_draws_about_what_is_published() -> None:
    """MacKay's 2.5 kW; the most that a simulated washer of 1900 W heater draws stays below and of that order."""
    series = read_log(find_log(Path("washer-healthy"))).series
    assert 1500 < float(np.nanmax(series.power_w)) < 2750


def test_a_kilowatt_hour_cannot_warm_all_the_water_of_a_wash() -> None:
    """MacKay's 80 L a load, from 15 to 40 degrees, would take 2.3 kWh; his load takes 1: only some is warmed."""
    assert water_kwh(80, 25) == pytest.approx(2.326, abs=0.001)
    found = check_heat(1.0, 80, 25)
    assert found is not None and found.verdict == "cannot_be"
    some = check_heat(1.0, 20, 25)
    assert some is not None and some.verdict == "plausible"
