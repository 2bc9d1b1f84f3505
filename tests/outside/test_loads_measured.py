"""Loads discovered on recordings of real appliances (ACS-F1, see ``acsf1``): the two sessions must say the same."""

from __future__ import annotations

import pytest
from loadbook.recognise.explain import levels_of
from loadbook.recognise.loads import Load, discover

from tests.outside.acsf1 import recording


def loads(device: str, session: str) -> list[Load]:
    series = recording(device, session)
    return discover(levels_of(series, int(series.at_ms[0]), int(series.at_ms[-1])))


@pytest.mark.parametrize("session", ["train", "test"])
@pytest.mark.parametrize(("device", "on_s", "watts"), [("fridge-34", 295, 134), ("fridge-37", 370, 92.5)])
def test_a_compressor_is_one_load_that_cycles_and_is_not_resistive(
    device: str, session: str, on_s: float, watts: float
) -> None:
    """P / (V·I), harmonics and all, is 0.67 to 0.70 (P over the root of P² + Q² would say 0.93)."""
    compressor = loads(device, session)[0]
    assert compressor.power_w == pytest.approx(watts, rel=0.03)
    assert compressor.usual_on_s == pytest.approx(on_s, rel=0.08)
    assert compressor.switched >= 2
    assert compressor.resistive is False
    assert compressor.power_factor is not None and 0.6 < compressor.power_factor < 0.75


def test_a_microwave_ovens_magnetron_is_found_in_both_sessions() -> None:
    one, two = (loads("microwave-79", session)[0] for session in ("train", "test"))
    assert one.power_w > 1000 and two.power_w == pytest.approx(one.power_w, rel=0.03)
    assert one.resistive is False and two.resistive is False
