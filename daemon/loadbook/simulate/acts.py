"""What a machine's controller really does in a phase: fill, circulate, heat, drain, spin, dry, wait.

Each act is a small table of figures and ``go(run)``. Durations follow from physics where they do in a machine: filling
from the tap's flow, heating from watts, litres and degrees, draining from litres, drying from the water in the load.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from loadbook.simulate.drum import Array, Drum, ramp_up, steady
from loadbook.simulate.model import EVAPORATION_J_PER_KG, Act
from loadbook.simulate.run import DT_S, GaveUpError, Run


@dataclass(frozen=True)
class Background:
    """What goes on meanwhile: parts that run all along (with their load) and a drum that turns."""

    on: dict[str, float] = field(default_factory=dict)
    drum: Drum | None = None
    alternate: tuple[str, float, float, float] | None = None
    """(part, load 1, load 2, seconds): a circulation that changes between two spray levels."""

    def levels(self, run: Run, steps: int) -> dict[str, Array]:
        out = {name: steady(run.rng, steps, load) for name, load in self.on.items()}
        if self.alternate:
            name, one, two, each_s = self.alternate
            turn = ((np.arange(steps) * DT_S) // each_s) % 2
            out[name] = steady(run.rng, steps, 1.0) * np.where(turn == 0, one, two)
        if self.drum:
            name, level = self.drum.levels(run.rng, steps)
            out[name] = level
        return out


NOTHING = Background()


def _cut(levels: dict[str, Array], first: int, last: int) -> dict[str, Array]:
    return {name: level[first:last] for name, level in levels.items()}


@dataclass(frozen=True)
class Timed:
    """Something that simply runs for a time."""

    low_s: float
    high_s: float
    meanwhile: Background = NOTHING

    def go(self, run: Run) -> None:
        seconds = run.span(self.low_s, self.high_s)
        run.draw(seconds, **self.meanwhile.levels(run, round(seconds / DT_S) + 1))


class Sequence:
    """Acts one after the other within one phase."""

    def __init__(self, *acts: Act) -> None:
        self.acts = acts

    def go(self, run: Run) -> None:
        for act in self.acts:
            act.go(run)


@dataclass(frozen=True)
class Fill:
    """The inlet valve is open until the level is reached; without water the controller gives up."""

    valve: str
    litres: tuple[float, float]
    meanwhile: Background = NOTHING
    timeout_s: float = 480.0
    needs_valve: bool = True

    def go(self, run: Run) -> None:
        litres = float(run.rng.uniform(*self.litres))
        seconds = run.cap(litres / run.flow_l_s * run.lengthen.get(run.phase_id, 1.0))
        dead = not run.alive(self.valve)
        if dead:
            seconds = self.timeout_s * run.patience
        levels = self.meanwhile.levels(run, round(seconds / DT_S) + 1)
        run.draw(seconds, **levels, **{self.valve: 1.0})
        if dead:
            raise GaveUpError
        run.add_water(litres)


@dataclass(frozen=True)
class Heat:
    """The heater runs until the water is warm (litres times degrees over watts), in one go or in fragments.

    ``breaks`` is (every low s, every high s, off low s, off high s): short interruptions by the controller.
    After ``timeout_s`` it goes on all the same, as most controllers do, or gives up.
    """

    heaters: tuple[str, ...]
    target_c: float
    meanwhile: Background = NOTHING
    breaks: tuple[float, float, float, float] | None = None
    timeout_s: float = 2400.0
    gives_up: bool = False

    def go(self, run: Run) -> None:
        timeout_s = run.cap(self.timeout_s * run.patience)
        levels = self.meanwhile.levels(run, round(timeout_s / DT_S) + 200)
        target_c = run.water_c + (self.target_c - run.water_c) * run.lengthen.get(run.phase_id, 1.0)
        start, piece_s = run.n, 5.0
        next_break = self._next(run)
        while True:
            done = run.n - start
            left_s = timeout_s - done * DT_S
            if run.water_c >= target_c or left_s <= 0:
                break
            seconds = min(piece_s, left_s, max(next_break - done * DT_S, DT_S))
            rate = self._kelvin_per_s(run)
            if rate > 0:
                seconds = min(seconds, max((target_c - run.water_c) / rate, DT_S))
            steps = max(1, round(seconds / DT_S))
            run.draw(seconds, **_cut(levels, done, done + steps), **dict.fromkeys(self.heaters, 1.0))
            done += steps
            if self.breaks and done * DT_S >= next_break and run.water_c < target_c:
                off = round(float(run.rng.uniform(*self.breaks[2:])) / DT_S)
                run.draw(off * DT_S, **_cut(levels, done, done + off))
                next_break = (done + off) * DT_S + self._next(run)
        if run.water_c < target_c and self.gives_up and run.phase_id not in run.cut_after:
            raise GaveUpError

    def _next(self, run: Run) -> float:
        return float(run.rng.uniform(*self.breaks[:2])) if self.breaks else float("inf")

    def _kelvin_per_s(self, run: Run) -> float:
        rows = [run.index[h] for h in self.heaters]
        watts = sum(run.siemens[r] * run.supply.open_v**2 for r in rows if run.alive(run.parts[r]))
        return float(watts) / (max(run.litres, 1.0) * 4186.0)


@dataclass(frozen=True)
class Hold:
    """The thermostat holds the temperature: the heater comes on ``below_k`` under the target and goes off at it."""

    heaters: tuple[str, ...]
    target_c: float
    low_s: float
    high_s: float
    meanwhile: Background = NOTHING
    below_k: float = 1.5

    def go(self, run: Run) -> None:
        seconds = run.span(self.low_s, self.high_s)
        levels = self.meanwhile.levels(run, round(seconds / DT_S) + 40)
        start, on = run.n, False
        while (run.n - start) * DT_S < seconds:
            done = run.n - start
            if run.water_c < self.target_c - self.below_k:
                on = True
            elif run.water_c >= self.target_c:
                on = False
            piece = min(4.0, seconds - done * DT_S)
            steps = max(1, round(piece / DT_S))
            heat = dict.fromkeys(self.heaters if on else (), 1.0)
            run.draw(piece, **_cut(levels, done, done + steps), **heat)


@dataclass(frozen=True)
class Drain:
    """The drain pump draws most under water and less as it runs dry (common practice, no source)."""

    pump: str
    litres_per_min: float = 16.0
    dry_s: tuple[float, float] = (5.0, 15.0)
    least_l: float = 1.0
    dry_load: float = 0.72
    meanwhile: Background = NOTHING
    timeout_s: float = 240.0
    gives_up: bool = True

    def go(self, run: Run) -> None:
        wet_s = max(run.litres, self.least_l) / self.litres_per_min * 60.0
        dead = not run.alive(self.pump)
        whole_s = run.cap((wet_s + float(run.rng.uniform(*self.dry_s))) * run.lengthen.get(run.phase_id, 1.0))
        if dead:
            whole_s = self.timeout_s * run.patience
        steps = max(1, round(whole_s / DT_S))
        at = np.arange(steps) * DT_S
        load = np.where(at < wet_s * run.lengthen.get(run.phase_id, 1.0), 1.0, self.dry_load)
        load = np.convolve(np.pad(load, (8, 7), "edge"), np.full(16, 1 / 16), "valid")
        load = load * steady(run.rng, steps, 1.0, noise=0.012)
        levels = self.meanwhile.levels(run, steps)
        run.draw(whole_s, **levels, **{self.pump: load})
        if dead and self.gives_up:
            raise GaveUpError
        if not dead:
            run.litres = 0.0


@dataclass(frozen=True)
class Spin:
    """Distribute, ramp up, hold, coast; in several tries where the load will not balance. The drain pump runs along
    (or in bursts). ``loads`` are shares of the spin motor's plate."""

    motor: str
    pump: str | None
    hold_s: tuple[float, float]
    tries: tuple[int, int] = (0, 1)
    ramp_s: tuple[float, float] = (30.0, 60.0)
    distribute_s: tuple[float, float] = (20.0, 40.0)
    low_load: float = 0.25
    hold_load: float = 0.62
    peak_load: float = 0.95
    coast_s: tuple[float, float] = (8.0, 14.0)
    try_s: tuple[float, float] = (12.0, 30.0)

    def go(self, run: Run) -> None:
        rng = run.rng
        parts: list[Array] = []
        for _ in range(int(rng.integers(self.tries[0], self.tries[1] + 1))):
            parts += [self._distribute(rng), ramp_up(rng, rng.uniform(*self.try_s), self.low_load, 0.6)]
            parts.append(np.zeros(round(rng.uniform(*self.coast_s) / DT_S)))
        parts += [self._distribute(rng), ramp_up(rng, rng.uniform(*self.ramp_s), self.low_load, self.peak_load)]
        hold = steady(rng, round(run.span(*self.hold_s) / DT_S), self.hold_load, noise=0.02)
        parts += [hold, np.zeros(round(rng.uniform(*self.coast_s) / DT_S))]
        level = np.concatenate(parts)
        level = level[: max(1, round(run.cap(level.size * DT_S) / DT_S))]
        pump = {self.pump: steady(rng, level.size, 0.74, noise=0.02)} if self.pump else {}
        run.draw(level.size * DT_S, **{self.motor: level}, **pump)

    def _distribute(self, rng: np.random.Generator) -> Array:
        return steady(rng, round(rng.uniform(*self.distribute_s) / DT_S), self.low_load, noise=0.06)


