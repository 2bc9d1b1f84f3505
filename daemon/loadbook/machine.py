"""A machine file: what is on the rating plates, and the programme charts (contract, section 2).

Pure: takes TOML text and gives checked, unchanging objects. Electrical bands are worked out in ``loadbook.judge``.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AliasChoices, Field, model_validator

from loadbook.checked import Strict, parse_toml

Kind = Literal["washing_machine", "dishwasher", "tumble_dryer", "washer_dryer", "other"]
Nature = Literal["resistive", "motor", "solenoid", "electronics"]
Stage = Literal["drain", "fill", "wash", "heat", "hold", "rinse", "spin", "dry", "cool", "wait"]

Id = Annotated[str, Field(pattern=r"^[a-z0-9-]+$", max_length=64)]
PartId = Annotated[str, Field(pattern=r"^[a-z0-9_-]+$", max_length=64)]
Watts = Annotated[float, Field(gt=0, le=100_000)]
Volts = Annotated[float, Field(ge=50, le=500)]

QUIET_W = 5.0
"""A phase whose ``on`` parts sum to at most this, and in which nothing pulses, is quiet (contract, section 2)."""


class Tolerance(Strict):
    """Deviation allowed, as a fraction of the plate: ``low`` at most 0, ``high`` at least 0."""

    low: float | None = Field(default=None, le=0, ge=-1)
    high: float | None = Field(default=None, ge=0, le=10)


class Component(Strict):
    """One part that draws power, from its rating plate."""

    id: PartId
    nature: Nature
    rated_w: Watts
    name: str | None = None
    rated_voltage_v: Volts | None = None
    tolerance: Tolerance | None = None


class Band(Strict):
    """Watts from ``low`` to ``high``."""

    low: float | None = Field(default=None, ge=0)
    high: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low ({self.low:g}) is above high ({self.high:g}); swap them")
        return self


class PhaseChart(Strict):
    """One phase of a programme: which parts draw, and for how long."""

    id: PartId
    stage: Stage
    name: str | None = None
    on: tuple[PartId, ...] = ()
    pulsing: tuple[PartId, ...] = ()
    min_s: float = Field(default=0.0, ge=0, le=86_400)
    max_s: float = Field(gt=0, le=86_400)
    usual_s: float | None = Field(default=None, gt=0, le=86_400)
    """How long it usually takes, as learned from good cycles: tells phases apart that look alike, judges nothing."""
    rest_s: float | None = Field(default=None, gt=0, le=86_400)
    """The longest rest of its pulsing motor in good cycles, where that is more than a reversing drum's."""
    optional: bool = False
    power_w: Band | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.min_s > self.max_s:
            raise ValueError(f"min_s ({self.min_s:g}) is above max_s ({self.max_s:g}); swap them")
        if self.usual_s is not None and not self.min_s <= self.usual_s <= self.max_s:
            raise ValueError(f"usual_s ({self.usual_s:g}) is outside min_s to max_s; correct one of them")
        both = set(self.on) & set(self.pulsing)
        if both:
            raise ValueError(f"{sorted(both)[0]!r} is in on and in pulsing; keep one")
        return self


class Label(Strict):
    """What the energy label or the maker's sheet states for a programme; every field optional.

    ``eco`` marks the programme the EU label is tested with; its energy then gives index and class. Washing machines
    are tested full, half full and a quarter full: the three figures make the weighted one where that is not stated.
    """

    eco: bool = False
    energy_kwh: float | None = Field(default=None, gt=0)
    energy_full_kwh: float | None = Field(default=None, gt=0)
    energy_half_kwh: float | None = Field(default=None, gt=0)
    energy_quarter_kwh: float | None = Field(default=None, gt=0)
    water_l: float | None = Field(default=None, gt=0)
    duration_min: float | None = Field(default=None, gt=0)


class Programme(Strict):
    """A programme chart: phases in order."""

    id: Id
    name: str | None = None
    phases: tuple[PhaseChart, ...] = Field(min_length=1, validation_alias=AliasChoices("phase", "phases"))
    label: Label | None = None
    heated_water_l: float | None = Field(default=None, gt=0, le=500)
    temperature_rise_k: float | None = Field(default=None, gt=0, le=100)

    @model_validator(mode="after")
    def _unique(self) -> Self:
        seen: set[str] = set()
        for phase in self.phases:
            if phase.id in seen:
                raise ValueError(f"two phases have the id {phase.id!r}; give each its own")
            seen.add(phase.id)
        if all(p.optional for p in self.phases):
            raise ValueError("every phase is optional; at least one must be needed")
        return self

    def longest_s(self) -> float:
        """The sum of the phases' ``max_s``: a cycle longer than that never ends."""
        return sum(p.max_s for p in self.phases)


class Plate(Strict):
    """The machine itself, from its own rating plate."""

    id: Id
    name: str
    kind: Kind
    rated_voltage_v: Volts = 230.0
    rated_frequency_hz: float = Field(default=50.0, ge=40, le=70)
    standby_w: float | None = Field(default=None, ge=0, le=100)
    rated_power_w: Watts | None = None
    place: str | None = None
    capacity_kg: float | None = Field(default=None, gt=0, le=50)
    drying_capacity_kg: float | None = Field(default=None, gt=0, le=50)
    place_settings: int | None = Field(default=None, gt=0, le=50)
    width_cm: float | None = Field(default=None, gt=0, le=300)


class Machine(Strict):
    """A whole machine file."""

    machine: Plate
    components: tuple[Component, ...] = Field(default=(), validation_alias=AliasChoices("component", "components"))
    programmes: tuple[Programme, ...] = Field(default=(), validation_alias=AliasChoices("programme", "programmes"))

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        parts: set[str] = set()
        for part in self.components:
            if part.id in parts:
                raise ValueError(f"two components have the id {part.id!r}; give each its own")
            parts.add(part.id)
        ids: set[str] = set()
        for programme in self.programmes:
            if programme.id in ids:
                raise ValueError(f"two programmes have the id {programme.id!r}; give each its own")
            ids.add(programme.id)
            for phase in programme.phases:
                for name in (*phase.on, *phase.pulsing):
                    if name not in parts:
                        raise ValueError(
                            f"programme {programme.id!r}, phase {phase.id!r} names the component {name!r}, "
                            f"which no [[component]] has; the file has {', '.join(sorted(parts)) or 'none'}"
                        )
        return self

    @property
    def id(self) -> str:
        return self.machine.id

    def component(self, part_id: str) -> Component:
        """The component of that id. Raises KeyError."""
        for part in self.components:
            if part.id == part_id:
                return part
        raise KeyError(part_id)

    def programme(self, programme_id: str) -> Programme:
        """The programme of that id. Raises KeyError."""
        for programme in self.programmes:
            if programme.id == programme_id:
                return programme
        raise KeyError(programme_id)

    def rated_voltage_v(self, part: Component) -> float:
        """A part's rated voltage: its own, or the machine's."""
        return part.rated_voltage_v or self.machine.rated_voltage_v

    def is_quiet(self, phase: PhaseChart) -> bool:
        """Soak or passive drying: the parts that are on sum to at most 5 W and nothing pulses."""
        return not phase.pulsing and sum(self.component(p).rated_w for p in phase.on) <= QUIET_W


def parse_machine(text: str, name: str) -> Machine:
    """A machine from the text of its file. ``name`` is the file's name, for errors. Raises InputError."""
    return parse_toml(text, Machine, name)
