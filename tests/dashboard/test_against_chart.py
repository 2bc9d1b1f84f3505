"""A cycle held against its chart and plates, in words and figures."""

from __future__ import annotations

from pathlib import Path

import pytest
from loadbook_dashboard import create_app
from served import parts_over
from soak_scene import MACHINE, Night


@pytest.fixture
def client(tmp_path: Path):
    night = Night(tmp_path)
    night.run()
    night.close()
    app = create_app(parts_over(tmp_path))
    app.config["TESTING"] = True
    return app.test_client()


def page_of(client, nth: int) -> str:
    cycles = client.get(f"/api/machines/{MACHINE}/cycles?limit=9").json["cycles"]
    return client.get(f"/machines/{MACHINE}/cycles/{cycles[-nth]['key_ms']}").get_data(as_text=True)


def test_a_healthy_cycle_is_as_its_chart_has_it(client):
    page = page_of(client, 1)
    assert "Every phase that has run is as its chart has it." in page


def test_what_differs_is_said_with_both_figures(client):
    page = page_of(client, 3)
    assert "Fill took 6:45; its chart allows 0:40 to 5:00." in page


def test_parts_stand_beside_their_plates_at_rated_voltage(client):
    # IEC 60335-1 table 1: a 1,900 W heater may draw 1,710 to 1,995 W; the drain pump, 34 W, at most 20 % more.
    page = page_of(client, 1).replace("\u202f", " ")
    assert "1 985 W" in page
    assert "1 710 W to 1 995 W" in page
    assert "at most 41 W" in page
    assert "26.6 Ω" in page or "26.7 Ω" in page  # 230² / 1,985
