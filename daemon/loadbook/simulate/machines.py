"""The workshop's own three machines, invented: a washer, a dishwasher, a dryer. Harder ones are in ``hard``.

A chart's ``min_s`` and ``max_s`` are what a careful owner would write: wide enough for a slow tap and a cold winter.
"""

from __future__ import annotations

from loadbook.machine import Plate
from loadbook.simulate.acts import Background, Drain, Dry, Fill, Heat, Spin, Timed, Tumbles
from loadbook.simulate.drum import Drum
from loadbook.simulate.model import Model, Step, Truth, part, phase

REMARK = """{}

An invented machine: copy the file and put your machine's own rating plates in. Watts and volts are from the plates of
the parts, times in seconds from a few good cycles (`loadbook learn` can fill them in). This file is written by
`python -m loadbook.simulate.write`, because the replay logs are made from the same figures."""


def washer() -> Model:
    """A front-loading washer of 230 V with a reversing drum: one warm programme, one cold and short."""
    drum = Background(drum=Drum("drum_motor", load=(0.42, 0.8)))
    gentle = Background(drum=Drum("drum_motor", on_s=(6.0, 10.0), off_s=(6.0, 10.0), load=(0.42, 0.75)))

    def rinse(n: int) -> tuple[Step, ...]:
        return (
            Step(phase(f"drain-{n}", "drain", 15, 120, on=("drain_pump",)), Drain("drain_pump")),
            Step(phase(f"rinse-fill-{n}", "fill", 40, 300, on=("inlet_valve",)), Fill("inlet_valve", (13, 16))),
            Step(phase(f"rinse-{n}", "rinse", 150, 420, pulsing=("drum_motor",)), Timed(200, 330, drum)),
        )

    end = (
        Step(phase("drain-3", "drain", 15, 120, on=("drain_pump",)), Drain("drain_pump", dry_s=(4, 8))),
        Step(
            phase("spin", "spin", 200, 900, on=("drain_pump",), pulsing=("spin_motor",)),
            Spin("spin_motor", "drain_pump", hold_s=(240, 300), tries=(0, 2)),
        ),
        Step(
            phase("loosen", "wait", 40, 240, pulsing=("drum_motor",), optional=True),
            Timed(70, 140, gentle),
            likely=0.8,
        ),
    )
    return Model(
        plate=Plate.model_validate(
            {
                "id": "quay-washer-1", "name": "Washer 1, quay side", "kind": "washing_machine", "standby_w": 1.1,
                "rated_power_w": 2250.0, "capacity_kg": 8.0,
            }
        ),
        components=(
            part("heater", "resistive", 1900.0), part("drum_motor", "motor", 240.0), part("spin_motor", "motor", 620.0),
            part("drain_pump", "motor", 34.0), part("inlet_valve", "solenoid", 9.0),
        ),
        programme_names={"mixed-40": "Mixed 40", "quick-cold": "Quick, cold"},
        programmes={
            "mixed-40": (
                Step(phase("first-drain", "drain", 4, 60, on=("drain_pump",)), Drain("drain_pump", dry_s=(6, 14))),
                Step(phase("fill", "fill", 40, 300, on=("inlet_valve",)), Fill("inlet_valve", (12, 15))),
                Step(phase("soak-in", "wash", 90, 260, pulsing=("drum_motor",)), Timed(130, 200, drum)),
                Step(
                    phase("main-heat", "heat", 360, 1500, on=("heater",), pulsing=("drum_motor",)),
                    Heat(("heater",), 40.0, drum),
                ),
                Step(phase("main-wash", "wash", 700, 1500, pulsing=("drum_motor",)), Timed(900, 1200, drum)),
                *rinse(1), *rinse(2), *end,
            ),
            "quick-cold": (
                Step(phase("first-drain", "drain", 4, 60, on=("drain_pump",)), Drain("drain_pump", dry_s=(6, 14))),
                Step(phase("fill", "fill", 40, 300, on=("inlet_valve",)), Fill("inlet_valve", (12, 15))),
                Step(phase("wash", "wash", 500, 1000, pulsing=("drum_motor",)), Timed(600, 800, drum)),
                *rinse(1), *end,
            ),
        },
        true={
            "heater": Truth((0.96, 1.02)), "drum_motor": Truth((0.97, 1.05), 0.62),
            "spin_motor": Truth((0.9, 1.0), 0.66),
            "drain_pump": Truth((0.9, 1.04), 0.45), "inlet_valve": Truth((0.92, 1.06), 0.7),
        },
        running_w=3.4, off_w=0.7,
        remark=REMARK.format("Washer 1 of Quay Street: a front-loading washer with a reversing drum."),
    )  # fmt: skip


