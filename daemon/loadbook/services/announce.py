"""What the recorder publishes of what was said: the messages' form (README, "Topics"). Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from loadbook.events import AlertChanged, CycleChanged, Event, StateChanged, iso
from loadbook.transport.topics import Topics

Message = tuple[str, str, bool]
"""(topic, payload, retained)"""


def messages(topics: Topics, machine: str, events: Iterable[Event]) -> list[Message]:
    """One message per thing that changed, as it stands after the last of ``events``."""
    newest: dict[tuple[str, Any], Message] = {}
    for event in events:
        if isinstance(event, StateChanged):
            newest["phase", None] = (topics.phase(machine), _dump(_state(machine, event)), True)
        elif isinstance(event, AlertChanged):
            newest["alert", event.alert.key] = (topics.alert(machine), _dump(_alert(machine, event)), False)
        else:
            newest["cycle", event.cycle.key_ms] = (topics.cycle(machine), _dump(_cycle(machine, event)), False)
    return list(newest.values())


def _dump(data: dict[str, Any]) -> str:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"))


def _state(machine: str, event: StateChanged) -> dict[str, Any]:
    return {
        "machine": machine,
        "at": iso(event.at_ms),
        "state": event.state,
        "since": iso(event.since_ms),
        "phase": event.phase,
        "stage": event.stage,
        "until": iso(event.until_ms),
    }


def _alert(machine: str, event: AlertChanged) -> dict[str, Any]:
    alert = event.alert
    return {
        "machine": machine,
        "key": alert.key,
        "withdrawn": event.withdrawn,
        "cycle_key_ms": alert.cycle_key_ms,
        **alert.as_contract(None),
    }


def _cycle(machine: str, event: CycleChanged) -> dict[str, Any]:
    return {
        "machine": machine,
        "key_ms": event.cycle.key_ms,
        "dropped": event.dropped,
        **event.cycle.as_contract(),
    }
