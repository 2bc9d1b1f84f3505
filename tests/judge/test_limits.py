"""Limits of the supply: what a site's settings say, else what the machine's plate says."""

from __future__ import annotations

import pytest
from loadbook.judge.limits import Limits
from loadbook.machine import Plate
from loadbook.settings import Site


# Nominal voltages of IEC 60038 (from memory): 230 V at 50 Hz, 120 V at 60 Hz; plates of 220 to 240 V are of the first.
@pytest.mark.parametrize(("rated_v", "nominal_v"), [(230, 230), (220, 230), (240, 230), (120, 120), (100, 100)])
def test_a_plate_of_another_system_says_the_nominal_voltage_where_no_setting_does(
    rated_v: float, nominal_v: float
) -> None:
    plate = Plate.model_validate({"id": "m", "name": "M", "kind": "other", "rated_voltage_v": rated_v})
    assert Limits.of_site(Site()).for_plate(plate).nominal_voltage_v == nominal_v
    assert Limits.of_site(Site(nominal_voltage_v=230.0)).for_plate(plate).nominal_voltage_v == 230.0
