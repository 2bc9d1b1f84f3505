"""What the stories that are told already cost, by what they tell: a new one that tells the same has to be cheaper.

Pure. Worked out when it is first asked for: most levels begin no story.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loadbook.recognise.hypothesis import Story
from loadbook.recognise.weighing import BELIEVED, Weighing

Key = tuple[int, int, int, int, bool]
"""What a story tells: programme, place, cycle, how many phases it left out or turned round, whether it believes in a
fault now. Of two that tell the same the cheaper is kept."""
CHEAPER = 0.05
"""By so much, at least."""


def key_of(story: Story) -> Key:
    """What it tells."""
    suspects = story.now.suspects
    faulty = bool(suspects) and any(s.paid > BELIEVED for s in suspects.values())
    return story.programme, story.now.place, story.start_ms, story.left_out, faulty


@dataclass(slots=True)
class Rivals:
    """The stories of ``weighing`` as of ``now_ms``, their levels apart."""

    weighing: Weighing
    now_ms: int
    costs: list[float] = field(default_factory=list)
    """What each costs, in their order; empty while nobody has asked."""
    _cheapest: dict[Key, float] = field(default_factory=dict)

    def beat(self, key: Key, price: float) -> bool:
        """Whether one that tells the same is there already, and a new one at this price would be no cheaper."""
        if not self.costs:
            self._work_out()
        rival = self._cheapest.get(key)
        return rival is not None and price >= rival - CHEAPER

    def _work_out(self) -> None:
        for story in self.weighing.stories:
            cost = story.score + self.weighing.time_cost(story, story.now.late_ms, self.now_ms)
            self.costs.append(cost)
            key = key_of(story)
            self._cheapest[key] = min(cost, self._cheapest.get(key, cost))
