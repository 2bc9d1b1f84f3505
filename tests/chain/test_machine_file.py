"""A machine file changed through the real recorder, behind a real broker; the machine is watched on by the new one."""

from __future__ import annotations

import json
import shutil
from contextlib import closing
from pathlib import Path

import pytest
from loadbook.files import share
from loadbook.store.connect import LEDGER_FILE, read_only
from loadbook.store.machine_files import read_versions
from loadbook.transport.client import Client
from loadbook.transport.topics import Topics
from loadbook_dashboard.requests import MqttAsker, RefusedError

from tests.chain.site import Service, settings_of, until, write_site
from tests.ports import free_port

MACHINE = "quay-washer-1"


def test_saved_refused_and_taken_back(tmp_path: Path) -> None:
    file = tmp_path / "washer.toml"
    shutil.copy(share("config", "machines", f"{MACHINE}.toml"), file)
    before = file.read_text(encoding="utf-8")
    config = write_site(tmp_path, {"m1": (MACHINE, free_port())}, machines='["washer.toml"]')
    settings = settings_of(config)
    topics = Topics(settings.site.name)
    service = Service("run", "--config", str(config), log=tmp_path / "log")
    client = Client(settings.broker, "asking")
    try:
        until(lambda: (tmp_path / "data" / LEDGER_FILE).exists() and service.child.poll() is None)
        asker = MqttAsker(lambda request: client.publish(topics.request, json.dumps(request)))
        client.subscribe(topics.answer, lambda _topic, payload: asker.answered(json.loads(payload)))
        client.start(patient=True)
        assert client.wait_connected(60)
        changed = before.replace("standby_w = 1.1", "standby_w = 1.4")

        def kept() -> bool:
            try:
                asker.ask("machine_file_save", machine=MACHINE, text=changed, by="Ines", why="measured")
            except RefusedError as refused:
                assert "did not answer" in str(refused)  # it has not begun yet
                return False
            return True

        until(kept)
        assert file.read_text(encoding="utf-8") == changed
        with pytest.raises(RefusedError, match=r"washer\.toml: machine\.kin: no such key"):
            asker.ask("machine_file_save", machine=MACHINE, text=changed.replace("kind =", "kin ="), by="Ines")
        with closing(read_only(tmp_path / "data" / LEDGER_FILE)) as ledger:
            versions = read_versions(ledger, MACHINE)
        assert [v.text for v in versions] == [changed, before]
        asker.ask("machine_file_undo", machine=MACHINE, version=versions[-1].number, by="Ines")
        assert file.read_text(encoding="utf-8") == before
        assert service.child.poll() is None
    finally:
        client.stop()
        assert service.end() == 0
    assert "Traceback" not in (tmp_path / "log").read_text()
