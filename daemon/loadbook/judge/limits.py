"""Every limit that judging goes by, once, with its unit and where it comes from. A site may set some of them.

Pure. What depends on a rating plate (bands by IEC 60335-1 table 1) is in ``judge.bands``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from loadbook.machine import Plate
from loadbook.settings import Site


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of the contract, section 4."""

    nominal_voltage_v: float = 230.0
    voltage_tolerance: float = 0.10
    """EN 50160: ten-minute means within 10 % of nominal."""
    nominal_frequency_hz: float = 50.0
    frequency_tolerance: float = 0.01
    voltage_set: bool = False
    """Whether the site's settings say so; else a plate for another system (120 V) knows better."""
    voltage_mean_s: float = 600.0
    frequency_mean_s: float = 60.0
    impedance_ohm: float = 1.5
    impedance_step_a: float = 4.0
    impedance_steps: int = 5
    impedance_steps_least: int = 3
    supply_gone: float = 0.2
    """Below this fraction of nominal there is no supply."""

    interruption_s: float = 10.0
    """A part that is on for all of a phase may break off this long."""
    heater_settle_s: float = 20.0
    missing_at_latest_s: float = 30.0
    missing_fraction: float = 0.20
    """Below this fraction of its plate a part is missing."""
    unexplained_w: float = 5.0
    unexplained_fraction: float = 0.04
    unexplained_s: float = 30.0
    steady_s: float = 30.0
    pulses_least: int = 3
    pulse_rests: float = 3.0
    pulse_rest_s: float = 45.0

    stopped_s: float = 300.0
    quiet_grace_s: float = 30.0
    power_lost_s: float = 10.0
    silent_s: float = 60.0
    resume_s: float = 1800.0
    idle_s: float = 1200.0
    """Standby is judged after this long idle: EU rules allow 15 minutes to power down."""
    idle_w: float = 4.0
    standby_w: float = 5.0
    """At standby, where no ``standby_w`` is on the plate."""

    @classmethod
    def of_site(cls, site: Site) -> Limits:
        """The limits as a site's settings have them."""
        return cls(
            nominal_voltage_v=site.nominal_voltage_v,
            voltage_tolerance=site.voltage_tolerance,
            nominal_frequency_hz=site.nominal_frequency_hz,
            voltage_set="nominal_voltage_v" in site.model_fields_set,
        )

    def for_plate(self, plate: Plate) -> Limits:
        """The limits for one machine: where no setting says what the supply is, a plate for another system does."""
        rated_v = plate.rated_voltage_v
        if self.voltage_set or abs(rated_v / self.nominal_voltage_v - 1) <= self.voltage_tolerance:
            return self
        return replace(self, nominal_voltage_v=rated_v)

    def at_standby_w(self, standby_w: float | None) -> float:
        """At most this much is *at standby* (contract, section 2)."""
        return self.standby_w if standby_w is None else max(2 * standby_w + 0.5, standby_w + 4.0)

    def idle_high_w(self, standby_w: float | None) -> float:
        """Idle above this is ``standby_high``."""
        return self.idle_w if standby_w is None else 2 * standby_w + 0.5
