"""Parts start in order, stop in reverse; a failed start leaves nothing up; signals end it."""

from __future__ import annotations

import os
import signal
import threading

import pytest
from loadbook.errors import StartError
from loadbook.services.life import live


class Noted:
    """A part that notes what is done to it."""

    def __init__(self, name: str, notes: list[str], fails: str = "") -> None:
        self.name, self.notes, self.fails = name, notes, fails
        self.turns = threading.Event()

    def _do(self, what: str) -> None:
        if self.fails == what:
            raise StartError(f"{self.name} cannot {what}")
        self.notes.append(f"{what} {self.name}")

    def startup(self) -> None:
        self._do("startup")

    def turn(self) -> None:
        self._do("turn")
        self.turns.set()

    def healthy(self) -> bool:
        return True

    def shutdown(self) -> None:
        self._do("shutdown")


def test_parts_stop_in_reverse_order() -> None:
    notes: list[str] = []
    stop = threading.Event()
    stop.set()
    assert live([Noted("a", notes), Noted("b", notes)], stop) == 0
    assert notes == ["startup a", "startup b", "shutdown b", "shutdown a"]


def test_a_failed_start_takes_the_others_down() -> None:
    notes: list[str] = []
    with pytest.raises(StartError, match="b cannot startup"):
        live([Noted("a", notes), Noted("b", notes, "startup"), Noted("c", notes)])
    assert notes == ["startup a", "shutdown a"]


def test_a_part_that_fails_in_its_turn_ends_the_service() -> None:
    notes: list[str] = []
    assert live([Noted("a", notes, "turn")]) == 1
    assert notes == ["startup a", "shutdown a"]


def test_a_part_that_fails_to_stop_does_not_keep_the_others_up() -> None:
    notes: list[str] = []
    stop = threading.Event()
    stop.set()
    live([Noted("a", notes), Noted("b", notes, "shutdown")], stop)
    assert notes[-1] == "shutdown a"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_in_order(number: signal.Signals) -> None:
    notes: list[str] = []
    part = Noted("a", notes)
    threading.Thread(target=lambda: (part.turns.wait(20), os.kill(os.getpid(), number)), daemon=True).start()
    assert live([part]) == 0
    assert notes[0] == "startup a"
    assert notes[-1] == "shutdown a"
    assert signal.getsignal(signal.SIGTERM) == signal.SIG_DFL
