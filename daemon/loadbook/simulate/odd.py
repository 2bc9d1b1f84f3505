"""Machines whose files are written otherwise than most: few long phases, a band of watts for a phase, no standby on the
plate, 120 V and 60 Hz, logs without voltage or read every two seconds, reheating after the cool-down. All invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loadbook.machine import Plate
from loadbook.simulate.acts import Background, Drain, Dry, Fill, Heat, Sequence, Spin, Timed, Tumbles
from loadbook.simulate.drum import Drum
from loadbook.simulate.model import Model, Step, Truth, part, phase

PUMP, VALVE, MOTOR = ("pump",), ("valve",), ("motor",)


def _plate(id: str, name: str, kind: str, **more: Any) -> Plate:
    return Plate.model_validate({"id": id, "name": name, "kind": kind} | more)


def cold_washer() -> Model:
    """A washer of 120 V and 60 Hz without a heater and without a standby on its plate: one motor for tumbling and for
    the spin, whose phases have a band of watts of their own."""
    drum = Background(drum=Drum("motor", on_s=(9, 16), off_s=(4, 7), load=(0.3, 0.55)))

    def spin(id: str, hold: tuple[float, float], longest_s: float) -> Step:
        chart = phase(id, "spin", 90, longest_s, on=PUMP, pulsing=MOTOR, power_w=(60.0, 640.0))
        return Step(chart, Spin("motor", "pump", hold, (0, 2), hold_load=0.8, low_load=0.3, peak_load=1.15))

    return Model(
        plate=_plate("mast-washer-10", "Washer 10, mast lane", "washing_machine", rated_voltage_v=120.0,
                     rated_frequency_hz=60.0, rated_power_w=720.0),
        components=(part("motor", "motor", 480.0), part("pump", "motor", 55.0), part("valve", "solenoid", 12.0)),
        programmes={
            "normal": (
                Step(phase("fill", "fill", 60, 420, on=VALVE), Fill("valve", (20, 28))),
                Step(phase("wash", "wash", 480, 1200, pulsing=MOTOR), Timed(600, 900, drum)),
                Step(phase("drain", "drain", 30, 240, on=PUMP), Drain("pump", 22.0)),
                spin("spin", (100, 150), 480),
                Step(phase("rinse-fill", "fill", 60, 420, on=VALVE), Fill("valve", (20, 28))),
                Step(phase("rinse", "rinse", 180, 600, pulsing=MOTOR), Timed(240, 400, drum)),
                Step(phase("rinse-drain", "drain", 30, 240, on=PUMP), Drain("pump", 22.0)),
                spin("last-spin", (260, 360), 900),
            ),
        },
        true={"motor": Truth((0.94, 1.04), 0.65), "pump": Truth((0.9, 1.05), 0.5), "valve": Truth((0.92, 1.06), 0.7)},
        running_w=3.1, off_w=1.2, litres_per_min=(9.0, 14.0),
    )  # fmt: skip


def plain_dishwasher() -> Model:
    """Few long phases: the heater pulses within the wash, and fill, rinse and drain are one phase. Two programmes that
    differ by how long they wash. No standby on the plate."""
    spray = Background(on={"wash_pump": 0.93})

    def wash(low_s: float, high_s: float, target_c: float) -> Step:
        act = Sequence(Timed(90, 160, spray), Heat(("heating",), target_c, spray), Timed(low_s * 0.5, low_s, spray))
        chart = phase("wash", "wash", low_s, high_s, on=("wash_pump",), pulsing=("heating",))
        return Step(chart, act)

    rinsing = Sequence(
        Drain("pump", 11.0), Fill("valve", (3.4, 4.0)), Timed(200, 260, spray), Drain("pump", 11.0),
        Fill("valve", (3.4, 4.0)), Heat(("heating",), 62.0, spray), Drain("pump", 11.0),
    )  # fmt: skip
    water = Step(phase("fill", "fill", 40, 260, on=VALVE), Fill("valve", (3.6, 4.4)))
    rinse = Step(
        phase("rinse", "rinse", 600, 2400, pulsing=("valve", "wash_pump", "pump", "heating")), rinsing
    )  # fmt: skip
    return Model(
        plate=_plate("ferry-dish-11", "Dishwasher 11, ferry house", "dishwasher", rated_power_w=2150.0),
        components=(
            part("heating", "resistive", 2000.0), part("wash_pump", "motor", 110.0), part("pump", "motor", 30.0),
            part("valve", "solenoid", 7.0),
        ),
        programmes={
            "daily": (
                water, wash(900, 2700, 58.0), rinse,
                Step(phase("dry", "dry", 900, 2400), Timed(1200, 1700)),
                Step(phase("last-drain", "drain", 10, 120, on=PUMP), Drain("pump", dry_s=(25, 45))),
            ),
            "short": (
                water, wash(300, 850, 40.0), rinse,
                Step(phase("last-drain", "drain", 10, 120, on=PUMP), Drain("pump", dry_s=(25, 45))),
            ),
        },
        true={
            "heating": Truth((0.96, 1.02)), "wash_pump": Truth((0.93, 1.04), 0.7), "pump": Truth((0.9, 1.04), 0.5),
            "valve": Truth((0.95, 1.06), 0.7),
        },
        running_w=2.4, off_w=0.5, litres_per_min=(2.8, 4.2), loss_w_per_k=2.5,
    )  # fmt: skip


def reheating_dryer() -> Model:
    """The drum starts before the heat; some days the load is not dry after the cool-down and is heated once more; the
    phases have bands of watts."""
    turning = Background(on={"motor": 0.85})

    def heat(id: str, low_s: float, high_s: float, kg: tuple[float, float], likely: float = 1.0) -> Step:
        chart = phase(id, "dry", low_s, high_s, on=MOTOR, pulsing=("heating",), optional=likely < 1.0)
        act = Sequence(Timed(4, 12, turning), Dry(("heating",), kg, turning, on_s=(70, 200), off_s=(20, 60)))
        return Step(chart, act, likely, "again" if likely < 1.0 else "")

    def cool(id: str, likely: float = 1.0) -> Step:
        chart = phase(id, "cool", 180, 700, on=MOTOR, optional=likely < 1.0, power_w=(120.0, 330.0))
        return Step(chart, Timed(260, 480, turning), likely, "again" if likely < 1.0 else "")

    return Model(
        plate=_plate("gull-dryer-12", "Dryer 12, gull row", "tumble_dryer", standby_w=1.0, rated_power_w=2700.0),
        components=(part("heating", "resistive", 2450.0), part("motor", "motor", 270.0)),
        programmes={
            "shirts": (
                heat("dry", 1200, 5400, (1.6, 2.6)), cool("cool"), heat("dry-again", 200, 1500, (0.25, 0.5), 0.5),
                cool("cool-again", 0.5),
                Step(phase("loosen", "wait", 0, 2400, pulsing=MOTOR, optional=True),
                     Tumbles("motor", 1200, 2000, rest_s=(25, 40)), 0.6),
            ),
        },
        true={"heating": Truth((0.95, 1.03)), "motor": Truth((0.95, 1.05), 0.7)},
        running_w=2.5, off_w=0.6,
    )  # fmt: skip


def odd_models() -> Mapping[str, Model]:
    """All of them by id."""
    return {m.id: m for m in (cold_washer(), plain_dishwasher(), reheating_dryer())}