def dishwasher() -> Model:
    """A dishwasher of 230 V that heats twice, dries by its own warmth and pumps out once more at the end."""
    spray = Background(on={"circulation_pump": 0.97})
    return Model(
        plate=Plate.model_validate(
            {
                "id": "harbour-dish-2", "name": "Dishwasher 2, harbour kitchen", "kind": "dishwasher", "standby_w": 0.8,
                "rated_power_w": 2000.0, "place_settings": 13,
            }
        ),
        components=(
            part("heater", "resistive", 1820.0), part("circulation_pump", "motor", 92.0),
            part("drain_pump", "motor", 36.0), part("inlet_valve", "solenoid", 8.0),
        ),
        programme_names={"daily-60": "Daily 60"},
        programmes={
            "daily-60": (
                Step(phase("first-drain", "drain", 8, 60, on=("drain_pump",)), Drain("drain_pump", dry_s=(12, 20))),
                Step(phase("fill", "fill", 30, 240, on=("inlet_valve",)), Fill("inlet_valve", (3.8, 4.4))),
                Step(phase("pre-wash", "wash", 60, 300, on=("circulation_pump",)), Timed(110, 180, spray)),
                Step(
                    phase("main-heat", "heat", 300, 1200, on=("heater", "circulation_pump")),
                    Heat(("heater",), 60.0, spray),
                ),
                Step(phase("main-wash", "wash", 600, 1300, on=("circulation_pump",)), Timed(800, 1000, spray)),
                Step(phase("drain-1", "drain", 15, 120, on=("drain_pump",)), Drain("drain_pump", 10.0)),
                Step(phase("rinse-fill", "fill", 30, 240, on=("inlet_valve",)), Fill("inlet_valve", (3.6, 4.2))),
                Step(phase("rinse", "rinse", 150, 400, on=("circulation_pump",)), Timed(200, 300, spray)),
                Step(phase("drain-2", "drain", 15, 120, on=("drain_pump",)), Drain("drain_pump", 10.0)),
                Step(phase("hot-fill", "fill", 30, 240, on=("inlet_valve",)), Fill("inlet_valve", (3.6, 4.2))),
                Step(
                    phase("hot-rinse", "heat", 300, 1300, on=("heater", "circulation_pump")),
                    Heat(("heater",), 65.0, spray),
                ),
                Step(phase("drain-3", "drain", 15, 120, on=("drain_pump",)), Drain("drain_pump", 10.0)),
                Step(phase("drying", "dry", 900, 2100), Timed(1100, 1800)),
                Step(phase("last-drain", "drain", 10, 90, on=("drain_pump",)), Drain("drain_pump", dry_s=(20, 35))),
            ),
        },
        true={
            "heater": Truth((0.95, 1.02)), "circulation_pump": Truth((0.92, 1.06), 0.78),
            "drain_pump": Truth((0.88, 1.0), 0.5), "inlet_valve": Truth((0.92, 1.06), 0.7),
        },
        running_w=2.6, off_w=0.4,
        remark=REMARK.format("Dishwasher 2 of Quay Street: heats twice, dries by its own warmth, pumps out once more."),
        litres_per_min=(2.6, 4.2), loss_w_per_k=2.5,
    )  # fmt: skip


def dryer() -> Model:
    """An air-vented dryer of 230 V: heat cycled by its thermostat, a cool-down, then anti-crease tumbling."""
    return Model(
        plate=Plate.model_validate(
            {
                "id": "quay-dryer-3", "name": "Dryer 3, quay side", "kind": "tumble_dryer", "standby_w": 0.9,
                "rated_power_w": 2600.0, "capacity_kg": 7.0,
            }
        ),
        components=(part("heater", "resistive", 2300.0), part("drum_motor", "motor", 250.0)),
        programme_names={"cupboard-dry": "Cupboard dry"},
        programmes={
            "cupboard-dry": (
                Step(
                    phase("drying", "dry", 1500, 6000, on=("drum_motor",), pulsing=("heater",)),
                    Dry(("heater",), (1.6, 3.0), Background(on={"drum_motor": 0.8})),
                ),
                Step(
                    phase("cool-down", "cool", 400, 900, on=("drum_motor",)),
                    Timed(540, 660, Background(on={"drum_motor": 0.72})),
                ),
                Step(
                    phase("anti-crease", "wait", 0, 1800, pulsing=("drum_motor",), optional=True),
                    Tumbles("drum_motor", 900, 1500, load=0.7),
                    likely=0.8,
                ),
            ),
        },
        true={"heater": Truth((0.96, 1.02)), "drum_motor": Truth((0.95, 1.08), 0.72)},
        running_w=3.0, off_w=0.5,
        remark=REMARK.format("Dryer 3 of Quay Street: air-vented, its thermostat cycles the heater."),
    )  # fmt: skip
