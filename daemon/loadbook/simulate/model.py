"""What a simulated machine is: its chart (what the machine file says) and its true self (what the parts really do)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from loadbook.machine import Band, Component, Machine, PhaseChart, Plate, Programme, Tolerance

if TYPE_CHECKING:
    from loadbook.simulate.run import Run

WATER_J_PER_L_K = 4186.0
"""Specific heat of water per litre and kelvin (textbook value, 4.186 kJ/(kg K))."""
EVAPORATION_J_PER_KG = 2_400_000.0
"""Heat to evaporate water from laundry at 50 to 60 degrees (textbook value, about 2.4 MJ/kg)."""


class Act(Protocol):
    """How the machine really goes through a phase: appends to the run until the phase is over."""

    def go(self, run: Run) -> None: ...


@dataclass(frozen=True)
class Step:
    """One phase: its row of the chart, and what truly happens in it. ``likely`` is how often an optional one comes;
    the phases of one ``block`` come together or not at all."""

    chart: PhaseChart
    act: Act
    likely: float = 1.0
    block: str = ""


@dataclass(frozen=True)
class Truth:
    """A part as built: ``scale`` is the range of its true watts over the plate, ``power_factor`` its own."""

    scale: tuple[float, float] = (0.97, 1.03)
    power_factor: float = 1.0
    fades: float = 0.0
    """A heater that loses this share of its watts while it warms."""
    fades_s: float = 150.0


@dataclass(frozen=True)
class Model:
    """A machine. ``running_w`` is what display, lock and board draw in a cycle, ``off_w`` when it has powered down."""

    plate: Plate
    components: tuple[Component, ...]
    programmes: dict[str, tuple[Step, ...]]
    programme_names: dict[str, str] = field(default_factory=dict)
    true: dict[str, Truth] = field(default_factory=dict)
    running_w: float = 3.0
    off_w: float = 0.6
    litres_per_min: tuple[float, float] = (6.0, 9.0)
    inlet_c: tuple[float, float] = (12.0, 18.0)
    loss_w_per_k: float = 3.0
    remark: str = ""
    """Comment at the top of its machine file."""

    @property
    def id(self) -> str:
        return self.plate.id

    @property
    def machine(self) -> Machine:
        """The machine file as an object."""
        programmes = tuple(
            Programme.model_validate(
                {"id": pid, "name": self.programme_names.get(pid), "phases": tuple(s.chart for s in steps)}
            )
            for pid, steps in self.programmes.items()
        )
        return Machine.model_validate({"machine": self.plate, "components": self.components, "programmes": programmes})


def phase(
    id: str,
    stage: str,
    min_s: float,
    max_s: float,
    *,
    on: tuple[str, ...] = (),
    pulsing: tuple[str, ...] = (),
    optional: bool = False,
    power_w: tuple[float, float] | None = None,
) -> PhaseChart:
    """A row of a chart, shortly written."""
    band = None if power_w is None else Band(low=power_w[0], high=power_w[1])
    return PhaseChart.model_validate(
        {
            "id": id, "stage": stage, "on": on, "pulsing": pulsing, "min_s": min_s, "max_s": max_s,
            "optional": optional, "power_w": band,
        }
    )  # fmt: skip


def part(id: str, nature: str, rated_w: float, low: float | None = None, high: float | None = None) -> Component:
    """A component, shortly written; ``low`` and ``high`` are its own tolerance as fractions."""
    own = None if low is None and high is None else Tolerance(low=low, high=high)
    return Component.model_validate({"id": id, "nature": nature, "rated_w": rated_w, "tolerance": own})


def machine_toml(model: Model, remark: str = "") -> str:
    """The machine file of a model as TOML text."""
    plate = model.plate.model_dump(exclude_none=True)
    lines = [f"# {line}".rstrip() for line in remark.splitlines()] + ([""] if remark else [])
    lines += ["[machine]", *(f"{k} = {_toml(v)}" for k, v in plate.items())]
    for component in model.components:
        lines += ["", "[[component]]"]
        for key, value in component.model_dump(exclude_none=True).items():
            lines.append(f"{key} = {_toml(value)}")
    for programme in model.machine.programmes:
        lines += ["", "[[programme]]", f"id = {_toml(programme.id)}"]
        if programme.name:
            lines.append(f"name = {_toml(programme.name)}")
        for row in programme.phases:
            lines += ["", "[[programme.phase]]"]
            for key, value in row.model_dump(exclude_none=True).items():
                if value not in ((), False) or (key in ("min_s",)):
                    lines.append(f"{key} = {_toml(value)}")
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return repr(value)
