"""What a part draws is said while two programmes still fit: it does not hang on which of them runs."""

from __future__ import annotations

from charts import machine, phase
from washer import START_MS, Said, on, still

OPTIONAL = "optional = true\n"
FILL, DRAIN = phase("fill", "fill", 30, 200, '"valve"'), phase("drain", "drain", 20, 90, '"pump"')
HEAT, WASH = phase("heat", "heat", 200, 900, '"heater", "drum_motor"'), phase("wash", "wash", 150, 900, '"drum_motor"')
SHORT = (FILL, HEAT, WASH, DRAIN)
PREWASH = (
    phase("prewash", "wash", 88, 375, '"drum_motor"') + OPTIONAL,
    phase("prewash-drain", "drain", 12, 58, '"pump"') + OPTIONAL,
    phase("prewash-fill", "fill", 15, 74, '"valve"') + OPTIONAL,
)
LONG = (FILL, *PREWASH, HEAT, WASH, DRAIN)
"""The same phases stand at another place of the chart."""
HIGH_W, FINE_W, HEATER_W = 290.0, 170.0, 1800.0
"""A motor's plate says 180 W, so it may draw 216 W (IEC 60335-1); beside a heater of 1710 W to 1995 W it passes."""
FILL_S, BESIDE_S, ALONE_S = 80, 200, 7
SHOWS_S = 60 + FILL_S + BESIDE_S
"""The heater goes off for a moment, and the motor is seen alone."""
EVIDENCE_S = 30
"""The contract, section 4."""


def said(watts: float) -> Said:
    both = on(HEATER_W + watts, BESIDE_S)
    run = still(60) + on(8, FILL_S) + both + on(watts, ALONE_S) + both + on(watts, 300) + on(28, 45) + still(400)
    return Said(run, machine(SHORT, LONG))


def test_a_motor_out_of_its_band_is_said_though_either_programme_may_run() -> None:
    first = min((a for a in said(HIGH_W).alerts if a.kind == "power_high"), key=lambda a: a.raised_ms)
    assert first.component == "drum_motor"
    assert SHOWS_S < (first.raised_ms - START_MS) / 1000 <= SHOWS_S + EVIDENCE_S


def test_nothing_is_said_of_a_motor_within_its_band() -> None:
    assert said(FINE_W).kinds() == []
