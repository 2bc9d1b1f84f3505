"""Machines and machine files as other people would write them, drawn from a seed: few long phases or many short ones,
tight or loose limits, tumble and spin as two parts, as one with a band of watts or as two speeds, files with and
without a standby, one to three programmes, 230 V, 240 V 60 Hz or 120 V, every kind of meter.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from loadbook.machine import Component, Plate
from loadbook.simulate.acts import Background, Drain, Dry, Fill, Heat, Sequence, Spin, Timed, Tumbles
from loadbook.simulate.drum import Drum
from loadbook.simulate.metering import COARSE, FULL, NO_VOLTS, PLUG, TWO_SECONDS, Meter
from loadbook.simulate.model import Act, Model, Step, Truth, part, phase

Span = tuple[float, float]
UNEVEN = Meter(interval_s=(1.0, 2.0), power_step_w=0.5, columns=("power_w", "voltage_v"))
METERS = (FULL, FULL, UNEVEN, TWO_SECONDS, NO_VOLTS, PLUG, COARSE)
NAMES = (
    {"heat": "heater", "drum": "drum_motor", "spin": "spin_motor", "circ": "circulation_pump", "pump": "drain_pump",
     "valve": "inlet_valve", "fan": "fan"},
    {"heat": "heating-element", "drum": "motor", "spin": "motor-spin", "circ": "wash-pump", "pump": "pump",
     "valve": "valve", "fan": "blower"},
    {"heat": "element", "drum": "main_motor", "spin": "main_motor_fast", "circ": "circulation", "pump": "drain",
     "valve": "water_valve", "fan": "fan_motor"},
)  # fmt: skip


class Hand:
    """One author: a way of naming, of cutting a programme into phases and of setting limits."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.rng = np.random.default_rng([seed, 99])
        self.name = NAMES[int(self.rng.integers(len(NAMES)))]
        self.below, self.above = [(0.85, 1.12), (0.6, 1.4), (0.6, 1.5), (0.25, 3.0)][int(self.rng.integers(4))]
        self.long = self.yes(0.4)
        """Few long phases."""
        self.flow: Span = (self.u(4, 6), self.u(7, 10))
        self.rest_s = self.u(0.5, 4.0) if self.yes(0.5) else 0.0
        """All stands still for so long between two phases."""
        self.parts: dict[str, Component] = {}
        self.true: dict[str, Truth] = {}

    def u(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def yes(self, chance: float) -> bool:
        return bool(self.rng.random() < chance)

    def watts(self, low: float, high: float, step: float = 1.0) -> float:
        return float(round(self.u(low, high) / step) * step)

    def part(self, role: str, nature: str, watts: float, scale: Span = (0.94, 1.04), factor: float = 0.65) -> str:
        name = self.name[role]
        self.parts[role] = part(name, nature, watts)
        self.true[name] = Truth((0.96, 1.03)) if nature == "resistive" else Truth(scale, factor)
        return name

    def step(self, id: str, stage: str, span: Span, *acts: Act, on: tuple[str, ...] = (), pulsing: tuple[str, ...] = (),
             likely: float = 1.0, block: str = "", power_w: Span | None = None) -> Step:  # fmt: skip
        """``span`` is how long the acts truly take; the author's limits lie around it."""
        low_s = max(float(round(span[0] * self.below - 2)), 0.0)
        high_s = float(round((span[1] + self.rest_s) * self.above + 8))
        chart = phase(id, stage, low_s, high_s, on=tuple(self.name[r] for r in on),
                      pulsing=tuple(self.name[r] for r in pulsing), optional=likely < 1.0, power_w=power_w)  # fmt: skip
        every = (*acts, Timed(self.rest_s, self.rest_s)) if self.rest_s else acts
        return Step(chart, Sequence(*every), likely, block)

    # what machines do, each with how long it takes

    def fill(self, litres: float, what: Background | None = None) -> tuple[Span, Act]:
        span = (0.93 * litres / self.flow[1] * 60, 1.07 * litres / self.flow[0] * 60)
        return span, Fill(self.name["valve"], (0.93 * litres, 1.07 * litres), what or Background())

    def drain(self, litres: float) -> tuple[Span, Act]:
        rate, dry = self.u(10, 18), self.u(5, 14)
        wet_s = max(litres, 1.0) / rate * 60
        act = Drain(self.name["pump"], rate, (dry, 1.7 * dry), dry_load=self.u(0.62, 0.9))
        return (0.9 * wet_s + dry, 1.1 * wet_s + 1.7 * dry), act

    def heat(self, litres: float, from_c: float, to_c: float, what: Background) -> tuple[Span, Act]:
        kelvin, watts = to_c - from_c, self.parts["heat"].rated_w
        need_s = litres * kelvin * 4186 / watts
        breaks = (self.u(40, 90), self.u(120, 300), 3.0, 7.0) if self.yes(0.35) else None
        act = Heat((self.name["heat"],), to_c, what, breaks=breaks, timeout_s=2.2 * need_s + 60)
        return (0.8 * need_s, 1.4 * need_s + 20), act

    def limits(self, *spans: Span) -> Span:
        return sum(s[0] for s in spans), sum(s[1] for s in spans)


def dishwasher(h: Hand) -> list[list[Step]]:
    h.part("heat", "resistive", h.watts(1500, 2200, 10))
    h.part("circ", "motor", h.watts(50, 150))
    h.part("pump", "motor", h.watts(20, 42), (0.88, 1.02), 0.5)
    h.part("valve", "solenoid", h.watts(5.5, 11, 0.5))
    spray = Background(on={h.name["circ"]: h.u(0.85, 1.0)})
    if h.yes(0.4):
        spray = Background(alternate=(h.name["circ"], h.u(0.82, 0.9), h.u(0.94, 1.0), h.u(40, 90)))
    litres, dry_s = h.u(3.0, 4.6), (h.u(900, 1200), h.u(1300, 2000))
    hot_c, first, pre, last = h.u(45, 66), h.yes(0.5), h.yes(0.35), h.yes(0.7)

    def water(id: str) -> Step:
        span, act = h.fill(litres)
        return h.step(id, "fill", span, act, on=("valve",))

    def out(id: str, much: float = litres) -> Step:
        span, act = h.drain(much)
        return h.step(id, "drain", span, act, on=("pump",))

    def programme(hot: float, minutes: Span, rinses: int, dries: bool) -> list[Step]:
        rows: list[Step] = [out("drain-start", 0.0)] if first else []
        rows.append(water("fill"))
        if pre and dries:
            rows += [replace(h.step("prewash", "wash", (150, 260), Timed(150, 260, spray), on=("circ",), likely=0.6),
                             block="pre"),
                     _maybe(out("prewash-drain"), 0.6, "pre"), _maybe(water("prewash-fill"), 0.6, "pre")]  # fmt: skip
        wash_s = (minutes[0] * 60, minutes[1] * 60)
        warm_s, warm = h.heat(litres, 15, hot, spray)
        if h.long:
            rows.append(h.step("wash", "wash", h.limits(wash_s, warm_s), warm, Timed(*wash_s, spray), on=("circ",),
                               pulsing=("heat",)))  # fmt: skip
        else:
            rows += [h.step("heat", "heat", warm_s, warm, on=("heat", "circ")),
                     h.step("wash", "wash", wash_s, Timed(*wash_s, spray), on=("circ",))]  # fmt: skip
        for n in range(1, rinses + 1):
            rows += [out(f"drain-{n}"), water(f"rinse-fill-{n}"),
                     h.step(f"rinse-{n}", "rinse", (160, 330), Timed(160, 330, spray), on=("circ",))]  # fmt: skip
        hot_s, hotter = h.heat(litres, 15, hot + 4, spray)
        rows += [out("drain-hot"), water("hot-fill")]
        if h.long:
            tail, act = h.drain(litres)
            rows.append(h.step("hot-rinse", "rinse", h.limits(hot_s, (100, 160), tail), hotter, Timed(100, 160, spray),
                               act, pulsing=("circ", "heat", "pump")))  # fmt: skip
        else:
            rows += [h.step("hot-rinse", "heat", hot_s, hotter, on=("heat", "circ")), out("drain-end")]
        if dries:
            rows.append(h.step("drying", "dry", dry_s, Timed(*dry_s)))
        return [*rows, out("last-drain", 0.0)] if last and dries else rows

    if not last:
        return [programme(hot_c, (10, 18), int(h.rng.integers(1, 3)), False)]
    every = [programme(hot_c, (10, 18), int(h.rng.integers(1, 3)), True)]
    if h.yes(0.4):
        every.append(programme(hot_c - 8, (4, 7), 1, False))
    return every


def _maybe(step: Step, likely: float, block: str) -> Step:
    return replace(step, chart=step.chart.model_copy(update={"optional": True}), likely=likely, block=block)


def washer(h: Hand, us: bool) -> list[list[Step]]:
    cold = us or h.yes(0.1)
    if not cold:
        h.part("heat", "resistive", h.watts(1500, 2300, 10))
    drum_w = h.watts(180, 420)
    h.part("drum", "motor", drum_w)
    style = ("two", "band", "two speeds")[int(h.rng.integers(3))]
    if style != "band":
        h.part("spin", "motor", h.watts(1.6, 2.6) * drum_w)
    h.part("pump", "motor", h.watts(22, 40), (0.88, 1.02), 0.5)
    h.part("valve", "solenoid", h.watts(6, 12, 0.5))
    stroke = (h.u(6, 9), h.u(11, 18)), (h.u(4, 6), h.u(7, 11))
    drum = Background(drum=Drum(h.name["drum"], *stroke, load=(h.u(0.32, 0.42), h.u(0.6, 0.85))))
    slow = Background(drum=Drum(h.name["drum"], (6, 9), (8, 14), load=(0.35, 0.6)))
    litres, turning = h.u(9, 16), h.yes(0.35)
    first, loosen = h.yes(0.5), h.yes(0.5)

    def water(id: str) -> Step:
        span, act = h.fill(litres, slow if turning else None)
        return h.step(id, "fill", span, act, on=("valve",), pulsing=("drum",) if turning else ())

    def spin(id: str, hold: Span, tries: int) -> Step:
        span = (hold[0] + 70, hold[1] + 130 + 85 * tries)
        if style == "band":
            act = Spin(h.name["drum"], h.name["pump"], hold, (0, tries), hold_load=1.5, low_load=0.4, peak_load=2.2)
            band = (round(0.2 * drum_w), round(2.9 * drum_w + 40))
            return h.step(id, "spin", span, act, on=("pump",), pulsing=("drum",), power_w=band)
        load = h.u(0.5, 0.75)
        act = Spin(h.name["spin"], h.name["pump"], hold, (0, tries), hold_load=load, low_load=0.25)
        both = ("drum", "spin") if style == "two speeds" else ("spin",)
        return h.step(id, "spin", span, act, on=("pump",), pulsing=both)

    def rinse(n: int) -> list[Step]:
        gone, act = h.drain(litres)
        filled, fill = h.fill(litres, slow)
        if h.long:
            return [h.step(f"rinse-{n}", "rinse", h.limits(gone, filled, (180, 300)), act, fill, Timed(180, 300, drum),
                           pulsing=("pump", "valve", "drum"))]  # fmt: skip
        rows = [h.step(f"drain-{n}", "drain", gone, act, on=("pump",))]
        if n > 1 and h.yes(0.4):
            rows.append(spin(f"short-spin-{n}", (40, 80), 2))
        return [*rows, water(f"rinse-fill-{n}"),
                h.step(f"rinse-{n}", "rinse", (180, 300), Timed(180, 300, drum), pulsing=("drum",))]  # fmt: skip

    def programme(to_c: float, minutes: Span, rinses: int) -> list[Step]:
        start, act = h.drain(0.0)
        rows = [h.step("first-drain", "drain", start, act, on=("pump",))] if first else []
        rows.append(water("fill"))
        wash_s = (minutes[0] * 60, minutes[1] * 60)
        if cold:
            rows.append(h.step("wash", "wash", wash_s, Timed(*wash_s, drum), pulsing=("drum",)))
        else:
            warm_s, warm = h.heat(litres, 15, to_c, drum)
            if h.long:
                rows.append(h.step("wash", "wash", h.limits((100, 180), warm_s, wash_s), Timed(100, 180, drum), warm,
                                   Timed(*wash_s, drum), pulsing=("drum", "heat")))  # fmt: skip
            else:
                rows += [h.step("wet", "wash", (100, 180), Timed(100, 180, drum), pulsing=("drum",)),
                         h.step("heat", "heat", warm_s, warm, on=("heat",), pulsing=("drum",)),
                         h.step("wash", "wash", wash_s, Timed(*wash_s, drum), pulsing=("drum",))]  # fmt: skip
        for n in range(1, rinses + 1):
            rows += rinse(n)
        gone, act = h.drain(litres)
        rows += [h.step("last-drain", "drain", gone, act, on=("pump",)), spin("spin", (180, 300), 2)]
        if loosen:
            rows.append(h.step("loosen", "wait", (80, 150), Timed(80, 150, slow), pulsing=("drum",), likely=0.7))
        return rows

    every = [programme(h.u(38, 60), (12, 20), int(h.rng.integers(2, 4)))]
    if h.yes(0.4):
        every.append(programme(30, (5, 8), 1))
    return every


def dryer(h: Hand, us: bool) -> list[list[Step]]:
    heat_w = h.watts(4200, 5400, 50) if us else h.watts(1700, 2800, 10)
    h.part("heat", "resistive", heat_w)
    drum_w = h.watts(180, 340)
    h.part("drum", "motor", drum_w)
    if h.yes(0.3):
        h.part("fan", "motor", h.watts(40, 90))
    on = ("drum", "fan") if "fan" in h.parts else ("drum",)
    turning = Background(on={h.name[r]: h.u(0.78, 0.95) for r in on})
    kg = h.u(1.3, 2.4) * (2.0 if us else 1.0)
    need_s = kg * 2_400_000 / (0.72 * heat_w)
    lead = Timed(2, 8, turning)
    hot = Dry((h.name["heat"],), (kg, 1.4 * kg), turning, on_s=(h.u(70, 140), h.u(160, 280)), off_s=(22, h.u(35, 70)),
              drum=h.name["drum"])  # fmt: skip
    band = (round(0.5 * drum_w), round(1.4 * drum_w + 100)) if h.yes(0.3) else None
    rows = [
        h.step("drying", "dry", (need_s, 1.8 * need_s + 60), lead, hot, on=on, pulsing=("heat",)),
        h.step("cool-down", "cool", (300, 560), Timed(300, 560, turning), on=on, power_w=band),
    ]
    if h.yes(0.6):
        act = Tumbles(h.name["drum"], 700, 1700, rest_s=(20, h.u(30, 48)))
        step = h.step("anti-crease", "wait", (0, 1700), act, pulsing=("drum",), likely=0.6)
        rows.append(step)
    return [rows]


def otherhand(seed: int) -> tuple[Model, Meter]:
    """A machine and its meter from a seed."""
    h = Hand(seed)
    kind = ("dishwasher", "washing_machine", "tumble_dryer")[seed % 3]
    us = kind != "dishwasher" and h.yes(0.25)
    charts = {"dishwasher": lambda: dishwasher(h), "washing_machine": lambda: washer(h, us),
              "tumble_dryer": lambda: dryer(h, us)}[kind]()  # fmt: skip
    standby_w = round(h.u(0.3, 2.0), 1) if h.yes(0.75) else None
    idle_w = standby_w if standby_w is not None else h.u(0.4, 1.6)
    plate: dict[str, object] = {"id": f"unseen-{seed}", "name": f"Unseen {seed}", "kind": kind}
    if us:
        plate |= {"rated_voltage_v": 240.0 if kind == "tumble_dryer" else 120.0, "rated_frequency_hz": 60.0}
    if standby_w is not None:
        plate["standby_w"] = standby_w
    model = Model(
        plate=Plate.model_validate(plate), components=tuple(h.parts.values()),
        programmes={f"programme-{n}": tuple(rows) for n, rows in enumerate(charts, 1)}, true=h.true,
        running_w=idle_w + h.u(0.2, 2.5), off_w=idle_w * h.u(0.5, 0.95), litres_per_min=h.flow,
    )  # fmt: skip
    return model, METERS[int(h.rng.integers(len(METERS)))]
