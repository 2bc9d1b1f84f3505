"""What nobody can read is kept, bounded, and costs nothing."""

from __future__ import annotations

import base64
import json
import stat

import loadbook.store.set_aside as module
from loadbook.store.set_aside import SetAside

T0 = 1_790_000_000_000


def rows(aside: SetAside, name: str = module.LATEST) -> list[dict]:
    path = aside.folder / name
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def test_each_message_is_kept_once_and_counted_each_time(tmp_path):
    aside = SetAside(tmp_path)
    assert not aside.folder.exists()
    marks = [aside.keep("t", text, "m1", "no JSON", 0, T0, 0.0) for text in (b"[a", b"\xff\xfe", b"[a")]
    assert marks[0] == marks[2] != marks[1]
    first, second = rows(aside)
    assert first == {"at": "2026-09-21T14:13:20Z", "topic": "t", "why": "no JSON", "message": "[a"}
    assert base64.b64decode(second["message_base64"]) == b"\xff\xfe"
    assert aside.standing()["m1"]["messages"] == 3


def test_a_talkative_stranger_fills_no_card(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "MOST_BYTES", 20_000)
    aside = SetAside(tmp_path)
    for hour in range(10):
        for i in range(500):
            aside.keep("t", b"x" * 1000 + b"%d/%d" % (hour, i), f"m{i}", "why", 1, T0, hour * 3600.0)
    assert sum(path.stat().st_size for path in aside.folder.iterdir()) < 50_000
    assert {len(rows(aside)) > 0, len(rows(aside, module.BEFORE)) > 0} == {True}
    assert len(aside.by_meter) <= module.MOST_METERS + 1
    assert sum(c.messages for c in aside.by_meter.values()) == 5000


def test_a_message_of_any_length_is_kept_cut(tmp_path):
    aside = SetAside(tmp_path)
    aside.keep("t", b"x" * 10_000_000, "m1", "why", 0, T0, 0.0)
    (row,) = rows(aside)
    assert (len(row["message"]), row["cut_at_bytes"]) == (module.MOST_OF_ONE, module.MOST_OF_ONE)


def test_a_folder_that_cannot_be_written_is_no_matter(tmp_path):
    (tmp_path / module.FOLDER).write_text("in the way")
    (tmp_path / module.FOLDER).chmod(stat.S_IRUSR)
    aside = SetAside(tmp_path)
    aside.keep("t", b"[", "m1", "why", 0, T0, 0.0)
    assert aside.standing()["m1"]["messages"] == 1
