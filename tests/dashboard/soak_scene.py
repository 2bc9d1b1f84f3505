"""A soak test over one night, for pages and report: four cycles of a washer, the third with a slow tap."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from loadbook.events import Alert, Cycle, CycleChanged, PartMeasured
from loadbook.services.soak_desk import SoakDesk
from loadbook.soak.decide import Accuracy
from seeded import MINUTE_MS, NOW_MS, Seed, machines, played

MACHINE, METER = "quay-washer-1", "m1"
CLASS_1 = Accuracy(1.0, 0.3)
EVENING_MS = NOW_MS - 14 * 60 * MINUTE_MS
ORDER: dict[str, Any] = {
    "machine": MACHINE,
    "programme": "mixed-40",
    "cycles": 4,
    "ticket": "R-2041",
    "technician": "Ines Vale",
    "customer": "Harbour Guest House, 3 Quay Street",
    "appliance": "Washing machine, 8 kg, front loader",
    "serial_number": "0417-22-118",
    "complaint": "Trips the breaker while heating",
    "parts_replaced": "heating element, door seal",
    "end_early_on": [],
}


def measured(cycle: Cycle, heater_w: float) -> Cycle:
    """The parts of a cycle, as the assessor would have measured them."""
    cycle.parts = [
        PartMeasured("heater", "main-heat", heater_w * 0.985, 620.0, heater_w, 230.0**2 / heater_w),
        PartMeasured("drain_pump", "last-drain", 27.0, 40.0),
    ]
    return cycle


class Night:
    """A ledger with a soak test in it; ``number`` is the test's."""

    def __init__(self, folder: Path, accuracy: Accuracy | None = CLASS_1) -> None:
        self.seed = Seed(folder)
        with self.seed.ledger.transaction():
            for meter, machine, text in machines():
                self.seed.ledger.put_machine(machine, meter, text)
        self.desk = SoakDesk(self.seed.ledger, lambda meter: accuracy)
        self.number = self.ask("soak_order", EVENING_MS, order=ORDER)["number"]

    def ask(self, action: str, now_ms: int, **request: Any) -> dict[str, Any]:
        with self.seed.ledger.transaction():
            return self.desk.actions[action](request, now_ms)

    def run(self, heaters_w: tuple[float, ...] = (1985.0, 1979.0, 1981.0, 1974.0), slow: int = 3) -> None:
        """The night's cycles, two hours apart; in cycle ``slow`` (from 1, 0: none) the tap is slow."""
        for n, heater_w in enumerate(heaters_w, 1):
            start_ms = EVENING_MS + (5 + (n - 1) * 120) * MINUTE_MS
            play = played("washer-slow-tap" if n == slow else "washer-healthy", start_ms)
            cycle = measured(play.cycle(), heater_w)
            self.seed.store.append([(METER, r) for r in play.readings(NOW_MS)])
            self.seed.say(MACHINE, CycleChanged(cycle.end_ms, cycle))
            if n == slow:
                fill = next(p for p in cycle.phases if p.stage == "fill")
                fill.verdict, cycle.verdict = "too_long", "attention"
                raised = (fill.start_ms or 0) + 300_000
                alert = Alert("phase_too_long", fill.start_ms or 0, raised, fill.end_ms, None, fill.id)
                alert.measured, alert.high, alert.unit = 412.0, 300.0, "s"
                self.seed.alert(MACHINE, cycle, alert, "fill")
                self.seed.say(MACHINE, CycleChanged(cycle.end_ms, cycle))
        with self.seed.ledger.transaction():
            self.desk.review(NOW_MS - 5 * 60 * MINUTE_MS)

    def close(self) -> None:
        self.seed.close()
