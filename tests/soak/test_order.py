"""A soak test's place is worked out from its diary and the ledger's cycles alone."""

from __future__ import annotations

import pytest
from loadbook.checked import parse_table
from loadbook.errors import InputError
from loadbook.events import Alert, Cycle
from loadbook.soak.order import Entry, SoakOrder, active_spans, cycles_of, due_to_end, progress

MINUTE = 60_000


def order(**more: object) -> SoakOrder:
    return parse_table({"machine": "quay-washer-1", "cycles": 3, **more}, SoakOrder, "order")


def cycle(number: int, outcome: str = "completed", programme: str | None = "mixed-60") -> Cycle:
    start = number * 100 * MINUTE
    return Cycle(start, start, start + 80 * MINUTE, programme, outcome)  # type: ignore[arg-type]


START = [Entry(50 * MINUTE, "started", "Ines")]


def test_counts_only_cycles_begun_while_active() -> None:
    diary = [*START, Entry(190 * MINUTE, "paused"), Entry(250 * MINUTE, "resumed")]
    cycles = [cycle(0), cycle(1), cycle(2), cycle(3)]
    assert [c.start_ms // (100 * MINUTE) for c in cycles_of(order(), diary, cycles)] == [1, 3]
    assert active_spans(diary) == [(50 * MINUTE, 190 * MINUTE), (250 * MINUTE, None)]


def test_another_programme_does_not_count() -> None:
    cycles = [cycle(1), cycle(2, programme="short-30"), cycle(3, "running", None)]
    assert len(cycles_of(order(programme="mixed-60"), START, cycles)) == 2


@pytest.mark.parametrize(
    ("cycles", "diary", "state"),
    [
        ([], START, "waiting"),
        ([cycle(1, "running")], START, "running"),
        ([cycle(1)], START, "between"),
        ([cycle(1)], [*START, Entry(190 * MINUTE, "paused")], "paused"),
        ([cycle(1)], [*START, Entry(190 * MINUTE, "ended")], "ended"),
        ([cycle(1)], [*START, Entry(190 * MINUTE, "note", text="door seal looked at")], "between"),
    ],
)
def test_states(cycles: list[Cycle], diary: list[Entry], state: str) -> None:
    assert progress(order(), diary, cycles, 200 * MINUTE).state == state


def test_a_machine_that_did_not_start_again_is_overdue() -> None:
    long_after = cycle(1).end_ms + 31 * MINUTE
    assert not progress(order(), START, [cycle(1)], cycle(1).end_ms + 29 * MINUTE).overdue
    assert progress(order(), START, [cycle(1)], long_after).overdue


def test_ends_when_all_cycles_are_done() -> None:
    cycles = [cycle(1), cycle(2)]
    assert due_to_end(order(), START, cycles, [], 400 * MINUTE) is None
    assert due_to_end(order(), START, [*cycles, cycle(3)], [], 400 * MINUTE) == "3 of 3 cycles are done"


def test_the_set_time_waits_for_a_running_cycle() -> None:
    timed = order(cycles=None, until_ms=150 * MINUTE)
    assert due_to_end(timed, START, [cycle(1, "running")], [], 160 * MINUTE) is None
    assert due_to_end(timed, START, [cycle(1)], [], 190 * MINUTE) == "the set time was reached after 1 cycle"


def test_a_stopping_finding_ends_it_early() -> None:
    alert = Alert("power_high", 0, 0, cycle_key_ms=cycle(2).key_ms, component="heater")
    why = due_to_end(order(), START, [cycle(1), cycle(2, "running")], [alert], 210 * MINUTE)
    assert why == "ended early: power high (heater) in cycle 2"
    assert due_to_end(order(end_early_on=[]), START, [cycle(1), cycle(2, "running")], [alert], 210 * MINUTE) is None


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"cycles": None}, "neither how many cycles"),
        ({"end_early_on": ["smoke"]}, "'smoke'"),
        ({"limits": [{"component": "heater"}]}, "limits[1]"),
        ({"cycle": 3}, "no such key"),
    ],
)
def test_a_bad_order_names_the_key(change: dict[str, object], named: str) -> None:
    with pytest.raises(InputError) as caught:
        order(**change)
    assert named in str(caught.value)
    assert "\n" not in str(caught.value)
