"""Asks the recorder to change something and waits for its answer. Nothing in the dashboard writes by itself.

A request is one JSON object: a fresh ``id``, an ``action``, and what the action needs; the answer repeats the ``id``
with ``ok`` and, when refused, ``error``: one line.
"""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable
from typing import Any, Protocol

ANSWER_WITHIN_S = 5.0


class RefusedError(Exception):
    """The recorder refused, or did not answer. ``str()`` is one line for the person who asked."""


class Asker(Protocol):
    """What the pages need: ask, and get the answer or RefusedError."""

    def ask(self, action: str, **what: Any) -> dict[str, Any]: ...


class MqttAsker:
    """Asks over MQTT. ``publish`` sends one request and says whether it could; ``answered`` is called with answers."""

    def __init__(self, publish: Callable[[dict[str, Any]], bool], within_s: float = ANSWER_WITHIN_S) -> None:
        self._publish = publish
        self._within_s = within_s
        self._waiting: dict[str, tuple[threading.Event, dict[str, Any]]] = {}
        self._lock = threading.Lock()

    def ask(self, action: str, **what: Any) -> dict[str, Any]:
        """Ask and wait. Raises RefusedError."""
        if "id" in what:
            raise ValueError("the id of a request is its own; name it otherwise")
        request_id = uuid.uuid4().hex
        arrived, answer = threading.Event(), dict[str, Any]()
        with self._lock:
            self._waiting[request_id] = (arrived, answer)
        try:
            if not self._publish({"id": request_id, "action": action, **what}):
                raise RefusedError("The broker cannot be reached, so nothing was changed. Try again in a moment.")
            if not arrived.wait(self._within_s):
                raise RefusedError("The recorder did not answer. Look again before you repeat it.")
        finally:
            with self._lock:
                self._waiting.pop(request_id, None)
        if not answer.get("ok"):
            raise RefusedError(str(answer.get("error") or "The recorder refused."))
        return answer

    def answered(self, answer: dict[str, Any]) -> None:
        """An answer arrived; one that nobody waits for (any more) is dropped."""
        with self._lock:
            waiting = self._waiting.get(str(answer.get("id")))
        if waiting is not None:
            arrived, place = waiting
            place.update(answer)
            arrived.set()