@dataclass(frozen=True)
class Dry:
    """Hot air over turning laundry: water leaves at watts over heat of evaporation, the thermostat cycles the heater,
    and rests it the longer the drier the load. ``useful`` is the share of the heat that evaporates water; a heat
    pump's is above one. With ``reverse_every_s`` the drum stops shortly to turn round."""

    heaters: tuple[str, ...]
    water_kg: tuple[float, float]
    meanwhile: Background
    useful: float = 0.72
    on_s: tuple[float, float] = (160.0, 180.0)
    off_s: tuple[float, float] = (20.0, 36.0)
    reverse_every_s: float = 0.0
    reverse_s: float = 2.5
    drum: str = "drum_motor"
    timeout_s: float = 9000.0

    def go(self, run: Run) -> None:
        water = float(run.rng.uniform(*self.water_kg)) * run.lengthen.get(run.phase_id, 1.0)
        limit_s = run.cap(self.timeout_s * min(run.patience, 4.0))
        levels = self.meanwhile.levels(run, round(limit_s / DT_S) + 400)
        if self.reverse_every_s:
            at_s = np.arange(levels[self.drum].size) * DT_S
            levels[self.drum][(at_s % self.reverse_every_s) > self.reverse_every_s - self.reverse_s] = 0.0
        whole, start, heat_on = water, run.n, True
        while water > 0 and (run.n - start) * DT_S < limit_s:
            done = run.n - start
            dryness = 1.0 - water / whole
            span = self.on_s if heat_on else (self.off_s[0], self.off_s[1] * (1.0 + 0.5 * dryness))
            seconds = min(float(run.rng.uniform(*span)), max(limit_s - done * DT_S, DT_S))
            steps = max(1, round(seconds / DT_S))
            drawn = run.draw(seconds, **_cut(levels, done, done + steps), **dict.fromkeys(self.heaters * heat_on, 1.0))
            water -= sum(float(drawn[h].sum()) for h in self.heaters) * DT_S * self.useful / EVAPORATION_J_PER_KG
            heat_on = not heat_on


@dataclass(frozen=True)
class Tumbles:
    """Anti-crease: the drum rests long, then turns for some seconds, again and again; it ends with a turn."""

    motor: str
    low_s: float
    high_s: float
    turn_s: tuple[float, float] = (8.0, 12.0)
    rest_s: tuple[float, float] = (18.0, 30.0)
    load: float = 0.8

    def go(self, run: Run) -> None:
        whole, start = run.span(self.low_s, self.high_s), run.n
        while True:
            run.draw(float(run.rng.uniform(*self.rest_s)))
            turn = float(run.rng.uniform(*self.turn_s))
            run.draw(turn, **{self.motor: steady(run.rng, round(turn / DT_S), self.load, inrush=1.8)})
            if (run.n - start) * DT_S + self.rest_s[1] + self.turn_s[1] > whole:
                break
