"""What goes on for too long, where another story would fit as well."""

from __future__ import annotations

from charts import machine, phase
from washer import Said, drum, on, second, still

FILL = phase("fill", "fill", 30, 200, '"valve"')
RINSE = phase("rinse", "rinse", 300, 900, "", '"drum_motor"')
DRAIN = phase("drain", "drain", 20, 90, '"pump"')


def test_a_cycle_is_never_ending_once_no_programme_that_still_fits_can_be_so_long() -> None:
    said = Said(still(60) + on(8, 80) + drum(1400), machine((FILL, RINSE), (FILL, RINSE, DRAIN)))
    alert = said.one("never_ending")
    longest_s = 200 + 900 + 90
    assert alert.high == longest_s
    assert 60 + longest_s < second(alert.raised_ms) <= 60 + longest_s + 5


def test_no_cycle_that_is_through_is_never_ending() -> None:
    said = Said(still(60) + on(8, 80) + drum(400) + on(28, 45) + still(1000), machine((FILL, RINSE, DRAIN)))
    assert said.alerts == []


def test_a_fill_that_goes_on_is_no_rinse_that_left_out_the_wash() -> None:
    """The rinse lets in water too, but nothing stepped."""
    wash = phase("wash", "wash", 300, 900, '"drum_motor"')
    rinse = phase("rinse", "rinse", 300, 900, "", '"drum_motor", "valve"')
    said = Said(still(60) + on(8, 300), machine((FILL, wash, rinse, DRAIN)))
    assert said.kinds() == [("phase_too_long", "fill", None)]
