"""Where an alert stands: two facts (does it stand, has somebody seen it) and what keeps it from calling anybody.

Pure. After the alarm practice of IEC 62682 and OPC UA part 9: *active* and *seen* are independent; beside them an alert
may be *put aside* by a person for a stated time and reason, its machine may be *out of service*, or it may be
*held back* because something else explains it: while a meter is silent, nobody can know whether the other alerts of
its machine still stand.
"""

from __future__ import annotations

from loadbook.events import Alert

from loadbook_dashboard.queries import KnownAlert, MachineRow, Quiet, Shelf

LONGEST_ASIDE_H = 12
"""An alert comes back by itself after at most this; there is no switch that silences one for good."""

ASIDE_HOURS: tuple[int, ...] = (1, 4, LONGEST_ASIDE_H)


def quiet_of(alert: Alert, machine: MachineRow, shelves: list[Shelf], silent_since_ms: int | None) -> Quiet | None:
    """Why an alert calls nobody now, or None when it does. ``shelves`` are those that have not run out."""
    if machine.out_of_service_since_ms is not None:
        return Quiet(
            "service",
            machine.out_of_service_since_ms,
            by=machine.out_of_service_by,
            reason=machine.out_of_service_reason,
        )
    for shelf in shelves:
        if shelf.machine == machine.id and shelf.kind == alert.kind:
            return Quiet("aside", shelf.from_ms, shelf.until_ms, shelf.by, shelf.reason)
    stands = alert.cleared_ms is None
    if silent_since_ms is not None and alert.kind != "meter_silent" and stands:
        return Quiet("held_back", silent_since_ms)
    return None


def settle(alerts: list[KnownAlert], machines: list[MachineRow], shelves: list[Shelf]) -> list[KnownAlert]:
    """The same alerts, each with ``quiet`` set. ``alerts`` are all open ones of the machines they name."""
    by_id = {machine.id: machine for machine in machines}
    silent = {k.machine: k.alert.began_ms for k in alerts if k.alert.kind == "meter_silent" and k.active}
    for known in alerts:
        machine = by_id[known.machine]
        known.quiet = quiet_of(known.alert, machine, shelves, silent.get(known.machine))
    return alerts
