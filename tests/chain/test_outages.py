"""What a board in a laundry room goes through, with real processes: nothing lost, one cycle stays one."""

from __future__ import annotations

import resource
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from loadbook.store.connect import LEDGER_FILE, read_only

from tests.chain.kills import FAR, Chain, Service, settled_reader, stored_count, wind_down
from tests.chain.site import until

pytestmark = [pytest.mark.broker, pytest.mark.xdist_group("kills")]
YEARS_3_MS = 3 * 365 * 86_400_000


def answered(chain: Chain) -> int:
    return len(chain.lines[2].journal)


def test_broker_away_recorder_away_store_not_writable(tmp_path):
    chain = Chain(tmp_path, speed=60)
    try:
        chain.start("poller")  # the board's power is back before anything it could talk to
        until(lambda: answered(chain) > 60)
        chain.start("recorder")
        n = answered(chain)
        until(lambda: answered(chain) > n + 60)
        chain.start("broker")
        reader = settled_reader(chain, 60)

        chain.kill("broker")  # for ten minutes of the machine's time
        away_ms = chain.clock.mono_ms()
        until(lambda: chain.clock.mono_ms() - away_ms > 600_000, 60)
        chain.start("broker")

        before = stored_count(reader, chain)
        until(lambda: stored_count(reader, chain) > before + 400, 90)

        chain.kill("recorder")
        n = answered(chain)
        until(lambda: answered(chain) > n + 200)
        chain.start("recorder")
        until(lambda: stored_count(reader, chain) > n, 90)

        recorder, poller = chain.parts["recorder"], chain.parts["poller"]
        assert isinstance(recorder, Service)
        assert isinstance(poller, Service)
        full = (4096, resource.RLIM_INFINITY)  # as if the card were full, for both
        limits = resource.prlimit(recorder.child.pid, resource.RLIMIT_FSIZE, full)
        resource.prlimit(poller.child.pid, resource.RLIMIT_FSIZE, full)
        n = answered(chain)
        until(lambda: answered(chain) > n + 300)
        assert recorder.child.poll() is None
        stuck = stored_count(reader, chain)
        n = answered(chain)
        until(lambda: answered(chain) > n + 60)
        assert stored_count(reader, chain) == stuck, "the store should not have been writable"
        for part in (recorder, poller):
            resource.prlimit(part.child.pid, resource.RLIMIT_FSIZE, limits)
        until(lambda: stored_count(reader, chain) > stuck + 300, 90)

        found = wind_down(chain, reader)
        assert found.good(), str(found)
        assert found.in_flight == 0
    finally:
        chain.close()
    assert "not committed, will try again" in (tmp_path / "recorder.log").read_text()
    said = (tmp_path / "poller.log").read_text()
    assert "the outbox cannot be written" in said
    assert "Traceback" not in said


def test_a_clock_three_years_forward_and_two_minutes_back_leaves_one_cycle(tmp_path):
    step = tmp_path / "step"
    step.write_text("0")
    chain = Chain(tmp_path, {"poller.trust_clock": "false"}, speed=60, env={"LOADBOOK_CLOCK_STEP_FILE": str(step)})
    ledger = None

    def set_clock(ms: int) -> None:
        fresh = Path(f"{step}.new")
        fresh.write_text(str(ms))
        fresh.replace(step)

    def cycles() -> list[tuple[int, int, str]]:
        assert ledger is not None
        return [tuple(r) for r in ledger.execute("SELECT start_ms, end_ms, outcome FROM cycle")]

    try:
        for what in ("broker", "recorder", "poller"):
            chain.start(what)
        reader = settled_reader(chain, 60)
        ledger = read_only(tmp_path / "data" / LEDGER_FILE)
        until(lambda: cycles() and stored_count(reader, chain) > 300, 90)
        start_ms = cycles()[0][0]

        set_clock(YEARS_3_MS)
        step.with_suffix(".set").touch()  # a time server has been heard
        until(lambda: cycles()[0][0] > start_ms + YEARS_3_MS - 1000, 60)
        n = stored_count(reader, chain)
        until(lambda: stored_count(reader, chain) > n + 200, 90)

        set_clock(YEARS_3_MS - 120_000)
        n = stored_count(reader, chain)
        until(lambda: stored_count(reader, chain) > n + 200, 90)

        found = wind_down(chain, reader)
        assert found.good(), str(found)
        (cycle,) = cycles()
        assert cycle[2] == "running"
        assert abs(cycle[0] - start_ms - YEARS_3_MS) < 1000
        for meter in chain.meter_ids.values():
            at_ms = reader.series(meter, 0, FAR).at_ms
            assert (np.diff(at_ms) > 0).all()
            assert int(np.diff(at_ms).max()) < 20_000, "a step of the clock shows as a gap"
            assert int(at_ms[0]) > chain.origin_ms + YEARS_3_MS - 60_000, "not all were moved"
    finally:
        if ledger is not None:
            with closing(ledger):
                pass
        chain.close()
