"""The EU energy label's figures: standard consumption, index and class from the eco programme's stated energy.

Decimal throughout and half up, as the regulations round: in floats the index 41.25 and the standard consumption 0.7525
would fall on the wrong side. A label test is a laboratory's load under a laboratory's conditions, so none of these
figures is worked out from a household's cycles.

Sources: Commission Delegated Regulation (EU) 2019/2017, Annexes II and IV, and Regulation 2019/2022, Annex III
(dishwashers); Delegated Regulation 2019/2014, Annexes II and IV, and Regulation 2019/2023, Annex II (washing machines
and washer-dryers). How the half and quarter loads weigh in the energy is inferred from the water formula, which the
same annex prints alike; the washer-dryer's 3 to 2 is from memory. Tumble dryers (2023/2533) are left out: their
standard consumption could not be obtained.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from loadbook.machine import Machine, Programme

NOTE = "A label test is a laboratory's load and water; a household's load is another, so expect another figure."

# Class -> index up to which it holds. Dishwashers: below the bound; the others: up to and including it.
DISHWASHER_BELOW = {"A": 32, "B": 38, "C": 44, "D": 50, "E": 56, "F": 62}
WASHING_UP_TO = {"A": 52, "B": 60, "C": 69, "D": 80, "E": 91, "F": 102}
WASHER_DRYER_UP_TO = {"A": 37, "B": 45, "C": 55, "D": 67, "E": 82, "F": 100}


def _rounded(value: Decimal, decimals: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)


def exact(value: float | Decimal) -> Decimal:
    """A stated figure as it was written."""
    return Decimal(str(value))


@dataclass(frozen=True, slots=True)
class LabelFigures:
    """``standard_kwh`` per cycle (3 decimals), ``index`` (1 decimal), ``energy_class``; and the regulation's caps
    for the eco programme where it has them: minutes at full and at half load, litres per cycle."""

    standard_kwh: Decimal
    index: Decimal
    energy_class: str
    duration_cap_min: Decimal | None = None
    half_duration_cap_min: Decimal | None = None
    water_cap_l: Decimal | None = None


def _class_of(index: Decimal, bounds: dict[str, int], up_to: bool) -> str:
    for name, bound in bounds.items():
        if index < bound or (up_to and index == bound):
            return name
    return "G"


def dishwasher(place_settings: int, energy_kwh: Decimal, width_cm: Decimal = Decimal(60)) -> LabelFigures:
    """A dishwasher's figures from its eco programme's energy per cycle, kWh."""
    if place_settings >= 10 and width_cm > 50:
        standard = Decimal("0.025") * place_settings + Decimal("1.350")
    else:
        standard = Decimal("0.090") * place_settings + Decimal("0.450")
    standard = _rounded(standard, 3)
    index = _rounded(100 * energy_kwh / standard, 1)
    return LabelFigures(standard, index, _class_of(index, DISHWASHER_BELOW, up_to=False))


def washing_standard_kwh(capacity_kg: Decimal) -> Decimal:
    """Standard energy of a washing machine's eco 40-60, kWh per cycle."""
    return _rounded(Decimal("-0.0025") * capacity_kg**2 + Decimal("0.0846") * capacity_kg + Decimal("0.3920"), 3)


def load_weights(capacity_kg: Decimal) -> tuple[Decimal, Decimal, Decimal]:
    """How much the full, half and quarter load count."""
    if capacity_kg <= 3:
        return Decimal(1), Decimal(0), Decimal(0)
    full = _rounded(Decimal("-0.0391") * capacity_kg + Decimal("0.6918"), 3)
    half = _rounded(Decimal("-0.0109") * capacity_kg + Decimal("0.3582"), 3)
    return full, half, 1 - (full + half)


def weighted_kwh(capacity_kg: Decimal, full: Decimal, half: Decimal, quarter: Decimal) -> Decimal:
    """A washing machine's energy per cycle from those of its three loads, kWh."""
    a, b, c = load_weights(capacity_kg)
    return _rounded(a * full + b * half + c * quarter, 3)


def washing_machine(capacity_kg: Decimal, energy_kwh: Decimal) -> LabelFigures:
    """A washing machine's figures from its eco 40-60 programme's weighted energy per cycle, kWh."""
    standard = washing_standard_kwh(capacity_kg)
    index = _rounded(100 * energy_kwh / standard, 1)
    return LabelFigures(
        standard,
        index,
        _class_of(index, WASHING_UP_TO, up_to=True),
        min(Decimal(137) + Decimal("10.2") * capacity_kg, Decimal(240)),
        min(Decimal(120) + 6 * capacity_kg, Decimal(180)),
        Decimal("2.25") * capacity_kg + 30,
    )


def washer_dryer(drying_kg: Decimal, energy_kwh: Decimal) -> LabelFigures:
    """A washer-dryer's figures from its wash-and-dry cycle's weighted energy, kWh, and rated capacity for that."""
    standard = _rounded(Decimal("-0.0502") * drying_kg**2 + Decimal("1.1742") * drying_kg - Decimal("0.644"), 3)
    index = _rounded(100 * energy_kwh / standard, 1)
    bounds = _class_of(index, WASHER_DRYER_UP_TO, up_to=True)
    return LabelFigures(standard, index, bounds, water_cap_l=10 * drying_kg + 30)


def stated_energy_kwh(machine: Machine, programme: Programme) -> Decimal | None:
    """The label's energy per cycle of a programme: as stated, or weighted from the three loads; None without."""
    label, plate = programme.label, machine.machine
    if label is None:
        return None
    if label.energy_kwh is not None:
        return exact(label.energy_kwh)
    full, half, quarter = label.energy_full_kwh, label.energy_half_kwh, label.energy_quarter_kwh
    if plate.kind == "washing_machine" and plate.capacity_kg is not None and full is not None:
        if plate.capacity_kg <= 3:
            return exact(full)
        if half is not None and quarter is not None:
            return weighted_kwh(exact(plate.capacity_kg), exact(full), exact(half), exact(quarter))
    if plate.kind == "washer_dryer" and full is not None and half is not None:
        return _rounded((3 * exact(full) + 2 * exact(half)) / 5, 3)
    return None


def label_figures(machine: Machine, programme: Programme) -> LabelFigures | None:
    """The label's figures where the machine file has what they need: plate data and the eco programme's energy."""
    energy, plate = stated_energy_kwh(machine, programme), machine.machine
    if energy is None or programme.label is None or not programme.label.eco:
        return None
    if plate.kind == "dishwasher" and plate.place_settings is not None:
        return dishwasher(plate.place_settings, energy, exact(plate.width_cm or 60))
    if plate.kind == "washing_machine" and plate.capacity_kg is not None:
        return washing_machine(exact(plate.capacity_kg), energy)
    if plate.kind == "washer_dryer" and plate.drying_capacity_kg is not None:
        return washer_dryer(exact(plate.drying_capacity_kg), energy)
    return None
