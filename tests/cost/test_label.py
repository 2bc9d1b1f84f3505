"""EU label figures against the regulations' own formulas and benchmarks.

Energies of the dishwasher cases are the published benchmarks of Regulation (EU) 2019/2022, Annex V; what follows from
them is worked out by hand from Delegated Regulations 2019/2017 and 2019/2014.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from loadbook.cost.label import (
    dishwasher,
    label_figures,
    load_weights,
    stated_energy_kwh,
    washer_dryer,
    washing_machine,
    washing_standard_kwh,
    weighted_kwh,
)
from loadbook.machine import parse_machine


@pytest.mark.parametrize(
    ("plate", "energy", "standard", "index", "energy_class"),
    [
        ((14, 60), "0.67", "1.700", "39.4", "C"),
        ((13, 60), "0.55", "1.675", "32.8", "B"),
        ((10, 60), "0.66", "1.600", "41.3", "C"),  # 41.25 exactly: half up
        ((10, 45), "0.66", "1.350", "48.9", "D"),
        ((6, 60), "0.62", "0.990", "62.6", "G"),
    ],
)
def test_dishwashers(plate: tuple[int, int], energy: str, standard: str, index: str, energy_class: str) -> None:
    figures = dishwasher(plate[0], Decimal(energy), Decimal(plate[1]))
    assert (str(figures.standard_kwh), str(figures.index), figures.energy_class) == (standard, index, energy_class)


@pytest.mark.parametrize(
    ("capacity", "standard", "weights", "caps", "water"),
    [
        (5, "0.753", (".496", ".304", ".200"), ("188", "150"), "41.25"),  # 0.7525 exactly: half up
        (7, "0.862", (".418", ".282", ".300"), ("208.4", "162"), "45.75"),
        (8, "0.909", (".379", ".271", ".350"), ("218.6", "168"), "48"),
        (9, "0.951", (".340", ".260", ".400"), ("228.8", "174"), "50.25"),
    ],
)
def test_washing_machines(
    capacity: int, standard: str, weights: tuple[str, str, str], caps: tuple[str, str], water: str
) -> None:
    assert washing_standard_kwh(Decimal(capacity)) == Decimal(standard)
    assert load_weights(Decimal(capacity)) == tuple(Decimal(w) for w in weights)
    figures = washing_machine(Decimal(capacity), Decimal("0.5"))
    assert (figures.duration_cap_min, figures.half_duration_cap_min) == tuple(Decimal(c) for c in caps)
    assert figures.water_cap_l == Decimal(water)


def test_small_machines_are_tested_full_only_and_caps_end() -> None:
    assert load_weights(Decimal(3)) == (1, 0, 0)
    assert washing_machine(Decimal(12), Decimal("0.5")).duration_cap_min == 240
    assert washing_machine(Decimal(12), Decimal("0.5")).half_duration_cap_min == 180


@pytest.mark.parametrize(("energy", "letter"), [("0.4726", "A"), ("0.4732", "B"), ("0.9272", "F"), ("0.9277", "G")])
def test_class_bounds_belong_to_the_better_washing_class(energy: str, letter: str) -> None:
    """8 kg, standard 0.909: index 51.99 and 52.05 (A up to 52.0, then B), 102.0 and 102.1."""
    assert washing_machine(Decimal(8), Decimal(energy)).energy_class == letter


def test_class_bounds_belong_to_the_worse_dishwasher_class() -> None:
    """Standard 1.700: 0.544 is 32.0, no longer A."""
    assert dishwasher(14, Decimal("0.543")).energy_class == "A"
    assert dishwasher(14, Decimal("0.544")).energy_class == "B"


def test_washer_dryer() -> None:
    """6 kg: 1.1742 x 6 - 0.0502 x 36 - 0.644 = 4.594; 2.5 kWh is 54.4, C; water up to 90 L."""
    figures = washer_dryer(Decimal(6), Decimal("2.5"))
    assert (figures.standard_kwh, figures.index, figures.energy_class) == (Decimal("4.594"), Decimal("54.4"), "C")
    assert figures.water_cap_l == 90


def machine(plate: str, label: str) -> str:
    return (
        f'[machine]\nid = "m"\nname = "M"\n{plate}\n'
        f'[[component]]\nid = "heater"\nnature = "resistive"\nrated_w = 1900\n'
        f'[[programme]]\nid = "eco"\nlabel = {{ {label} }}\n[[programme.phase]]\nid = "h"\nstage = "heat"\n'
        'on = ["heater"]\nmax_s = 900\n'
    )


def test_from_a_machine_file() -> None:
    text = machine(
        'kind = "washing_machine"\ncapacity_kg = 8.0',
        "eco = true, energy_full_kwh = 0.8, energy_half_kwh = 0.5, energy_quarter_kwh = 0.3",
    )
    washer = parse_machine(text, "m.toml")
    expected = Decimal("0.379") * Decimal("0.8") + Decimal("0.271") * Decimal("0.5") + Decimal("0.350") * Decimal("0.3")
    assert weighted_kwh(Decimal(8), Decimal("0.8"), Decimal("0.5"), Decimal("0.3")) == expected.quantize(
        Decimal("0.001")
    )
    figures = label_figures(washer, washer.programmes[0])
    assert figures is not None
    assert (figures.index, figures.energy_class) == (Decimal("59.8"), "B")


@pytest.mark.parametrize(
    ("plate", "label"),
    [
        ('kind = "dishwasher"', "eco = true, energy_kwh = 0.7"),  # no place settings
        ('kind = "dishwasher"\nplace_settings = 14', "energy_kwh = 0.7"),  # not the eco programme
        ('kind = "tumble_dryer"\ncapacity_kg = 7.0', "eco = true, energy_kwh = 2.7"),  # formula not obtained
        ('kind = "washing_machine"\ncapacity_kg = 8.0', "eco = true, energy_full_kwh = 0.8"),
    ],
)
def test_without_what_it_needs_there_is_no_index(plate: str, label: str) -> None:
    found = parse_machine(machine(plate, label), "m.toml")
    assert label_figures(found, found.programmes[0]) is None


def test_washer_dryer_energy_of_two_loads() -> None:
    found = parse_machine(
        machine('kind = "washer_dryer"\ndrying_capacity_kg = 6.0', "energy_full_kwh = 3.0, energy_half_kwh = 2.0"),
        "m.toml",
    )
    assert stated_energy_kwh(found, found.programmes[0]) == Decimal("2.600")
