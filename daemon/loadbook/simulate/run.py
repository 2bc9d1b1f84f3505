"""One run: a clock in quarter seconds, the parts' health, the water in the tub, and everything that was drawn.

The controller (``acts``) asks for parts; what they draw depends on their health and the supply. Both are kept, what
was asked for and what was drawn, because the truth needs both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from loadbook.simulate.model import WATER_J_PER_L_K, Model, Truth
from loadbook.simulate.supply import Supply, solve

DT_S = 0.25
Array = npt.NDArray[np.float64]
BOARD = "board"
"""Display, lock and electronics: a part of every machine that no chart names."""


class GaveUpError(Exception):
    """The controller gave up: it stops everything and stays on standby."""


@dataclass(frozen=True)
class Health:
    """What is wrong with a part: its watts times ``scale`` from ``from_s`` on; ``stuck`` draws without being asked
    from the first time it was asked for. Keyed by part, or by ``part@phase`` for one phase only (seconds then count
    from the phase's start)."""

    scale: float = 1.0
    from_s: float = 0.0
    until_s: float = float("inf")
    stuck: bool = False


@dataclass
class Stay:
    """One phase as it was: steps of ``DT_S`` from ``start`` to ``end``; ``last_action`` is the end of its last draw."""

    id: str
    stage: str
    start: int
    end: int = 0
    programme: str = ""
    cycle: int = 0


@dataclass
class Played:
    """One cycle as it was: which programme, its steps from start to end, and how it went."""

    programme: str
    start: int
    end: int = 0
    outcome: str = "completed"
    skipped: tuple[str, ...] = ()


@dataclass
class Run:
    """State while a run is made; see the module's text."""

    model: Model
    seed: int
    supply: Supply
    health: Mapping[str, Health] = field(default_factory=dict)
    patience: float = 1.0
    """Factor on every time-out of the controller: very large for one that never gives up."""
    n: int = 0
    phase_id: str = ""
    litres: float = 0.0
    water_c: float = 15.0
    stays: list[Stay] = field(default_factory=list)
    cycles: list[Played] = field(default_factory=list)
    lengthen: dict[str, float] = field(default_factory=dict)
    """Factor on the time of a phase, by phase id (a fault)."""
    cut_after: dict[str, float] = field(default_factory=dict)
    """Seconds after which the controller leaves a phase, by phase id (a fault)."""
    outages: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Supply lost (seconds into the phase, for how many seconds), by phase id; the machine goes on afterwards."""
    pauses: dict[str, tuple[float, float]] = field(default_factory=dict)
    """All parts stand still (door opened, paused), as ``outages``; the board goes on."""
    phase_start: int = 0
    lost: list[tuple[int, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng([self.seed, 1])
        self.parts = [c.id for c in self.model.components] + [BOARD]
        self.index = {p: i for i, p in enumerate(self.parts)}
        rng = np.random.default_rng([self.seed, 2])
        built = [self.model.true.get(p, Truth()) for p in self.parts]
        self.true_w = np.array(
            [c.rated_w * rng.uniform(*b.scale) for c, b in zip(self.model.components, built, strict=False)] + [1.0]
        )
        self.built = built
        self.resistive = np.array([c.nature == "resistive" for c in self.model.components] + [False])
        rated_v = np.array([self.model.machine.rated_voltage_v(c) for c in self.model.components] + [1.0])
        self.siemens = np.where(self.resistive, self.true_w / rated_v**2, 0.0)
        pf = np.array([b.power_factor for b in built[:-1]] + [0.55])
        self.tan_phi = np.sqrt(1.0 / pf**2 - 1.0)
        self.inlet_c = float(rng.uniform(*self.model.inlet_c))
        self.water_c = self.inlet_c
        self.flow_l_s = float(rng.uniform(*self.model.litres_per_min)) / 60.0
        self.board_w = self.model.off_w
        self._asked: list[Array] = []
        self._part_w: list[Array] = []
        self._volts: list[Array] = []
        self._var: list[Array] = []
        self._warm_s = np.zeros(len(self.parts))
        self._seen: set[str] = set()

    @property
    def now_s(self) -> float:
        return self.n * DT_S

    def draw(self, seconds: float, **asked: float | Array) -> dict[str, Array]:
        """Let ``seconds`` pass with parts asked for (1.0 is the part's true full load; an array has one value per
        step). Returns the watts each named part really drew; water is heated by the resistive ones."""
        steps = max(1, round(seconds / DT_S))
        for breaks in (self.outages, self.pauses):
            broken = breaks.get(self.phase_id)
            if broken and (self.n - self.phase_start + steps) * DT_S > broken[0]:
                del breaks[self.phase_id]
                return self._draw_around(steps, broken, asked, dark=breaks is self.outages)
        want = np.zeros((len(self.parts), steps))
        for name, level in asked.items():
            want[self.index[name]] = level if np.isscalar(level) else np.asarray(level)[:steps]
        want[-1] = self.board_w
        t_s = np.asarray((self.n + np.arange(steps)) * DT_S, dtype=np.float64)
        share = want.copy()
        self._seen |= asked.keys()
        for key, ill in self.health.items():
            name, _, phase_id = key.partition("@")
            if phase_id and phase_id != self.phase_id:
                continue
            row, since_s = self.index[name], t_s - (self.phase_start * DT_S if phase_id else 0.0)
            when = (since_s >= ill.from_s) & (since_s < ill.until_s)
            if ill.stuck and (phase_id or name in self._seen):
                share[row] = np.where(when, np.maximum(share[row], 1.0), share[row])
            share[row] = np.where(when, share[row] * ill.scale, share[row])
        self._fade(share, steps)
        open_v = self.supply.open_circuit_v(t_s)
        flow = solve(
            open_v, self.supply.source_ohm, share * self.siemens[:, None],
            share * np.where(self.resistive, 0.0, self.true_w)[:, None], self.tan_phi,
        )  # fmt: skip
        self._asked.append(want)
        self._part_w.append(flow.part_w)
        self._volts.append(flow.volts)
        self._var.append(flow.reactive_var)
        self.n += steps
        self._heat_water(flow.part_w, steps)
        return {name: flow.part_w[self.index[name]] for name in self.parts}

    def _draw_around(
        self, steps: int, broken: tuple[float, float], asked: dict[str, float | Array], *, dark: bool
    ) -> dict[str, Array]:
        first = min(max(round(broken[0] / DT_S) - (self.n - self.phase_start), 0), steps)

        def piece(part: slice) -> dict[str, float | Array]:
            return {k: v if np.isscalar(v) else np.asarray(v)[part] for k, v in asked.items()}  # type: ignore[misc]

        got = [self.draw(first * DT_S, **piece(slice(0, first)))] if first else []
        if dark:
            self._outage(round(broken[1] / DT_S))
        else:
            self.draw(broken[1])
        if steps > first:
            got.append(self.draw((steps - first) * DT_S, **piece(slice(first, steps))))
        return {name: np.concatenate([g[name] for g in got]) for name in got[0]}

    def _outage(self, steps: int) -> None:
        self.lost.append((self.n, self.n + steps))
        nothing = np.zeros((len(self.parts), steps))
        self._asked.append(nothing)
        self._part_w.append(nothing)
        self._volts.append(np.zeros(steps))
        self._var.append(np.zeros(steps))
        self.n += steps

    def _fade(self, share: Array, steps: int) -> None:
        """Heaters whose watts fall as they warm; they recover while off."""
        for row, built in enumerate(self.built):
            if not built.fades:
                continue
            on = share[row] > 0
            warm = self._warm_s[row] + np.cumsum(np.where(on, DT_S, -3 * DT_S))
            warm = np.clip(warm, 0.0, 6 * built.fades_s)
            share[row] *= 1.0 - built.fades * (1.0 - np.exp(-warm / built.fades_s))
            self._warm_s[row] = warm[-1]

    def _heat_water(self, part_w: Array, steps: int) -> None:
        if self.litres <= 0.5:
            return
        joules = float(part_w[self.resistive].sum()) * DT_S
        lost = self.model.loss_w_per_k * max(self.water_c - 20.0, 0.0) * steps * DT_S
        self.water_c = min(self.water_c + (joules - lost) / (self.litres * WATER_J_PER_L_K), 99.0)

    def add_water(self, litres: float) -> None:
        """Cold water runs in."""
        whole = self.litres + litres
        if whole > 0:
            self.water_c = (self.litres * self.water_c + litres * self.inlet_c) / whole
        self.litres = whole

    def alive(self, name: str) -> bool:
        """Whether the part does its work at all just now (the controller's sensors would notice)."""
        ill = self.health.get(name)  # what strikes in one phase only is too new for the controller to know
        return ill is None or not (ill.from_s <= self.now_s < ill.until_s) or ill.scale > 0.2

    def span(self, low: float, high: float) -> float:
        """How many seconds the phase that runs now takes this time, faults of its length included."""
        return self.cap(float(self.rng.uniform(low, high)) * self.lengthen.get(self.phase_id, 1.0))

    def cap(self, seconds: float) -> float:
        """``seconds``, but no longer than a fault of the controller lets the phase that runs now go on."""
        return min(seconds, self.cut_after.get(self.phase_id, float("inf")))

    def finish(self) -> Recorded:
        """Everything as whole arrays."""
        return Recorded(
            run=self,
            asked=np.concatenate(self._asked, axis=1),
            part_w=np.concatenate(self._part_w, axis=1),
            volts=np.concatenate(self._volts),
            reactive_var=np.concatenate(self._var),
        )


@dataclass
class Recorded:
    """A finished run. ``asked`` and ``part_w`` are [part, step], ``volts`` and ``reactive_var`` [step]."""

    run: Run
    asked: Array
    part_w: Array
    volts: Array
    reactive_var: Array

    @property
    def t_s(self) -> Array:
        return np.asarray(np.arange(self.volts.size) * DT_S, dtype=np.float64)

    def watts(self, name: str) -> Array:
        return np.asarray(self.part_w[self.run.index[name]], dtype=np.float64)
