"""Machines nobody has seen: plates, charts and habits drawn from a seed, so that recognition cannot be tuned to a few.

Every phase differs from its neighbours in what draws, as charts that a person can tell by watching do.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from loadbook.machine import Component, Plate
from loadbook.simulate.acts import Background, Drain, Dry, Fill, Heat, Hold, Spin, Timed, Tumbles
from loadbook.simulate.drum import Drum
from loadbook.simulate.metering import COARSE, FULL, NO_VOLTS, PLUG, Meter
from loadbook.simulate.model import Model, Step, Truth, part, phase
from otherhands import otherhand

PUMP, VALVE, DRUM, HEAT, CIRC = ("pump_out",), ("inlet",), ("drum_motor",), ("element",), ("circulation",)
Rng = np.random.Generator
OTHER_HANDS = 1000


def _limits(rng: Rng, low_s: float, high_s: float) -> tuple[float, float]:
    """A careful owner's limits around what truly happens."""
    return float(round(low_s * rng.uniform(0.4, 0.8))), float(round(high_s * rng.uniform(1.25, 1.8) + 15))


class Maker:
    """Builds one machine; counts its phases so that ids are unique."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng([seed, 4242])
        self.count = 0
        self.flow = (float(self.rng.uniform(2.5, 6.0)), 0.0)
        self.flow = (self.flow[0], self.flow[0] * float(self.rng.uniform(1.2, 1.6)))

    def id(self, stage: str) -> str:
        self.count += 1
        return f"{stage}-{self.count}"

    def u(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def yes(self, chance: float) -> bool:
        return bool(self.rng.random() < chance)

    def timed(self, stage: str, span: tuple[float, float], what: Background, *, on: tuple[str, ...] = (),
              pulsing: tuple[str, ...] = (), likely: float = 1.0, block: str = "") -> Step:  # fmt: skip
        low_s, high_s = _limits(self.rng, *span)
        chart = phase(self.id(stage), stage, low_s, high_s, on=on, pulsing=pulsing, optional=likely < 1.0)
        return Step(chart, Timed(*span, what), likely, block)

    def fill(self, litres: float, likely: float = 1.0, block: str = "", turning: Background | None = None) -> Step:
        span = (0.9 * litres / self.flow[1] * 60, 1.1 * litres / self.flow[0] * 60)
        low_s, high_s = _limits(self.rng, *span)
        chart = phase(self.id("fill"), "fill", low_s, high_s, on=VALVE, pulsing=DRUM if turning else (),
                      optional=likely < 1.0)  # fmt: skip
        return Step(chart, Fill("inlet", (0.9 * litres, 1.1 * litres), turning or Background()), likely, block)

    def drain(self, litres: float, likely: float = 1.0, block: str = "", dry_s: float = 10.0) -> Step:
        rate = self.u(9, 18)
        span = (max(0.9 * litres, 1.0) / rate * 60 + dry_s, max(1.1 * litres, 1.0) / rate * 60 + 1.8 * dry_s)
        low_s, high_s = _limits(self.rng, *span)
        chart = phase(self.id("drain"), "drain", low_s, high_s, on=PUMP, optional=likely < 1.0)
        return Step(chart, Drain("pump_out", rate, (dry_s, 1.8 * dry_s), dry_load=self.u(0.6, 0.85)), likely, block)

    def heat(self, watts: float, litres: float, kelvin: float, what: Background, *, on: tuple[str, ...] = (),
             pulsing: tuple[str, ...] = ()) -> Step:  # fmt: skip
        need_s = litres * kelvin * 4186 / watts
        low_s, high_s = _limits(self.rng, 0.75 * need_s, 1.35 * need_s)
        breaks = (self.u(40, 90), self.u(120, 300), 3.0, 7.0) if self.yes(0.5) else None
        chart = phase(self.id("heat"), "heat", low_s, high_s, on=(*HEAT, *on), pulsing=pulsing)
        return Step(chart, Heat(HEAT, 15.0 + kelvin, what, breaks=breaks, timeout_s=1.4 * high_s))


def dishwasher(seed: int) -> Model:
    m = Maker(seed)
    heater_w, circ_w = round(m.u(1300, 2200) / 10) * 10.0, float(round(m.u(55, 140)))
    spray = Background(on={"circulation": m.u(0.85, 1.0)})
    if m.yes(0.5):
        spray = Background(alternate=("circulation", m.u(0.84, 0.9), m.u(0.95, 1.0), m.u(40, 90)))
    litres = m.u(3, 5)
    rows: list[Step] = [m.drain(0, dry_s=m.u(8, 25)), m.fill(litres)] if m.yes(0.7) else [m.fill(litres)]
    if m.yes(0.6):
        likely = 0.5 if m.yes(0.5) else 1.0
        rows += [m.timed("wash", (120, 300), spray, on=CIRC, likely=likely, block="pre"),
                 m.drain(litres, likely, "pre"), m.fill(litres, likely, "pre")]  # fmt: skip
    rows += [m.heat(heater_w, litres, m.u(35, 55), spray, on=CIRC), m.timed("wash", (500, 1100), spray, on=CIRC)]
    for _ in range(int(m.rng.integers(1, 3))):
        rows += [m.drain(litres), m.fill(litres), m.timed("rinse", (150, 400), spray, on=CIRC)]
    rows += [m.drain(litres), m.fill(litres), m.heat(heater_w, litres, m.u(35, 55), spray, on=CIRC), m.drain(litres)]
    rows.append(m.timed("dry", (700, 1700), Background()))
    rows.append(m.drain(0, dry_s=m.u(15, 40)))
    standby = round(m.u(0.0, 1.5), 1)
    return _model(
        seed, "dishwasher", standby,
        (part("element", "resistive", heater_w, low=-0.2), part("circulation", "motor", circ_w),
         part("pump_out", "motor", float(round(m.u(18, 40)))), part("inlet", "solenoid", round(m.u(6, 12), 1))),
        rows, m, fades=m.u(0.02, 0.1) if m.yes(0.4) else 0.0,
    )  # fmt: skip


def washer(seed: int) -> Model:
    m = Maker(seed)
    m.flow = (m.u(5, 8), m.u(9, 12))
    heater_w, drum_w, spin_w = (
        round(m.u(1400, 2300) / 10) * 10.0,
        float(round(m.u(180, 360))),
        float(round(m.u(350, 950))),
    )
    stroke, rest = (m.u(6, 9), m.u(11, 19)), (m.u(5, 7), m.u(8, 11))
    drum = Background(drum=Drum("drum_motor", on_s=stroke, off_s=rest, load=(m.u(0.32, 0.45), m.u(0.65, 0.85))))
    slow = Background(drum=Drum("drum_motor", on_s=(6, 9), off_s=(8, 14), load=(0.35, 0.7)))
    litres = m.u(9, 15)
    turning = slow if m.yes(0.4) else None
    rows: list[Step] = [m.drain(0, dry_s=m.u(5, 14))] if m.yes(0.6) else []
    rows += [m.fill(litres, turning=turning), m.timed("wash", (90, 200), drum, pulsing=DRUM)]
    rows.append(m.heat(heater_w, litres, m.u(15, 40), drum, pulsing=DRUM))
    if m.yes(0.3):
        low_s, high_s = _limits(m.rng, 700, 1000)
        rows.append(Step(phase(m.id("hold"), "hold", low_s, high_s, pulsing=(*HEAT, *DRUM)),
                         Hold(HEAT, 15.0 + 40.0, 700, 1000, drum, below_k=2.0)))  # fmt: skip
    else:
        rows.append(m.timed("wash", (500, 1200), drum, pulsing=DRUM))
    for n in range(int(m.rng.integers(2, 4))):
        often = (0.5, f"r{n}") if n and m.yes(0.2) else (1.0, f"r{n}")
        block = [m.drain(litres), m.fill(litres, turning=turning), m.timed("rinse", (180, 330), drum, pulsing=DRUM)]
        if m.yes(0.5):
            block.insert(1, _spin(m, (40, 80), (0, 3)))
        rows += [_often(step, *often) for step in block]
    rows += [m.drain(litres), _spin(m, (180, 320), (0, 3))]
    if m.yes(0.5):
        rows.append(m.timed("wait", (80, 180), slow, pulsing=DRUM, likely=0.7 if m.yes(0.5) else 1.0))
    return _model(
        seed, "washing_machine", round(m.u(0.3, 2.0), 1),
        (part("element", "resistive", heater_w), part("drum_motor", "motor", drum_w),
         part("spin_motor", "motor", spin_w), part("pump_out", "motor", float(round(m.u(18, 40)))),
         part("inlet", "solenoid", round(m.u(6, 12), 1))),
        rows, m,
    )  # fmt: skip


def _often(step: Step, likely: float, block: str) -> Step:
    """The step as one of an optional block."""
    chart = step.chart.model_copy(update={"optional": likely < 1.0})
    return replace(step, chart=chart, likely=likely, block=block if likely < 1.0 else "")


def _spin(m: Maker, hold: tuple[float, float], tries: tuple[int, int]) -> Step:
    chart = phase(
        m.id("spin"), "spin", 0.6 * hold[0], 2.0 * hold[1] + 110 * tries[1] + 160, on=PUMP, pulsing=("spin_motor",)
    )
    return Step(chart, Spin("spin_motor", "pump_out", hold, tries, hold_load=m.u(0.45, 0.7), low_load=m.u(0.2, 0.3)))


def dryer(seed: int) -> Model:
    m = Maker(seed)
    heater_w, drum_w = round(m.u(1600, 2900) / 10) * 10.0, float(round(m.u(170, 320)))
    turning = Background(on={"drum_motor": m.u(0.75, 0.95)})
    kg = m.u(1.2, 2.4)
    need_s = kg * 2_400_000 / (0.72 * heater_w)
    low_s, high_s = _limits(m.rng, need_s, 1.9 * need_s)
    rows = [
        Step(phase(m.id("dry"), "dry", low_s, high_s, on=DRUM, pulsing=HEAT),
             Dry(HEAT, (kg, 1.5 * kg), turning, on_s=(m.u(80, 150), m.u(160, 300)), off_s=(m.u(20, 30), m.u(35, 70)))),
        m.timed("cool", (300, 600), turning, on=DRUM),
    ]  # fmt: skip
    if m.yes(0.6):
        rows.append(Step(phase(m.id("wait"), "wait", 0, 2400, pulsing=DRUM, optional=True),
                         Tumbles("drum_motor", 800, 1800, rest_s=(20, 45)), 0.7))  # fmt: skip
    return _model(
        seed, "tumble_dryer", round(m.u(0.3, 1.5), 1),
        (part("element", "resistive", heater_w), part("drum_motor", "motor", drum_w)), rows, m,
    )  # fmt: skip


def _model(
    seed: int, kind: str, standby_w: float, parts: tuple[Component, ...], rows: list[Step], m: Maker, *,
    fades: float = 0.0
) -> Model:  # fmt: skip
    plate = Plate.model_validate(
        {"id": f"unseen-{seed}", "name": f"Unseen {seed}", "kind": kind, "standby_w": standby_w}
    )
    motor = Truth((0.94, 1.04), m.u(0.5, 0.8))
    true = {c.id: Truth((0.97, 1.03), 1.0, fades, 140.0) if c.nature == "resistive" else motor for c in parts}
    return Model(
        plate=plate, components=parts, programmes={"usual": tuple(rows)}, true=true,
        running_w=standby_w + m.u(0.2, 2.8), off_w=standby_w * m.u(0.4, 0.95), litres_per_min=m.flow,
    )  # fmt: skip


def unseen(seed: int) -> tuple[Model, Meter]:
    """A machine and its meter from a seed; from 1000 on, files as other people would write them."""
    if seed >= OTHER_HANDS:
        return otherhand(seed)
    model = (washer, dishwasher, dryer)[seed % 3](seed)
    return model, (FULL, FULL, NO_VOLTS, PLUG, COARSE)[(seed // 3) % 5]


def unseen_models(count: int, first: int = 0) -> Iterator[tuple[Model, Meter]]:
    for seed in range(first, first + count):
        yield unseen(seed)
