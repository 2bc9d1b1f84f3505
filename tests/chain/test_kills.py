"""The short form of ``tests.chain.kills``; the full one is a command of its own."""

from __future__ import annotations

import pytest

from tests.chain.kills import storm


@pytest.mark.broker
@pytest.mark.xdist_group("kills")
def test_nothing_is_lost_doubled_or_invented_by_kills(tmp_path):
    found = storm(tmp_path, kills=5, seed=7)
    assert found.good(), str(found)
