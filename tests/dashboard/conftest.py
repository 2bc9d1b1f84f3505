"""A seeded store, made once and copied for every test that writes to it; the application over it."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from loadbook_dashboard import create_app
from loadbook_dashboard.parts import Parts

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "browser"))

from served import parts_over, seeded_parts


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seeded")
    seeded_parts(folder)
    return folder


@pytest.fixture
def parts(store: Path, tmp_path: Path) -> Parts:
    folder = tmp_path / "store"
    shutil.copytree(store, folder)
    return parts_over(folder)


@pytest.fixture
def client(parts: Parts) -> FlaskClient:
    app = create_app(parts)
    app.config["TESTING"] = True
    return app.test_client()
