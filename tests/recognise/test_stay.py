"""What a phase keeps of its faults."""

from __future__ import annotations

from dataclasses import asdict

from loadbook.recognise.stay import Suspect


def test_a_fault_that_comes_and_goes_for_days_keeps_one_record() -> None:
    """The longest time that it showed, however often it came: memory is constant, and the state can be saved."""
    suspect = Suspect(0, ms=30_000, paid=7.0, over_ms=30_000)
    for k in range(1, 5_000):
        suspect = suspect.anew(k * 60_000, seen_beside=True)
        suspect.ms, suspect.over_ms = 12_000, k * 60_000 + 12_000
    assert suspect.again
    assert suspect.paid == 7.0
    assert suspect.before is not None
    assert (suspect.before.began_ms, suspect.before.ms, suspect.before.before) == (0, 30_000, None)
    assert Suspect.restore(asdict(suspect)) == suspect
