"""Machines that are hard to read, invented for the bench: what real ones do that naive designs break on.

A drum that turns while it fills, spins in several tries, heat in fragments, spray arms in turn, a heater that fades,
optional blocks, drying at the off level, a 240 V dryer of 60 Hz, a washer-dryer, programmes that begin alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loadbook.machine import Component, Plate
from loadbook.simulate.acts import Background, Drain, Dry, Fill, Heat, Hold, Sequence, Spin, Timed, Tumbles
from loadbook.simulate.drum import Drum
from loadbook.simulate.model import Model, Step, Truth, part, phase

PUMP, VALVE, DRUM, HEAT = ("drain_pump",), ("inlet_valve",), ("drum_motor",), ("heater",)
WASHER_TRUE = {
    "heater": Truth((0.95, 1.03)), "drum_motor": Truth((0.95, 1.1), 0.6), "spin_motor": Truth((0.9, 1.05), 0.64),
    "drain_pump": Truth((0.85, 1.05), 0.45), "inlet_valve": Truth((0.9, 1.08), 0.7),
}  # fmt: skip


def _plate(id: str, name: str, kind: str, standby_w: float, **more: Any) -> Plate:
    return Plate.model_validate({"id": id, "name": name, "kind": kind, "standby_w": standby_w} | more)


def _washer_parts(
    heater_w: float, drum_w: float, spin_w: float, pump_w: float, valve_w: float
) -> tuple[Component, ...]:
    return (
        part("heater", "resistive", heater_w), part("drum_motor", "motor", drum_w), part("spin_motor", "motor", spin_w),
        part("drain_pump", "motor", pump_w), part("inlet_valve", "solenoid", valve_w),
    )  # fmt: skip


def restless_washer() -> Model:
    """Turns the drum while filling; heats in fragments of minutes with breaks of 3 to 7 s; spins in several tries."""
    drum = Background(drum=Drum("drum_motor", on_s=(6, 14), off_s=(5, 9), load=(0.35, 0.85)))
    slow = Background(drum=Drum("drum_motor", on_s=(6, 9), off_s=(9, 14), load=(0.35, 0.7)))

    def rinse(n: int, optional: bool = False) -> tuple[Step, ...]:
        likely = 0.5 if optional else 1.0
        return (
            Step(
                phase(f"spin-{n}", "spin", 60, 420, on=PUMP, pulsing=("spin_motor",)),
                Spin("spin_motor", "drain_pump", hold_s=(40, 70), tries=(0, 3), ramp_s=(15, 30), hold_load=0.5),
            ),
            Step(
                phase(f"rinse-{n}", "rinse", 180, 600, on=(), pulsing=("inlet_valve", "drum_motor"), optional=optional),
                Sequence(Fill("inlet_valve", (9, 12), slow), Timed(180, 240, drum)),
                likely,
            ),
            Step(phase(f"drain-{n}", "drain", 12, 120, on=PUMP, optional=optional), Drain("drain_pump"), likely),
        )

    return Model(
        plate=_plate("mole-washer-4", "Washer 4, on the mole", "washing_machine", 1.4, rated_power_w=2100.0),
        components=_washer_parts(1750, 310, 980, 29, 7.5),
        programmes={
            "family-60": (
                Step(phase("first-drain", "drain", 4, 60, on=PUMP), Drain("drain_pump", dry_s=(6, 14))),
                Step(phase("fill", "fill", 40, 330, on=VALVE, pulsing=DRUM), Fill("inlet_valve", (10, 13), slow)),
                Step(phase("soften", "wash", 60, 240, pulsing=DRUM), Timed(100, 160, drum)),
                Step(
                    phase("heat", "heat", 500, 2400, on=HEAT, pulsing=DRUM),
                    Heat(("heater",), 60.0, drum, breaks=(40.0, 240.0, 3.0, 7.0), timeout_s=3200),
                ),
                Step(phase("wash", "wash", 480, 1200, pulsing=DRUM), Timed(600, 900, drum)),
                Step(phase("drain-0", "drain", 15, 120, on=PUMP), Drain("drain_pump")),
                *rinse(1), *rinse(2),
                Step(
                    phase("last-spin", "spin", 240, 1000, on=PUMP, pulsing=("spin_motor",)),
                    Spin("spin_motor", "drain_pump", hold_s=(200, 320), tries=(1, 3)),
                ),
                Step(phase("loosen", "wait", 60, 300, pulsing=DRUM), Timed(120, 180, slow)),
            ),
        },
        true=WASHER_TRUE, running_w=4.1, off_w=0.9,
    )  # fmt: skip


def spray_dishwasher() -> Model:
    """Spray arms in turn (66 and 73 W), a heater that fades by 15 % in minutes, optional blocks, drying at 0 W as off
    is, half an hour long, and a last drain."""
    spray = Background(alternate=("circulation_pump", 0.88, 0.973, 60.0))
    soft = Background(on={"circulation_pump": 0.88})
    return Model(
        plate=_plate("lamp-dish-5", "Dishwasher 5, lamp house", "dishwasher", 0.0, rated_power_w=1900.0),
        components=(
            part("heater", "resistive", 1750.0, low=-0.25), part("circulation_pump", "motor", 75.0),
            part("drain_pump", "motor", 26.0), part("inlet_valve", "solenoid", 8.5),
            part("softener_valve", "solenoid", 6),
        ),
        programmes={
            "supper-65": (
                Step(phase("first-drain", "drain", 10, 90, on=PUMP), Drain("drain_pump", dry_s=(15, 30))),
                Step(
                    phase("pre-fill", "fill", 40, 240, on=VALVE, optional=True), Fill("inlet_valve", (3, 4)), 0.5, "pre"
                ),
                Step(
                    phase("pre-rinse", "rinse", 120, 420, on=("circulation_pump",), optional=True),
                    Timed(180, 300, soft), 0.5, "pre",
                ),
                Step(phase("pre-drain", "drain", 15, 120, on=PUMP, optional=True), Drain("drain_pump", 10), 0.5, "pre"),
                Step(phase("fill", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (4, 5))),
                Step(
                    phase("heat", "heat", 420, 1800, on=("heater", "circulation_pump")),
                    Heat(("heater",), 65.0, spray, breaks=(60.0, 300.0, 3.0, 7.0)),
                ),
                Step(phase("wash", "wash", 600, 1500, on=("circulation_pump",)), Timed(800, 1100, spray)),
                Step(phase("drain-1", "drain", 20, 120, on=PUMP), Drain("drain_pump", 10)),
                Step(phase("rinse-fill", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (3.6, 4.2))),
                Step(phase("rinse", "rinse", 180, 600, on=("circulation_pump",)), Timed(240, 420, spray)),
                Step(phase("drain-2", "drain", 20, 120, on=PUMP), Drain("drain_pump", 10)),
                Step(phase("hot-fill", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (3.6, 4.2))),
                Step(
                    phase("hot-rinse", "heat", 420, 1800, on=("heater", "circulation_pump")),
                    Heat(("heater",), 68.0, spray, breaks=(60.0, 300.0, 3.0, 7.0)),
                ),
                Step(phase("drain-3", "drain", 20, 120, on=PUMP), Drain("drain_pump", 10)),
                Step(phase("drying", "dry", 1500, 2400), Timed(1700, 2000)),
                Step(phase("last-drain", "drain", 10, 90, on=PUMP), Drain("drain_pump", dry_s=(25, 45))),
            ),
        },
        true={
            "heater": Truth((0.99, 1.03), fades=0.15, fades_s=140.0), "circulation_pump": Truth((0.99, 1.01), 0.75),
            "drain_pump": Truth((0.95, 1.05), 0.5), "inlet_valve": Truth((0.95, 1.05), 0.7),
        },
        running_w=0.0, off_w=0.0, litres_per_min=(2.4, 4.0), loss_w_per_k=2.5,
    )  # fmt: skip


def heavy_dryer() -> Model:
    """A dryer of 240 V and 60 Hz with 5 kW, a burst of reversing every few minutes, and long anti-crease tumbling."""
    return Model(
        plate=_plate(
            "wharf-dryer-6", "Dryer 6, outer wharf", "tumble_dryer", 0.6,
            rated_voltage_v=240.0, rated_frequency_hz=60.0, rated_power_w=5600.0,
        ),
        components=(part("heater", "resistive", 5200.0), part("drum_motor", "motor", 330.0)),
        programmes={
            "towels": (
                Step(
                    phase("heating", "dry", 900, 4200, on=DRUM, pulsing=HEAT),
                    Dry(("heater",), (2.2, 4.0), Background(on={"drum_motor": 0.85}), on_s=(90, 240), off_s=(30, 70),
                        reverse_every_s=240.0),
                ),
                Step(phase("cool", "cool", 240, 720, on=DRUM), Timed(300, 600, Background(on={"drum_motor": 0.8}))),
                Step(
                    phase("crease-guard", "wait", 0, 3000, pulsing=DRUM, optional=True),
                    Tumbles("drum_motor", 1800, 2700, turn_s=(12, 16), rest_s=(44, 50)), 0.7,
                ),
            ),
        },
        true={"heater": Truth((0.95, 1.03)), "drum_motor": Truth((0.95, 1.05), 0.7)},
        running_w=2.2, off_w=0.4,
    )  # fmt: skip


def heat_pump_dryer() -> Model:
    """A dryer with a compressor whose load climbs for minutes, a fan of its own, no heater at all."""
    turning = Background(on={"drum_motor": 0.9, "fan": 0.95, "compressor": 0.9})
    cooling = Background(on={"drum_motor": 0.9, "fan": 0.95})
    return Model(
        plate=_plate("quay-dryer-9", "Dryer 9, heat pump", "tumble_dryer", 0.5, rated_power_w=900.0),
        components=(
            part("compressor", "motor", 520.0), part("drum_motor", "motor", 180.0), part("fan", "motor", 70.0),
        ),
        programmes={
            "linen": (
                Step(
                    phase("drying", "dry", 2400, 9000, on=("compressor", "drum_motor", "fan")),
                    Timed(4000, 6500, turning),
                ),
                Step(phase("cool", "cool", 240, 720, on=("drum_motor", "fan")), Timed(360, 540, cooling)),
            ),
        },
        true={
            "compressor": Truth((0.9, 1.02), 0.85), "drum_motor": Truth((0.9, 1.02), 0.7),
            "fan": Truth((0.9, 1.02), 0.6),
        },
        running_w=2.8, off_w=0.4,
    )  # fmt: skip


def washer_dryer() -> Model:
    """Washes, spins, then dries with a heater and a fan of its own."""
    drum = Background(drum=Drum("drum_motor", load=(0.4, 0.8)))
    airy = Background(on={"fan": 0.95}, drum=Drum("drum_motor", on_s=(20, 40), off_s=(3, 6), load=(0.45, 0.7)))
    return Model(
        plate=_plate("tern-combi-7", "Washer-dryer 7, tern house", "washer_dryer", 1.0, rated_power_w=2300.0),
        components=(
            *_washer_parts(2000, 270, 700, 31, 8), part("air_heater", "resistive", 1300.0), part("fan", "motor", 48.0),
        ),
        programmes={
            "wash-and-dry": (
                Step(phase("fill", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (11, 14))),
                Step(phase("heat", "heat", 300, 1500, on=HEAT, pulsing=DRUM), Heat(("heater",), 38.0, drum)),
                Step(
                    phase("hold", "hold", 700, 1500, pulsing=("heater", "drum_motor")),
                    Hold(("heater",), 38.5, 900, 1200, drum, below_k=2.0),
                ),
                Step(phase("drain", "drain", 15, 120, on=PUMP), Drain("drain_pump")),
                Step(phase("rinse-fill", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (12, 15))),
                Step(phase("rinse", "rinse", 200, 500, pulsing=DRUM), Timed(260, 380, drum)),
                Step(phase("rinse-drain", "drain", 15, 120, on=PUMP), Drain("drain_pump", dry_s=(4, 8))),
                Step(
                    phase("spin", "spin", 200, 900, on=PUMP, pulsing=("spin_motor",)),
                    Spin("spin_motor", "drain_pump", hold_s=(200, 300), tries=(0, 2)),
                ),
                Step(
                    phase("dry", "dry", 1500, 7200, on=("fan",), pulsing=("air_heater", "drum_motor")),
                    Dry(("air_heater",), (1.0, 1.7), airy, on_s=(200, 400), off_s=(25, 60)),
                ),
                Step(phase("cool", "cool", 200, 700, on=("fan",), pulsing=DRUM), Timed(300, 500, airy)),
            ),
        },
        true=WASHER_TRUE | {"air_heater": Truth((0.96, 1.02)), "fan": Truth((0.9, 1.05), 0.6)},
        running_w=3.6, off_w=0.7, loss_w_per_k=8.0,
    )  # fmt: skip


def many_programmes() -> Model:
    """Four programmes that begin alike and part ways late: by how long they heat, how many rinses they have."""
    drum = Background(drum=Drum("drum_motor", load=(0.4, 0.8)))

    water = (
        Step(phase("first-drain", "drain", 4, 60, on=PUMP), Drain("drain_pump", dry_s=(6, 14))),
        Step(phase("fill", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (11, 14))),
    )
    start = (*water, Step(phase("wet", "wash", 60, 240, pulsing=DRUM), Timed(100, 180, drum)))

    def heated(target_c: float, low_s: float, high_s: float) -> Step:
        return Step(phase("heat", "heat", low_s, high_s, on=HEAT, pulsing=DRUM), Heat(("heater",), target_c, drum))

    def rinses(count: int) -> tuple[Step, ...]:
        out: list[Step] = []
        for n in range(1, count + 1):
            out += [
                Step(phase(f"drain-{n}", "drain", 15, 120, on=PUMP), Drain("drain_pump")),
                Step(phase(f"fill-{n}", "fill", 40, 300, on=VALVE), Fill("inlet_valve", (11, 14))),
                Step(phase(f"rinse-{n}", "rinse", 150, 420, pulsing=DRUM), Timed(200, 330, drum)),
            ]
        return (
            *out,
            Step(phase("last-drain", "drain", 15, 120, on=PUMP), Drain("drain_pump", dry_s=(4, 8))),
            Step(
                phase("spin", "spin", 150, 900, on=PUMP, pulsing=("spin_motor",)),
                Spin("spin_motor", "drain_pump", hold_s=(150, 260), tries=(0, 2)),
            ),
        )

    wash = Step(phase("wash", "wash", 600, 1500, pulsing=DRUM), Timed(800, 1200, drum))
    short = Step(phase("wash", "wash", 240, 560, pulsing=DRUM), Timed(300, 480, drum))
    return Model(
        plate=_plate("pier-washer-8", "Washer 8, at the pier", "washing_machine", 1.0, rated_power_w=2200.0),
        components=_washer_parts(1850, 250, 640, 33, 8.0),
        programmes={
            "cotton-60": (*start, heated(60.0, 900, 2400), wash, *rinses(3)),
            "cotton-40": (*start, heated(40.0, 360, 1300), wash, *rinses(2)),
            "quick-30": (*start, heated(30.0, 150, 800), short, *rinses(1)),
            "cold": (*water, Step(phase("turn", "wash", 300, 900, pulsing=DRUM), Timed(600, 850, drum)), *rinses(2)),
        },
        true=WASHER_TRUE, running_w=3.2, off_w=0.6,
    )  # fmt: skip


def hard_models() -> Mapping[str, Model]:
    """All of them by id."""
    models = (
        restless_washer(), spray_dishwasher(), heavy_dryer(), heat_pump_dryer(), washer_dryer(), many_programmes(),
    )  # fmt: skip
    return {m.id: m for m in models}
