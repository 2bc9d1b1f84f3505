"""What a recorder knows of its meters before it starts."""

from __future__ import annotations

from pathlib import Path

import pytest
from loadbook.errors import InputError
from loadbook.files import share
from loadbook.services.site import load_site
from loadbook.settings import parse_settings
from loadbook.soak.decide import Accuracy

LINE = '[[line]]\nid = "l"\nkind = "modbus_tcp"\nhost = "h"\n'


def accuracy(folder: Path, meter: str) -> dict[str, Accuracy]:
    text = f'{LINE}[[line.meter]]\nid = "m1"\n{meter}\n'
    return load_site(parse_settings(text, "loadbook.toml"), folder).accuracy


def test_the_meters_own_class_goes_before_its_maps(tmp_path):
    shipped = (share("config") / "meters" / "float32-big-endian.toml").read_text(encoding="utf-8")
    (tmp_path / "class-2.toml").write_text(f"{shipped}\n[accuracy]\nclass_percent = 2.0\nfixed_w = 1.0\n")
    assert accuracy(tmp_path, 'map = "float32-big-endian"') == {}
    assert accuracy(tmp_path, 'map = "class-2.toml"') == {"m1": Accuracy(2.0, 1.0)}
    # Class 1 of IEC 62053-21:2003, table 6: 1.0 % from a tenth of the basic current up (from memory).
    settings = 'class_percent = 1.0\nclass_fixed_w = 0.2\nmap = "{}"'
    for name in ("class-2.toml", "float32-big-endian"):
        assert accuracy(tmp_path, settings.format(name)) == {"m1": Accuracy(1.0, 0.2)}


def test_a_fixed_part_alone_is_no_accuracy(tmp_path):
    with pytest.raises(InputError, match="class_fixed_w needs class_percent") as bad:
        accuracy(tmp_path, 'map = "sunspec"\nclass_fixed_w = 0.2')
    assert "\n" not in str(bad.value)
