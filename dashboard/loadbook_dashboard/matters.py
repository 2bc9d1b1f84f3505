"""Alerts that are one matter to people: what a part does wrong in phase after phase of a cycle asks for one visit.

Pure. Every finding stays an alert of its own on record, on the cycle's page and for programs; only who is called for it
is asked once (alarm practice after EEMUA 191: one event, one call).
"""

from __future__ import annotations

from collections.abc import Iterable

from loadbook_dashboard.queries import KnownAlert


def matters(alerts: Iterable[KnownAlert]) -> list[list[KnownAlert]]:
    """The same alerts in groups, in the order in which each is first met; the first of a group speaks for it: one that
    stands before one that is over, then the one raised last. What was seen, or calls nobody, is a matter of its own."""
    found: dict[object, list[KnownAlert]] = {}
    for known in alerts:
        alert = known.alert
        key: object = known.id
        if alert.component is not None and alert.cycle_key_ms is not None:
            quiet = None if known.quiet is None else known.quiet.why
            key = (known.machine, alert.cycle_key_ms, alert.kind, alert.component, known.seen, quiet)
        found.setdefault(key, []).append(known)
    return [sorted(group, key=lambda k: (not k.active, -k.alert.raised_ms, -k.id)) for group in found.values()]
