"""A machine's programme charts, worked out once for the tracker: parts by number, sets of parts as bits, times in ms.

Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from loadbook.judge.bands import Part, parts_of
from loadbook.judge.limits import Limits
from loadbook.machine import Machine, PhaseChart
from loadbook.recognise import prices
from loadbook.recognise.texture import SMALL_W

GRACE_MS = 2_000
"""A phase may end so much before its least time, or after its most, for the meter's sake."""
ROOM_MS = 20_000
"""Limits nearer to the usual length than this are none for what is usual."""
WORK_STAGES = ("wash", "rinse", "heat", "hold", "dry")
HEATS = ("heat", "dry")
MOST_PULSING = 6
"""More pulsing parts than this in one phase are told apart no further: 64 combinations are enough."""


@dataclass(frozen=True, slots=True)
class PhaseModel:
    """One phase. ``on`` and ``pulsing`` are numbers of parts; masks have bit ``1 << number``."""

    id: str
    stage: str
    number: int
    """Unique over all programmes of the machine."""
    on: tuple[int, ...]
    pulsing: tuple[int, ...]
    min_ms: int
    max_ms: int
    optional: bool
    quiet: bool
    band_w: tuple[float | None, float | None] | None
    on_mask: int
    mask: int
    """All its parts, those that pulse too."""
    pulsing_mask: int
    heater_mask: int
    """The resistive ones of ``on``."""
    resistive_mask: int
    """The resistive ones, those that pulse too."""
    motors: tuple[int, ...]
    """The motors of ``pulsing``."""
    drums: int
    """Those of them that turn a drum, as a mask: no pumps."""
    telling: tuple[int, ...]
    """Those of ``pulsing``, valves apart, whose absence tells that the phase is over: the next needed phase has them no
    more."""
    steps_w: tuple[float, ...]
    """What each of the phases that may come next would add with its own parts, W: those it has on and this one has
    not."""
    next_part: int
    """The one part that the next needed phase has on, and nothing else, where this phase has not; -1 where it is
    otherwise."""
    next_min_ms: int
    heaters: int
    """All resistive parts of the machine, as a mask."""
    next_masks: tuple[int, ...]
    """The masks of the phases that may come next."""
    lone_motor: int | None
    """The one motor that pulses in it, None where there is none or more than one."""
    usual_ms: int | None
    """How long it usually takes, where that was learned."""
    rest_ms: int
    """The longest rest of its motor in good cycles, 0 where that was not learned."""
    cold_mask: int
    """The heaters that will not come any more: all, where nothing needed is left to come, nor is it needed itself."""

    def unusual(self, least_ms: int, most_ms: int) -> float:
        """What a length between two costs where the chart says how long the phase usually takes: nothing near that,
        then more and more half way to its limits."""
        usual_ms = self.usual_ms
        if usual_ms is None or least_ms <= usual_ms <= most_ms:
            return 0.0
        if least_ms > usual_ms:
            return prices.LINGERS * min(1.0, 2 * (least_ms - usual_ms) / max(self.max_ms - usual_ms, ROOM_MS))
        return prices.HURRIES * min(1.0, (usual_ms - most_ms) / max(usual_ms - self.min_ms, ROOM_MS))

    @property
    def works(self) -> bool:
        """Whether it works by coming and going, and does not wait, soak or drain."""
        return self.stage in WORK_STAGES and not self.quiet

    def unheated(self, seen_ms: Mapping[int, int]) -> bool:
        """Whether it is for heating or drying and none of its heaters, which come and go as they like, has drawn."""
        heaters = self.resistive_mask & self.pulsing_mask
        return self.stage in HEATS and heaters > 0 and not any(heaters >> i & 1 for i in seen_ms)

    def narrows_to(self, later: PhaseModel) -> bool:
        """Whether a later phase looks like this one with a part gone that is on for all of it."""
        return self.on_mask & ~later.mask != 0 and not later.mask & ~self.mask

    def looks_like(self, other: PhaseModel) -> bool:
        """Whether it has the very same parts."""
        return self.mask == other.mask and self.on_mask == other.on_mask

    def too_short(self, ran_ms: int) -> float:
        """What it costs to leave the phase after so long at most: the more, the further that is from its least time."""
        if not self.min_ms or ran_ms >= self.min_ms - GRACE_MS:
            return 0.0
        return prices.TOO_SHORT + prices.TOO_SHORT_MORE * (1 - ran_ms / self.min_ms)


@dataclass(frozen=True, slots=True)
class ProgrammeModel:
    id: str
    phases: tuple[PhaseModel, ...]
    longest_ms: int
    last_needed: int
    """Place of the last phase that may not be left out; -1 where there is none."""

    def place(self, at: int) -> PhaseModel | None:
        """The phase at a place; None after the last one."""
        return self.phases[at] if at < len(self.phases) else None

    def first_needed(self) -> int:
        """Place of the first phase that may not be left out."""
        return next(k for k, p in enumerate(self.phases) if not p.optional)


@dataclass(frozen=True, slots=True)
class ChartModel:
    """All of a machine's programmes and parts."""

    parts: tuple[Part, ...]
    programmes: tuple[ProgrammeModel, ...]
    standby_w: float | None
    at_standby_w: float
    resistive_mask: int
    valves_mask: int
    """They let in what is wanting, whenever and however long that may be: they keep no beat."""
    cold_w: float
    """More than this only a heater draws."""
    learned: bool
    """Some phase's usual length is known from good cycles."""


def _mask(parts: tuple[int, ...]) -> int:
    return sum(1 << i for i in parts)


def _phase(
    machine: Machine, parts: tuple[Part, ...], phase: PhaseChart, number: int, after: Sequence[PhaseChart]
) -> PhaseModel:
    """``after`` are the phases that come next in the programme."""
    places = {part.id: k for k, part in enumerate(parts)}
    on = tuple(places[name] for name in phase.on)
    pulsing = tuple(places[name] for name in phase.pulsing)[:MOST_PULSING]
    motors = tuple(i for i in pulsing if parts[i].nature == "motor")
    next_needed = next((k for k, p in enumerate(after) if not p.optional), len(after) - 1)
    lasting = [{*p.on, *p.pulsing} for p in after[: next_needed + 1]]
    mine = {*phase.on, *phase.pulsing}
    own = [[parts[places[name]].rated_w for name in p.on if name not in mine] for p in after[: next_needed + 1]]
    heaters = tuple(i for i, part in enumerate(parts) if part.resistive)
    then = after[next_needed] if after else None
    alone = then is not None and len(then.on) == 1 and not then.pulsing and then.on[0] not in mine
    telling = tuple(
        i
        for i in pulsing
        if parts[i].nature != "solenoid" and (not lasting or any(parts[i].id not in names for names in lasting))
    )
    return PhaseModel(
        id=phase.id,
        stage=phase.stage,
        number=number,
        on=on,
        pulsing=pulsing,
        min_ms=round(phase.min_s * 1000),
        max_ms=round(phase.max_s * 1000),
        optional=phase.optional,
        quiet=machine.is_quiet(phase),
        band_w=None if phase.power_w is None else (phase.power_w.low, phase.power_w.high),
        on_mask=_mask(on),
        mask=_mask((*on, *pulsing)),
        pulsing_mask=_mask(pulsing),
        heater_mask=_mask(tuple(i for i in on if parts[i].resistive)),
        resistive_mask=_mask(tuple(i for i in (*on, *pulsing) if parts[i].resistive)),
        motors=motors,
        drums=_mask(tuple(i for i in motors if parts[i].rated_w > SMALL_W)),
        telling=telling,
        steps_w=tuple(sum(watts) for watts in own if watts),
        next_part=places[then.on[0]] if then is not None and alone else -1,
        next_min_ms=round(then.min_s * 1000) if then is not None and alone else 0,
        heaters=_mask(tuple(i for i, part in enumerate(parts) if part.resistive)),
        next_masks=tuple(_mask(tuple(places[name] for name in (*p.on, *p.pulsing))) for p in after[: next_needed + 1]),
        lone_motor=motors[0] if len(motors) == 1 else None,
        usual_ms=None if phase.usual_s is None else round(phase.usual_s * 1000),
        rest_ms=round((phase.rest_s or 0.0) * 1000),
        cold_mask=_mask(heaters) if phase.optional and all(p.optional for p in after) else 0,
    )


def chart_model(machine: Machine, limits: Limits) -> ChartModel:
    """The charts of a machine."""
    parts = parts_of(machine, limits.missing_fraction)
    programmes, number = [], 0
    for programme in machine.programmes:
        phases = []
        for k, phase in enumerate(programme.phases):
            phases.append(_phase(machine, parts, phase, number, programme.phases[k + 1 :]))
            number += 1
        last = max((k for k, p in enumerate(phases) if not p.optional), default=-1)
        programmes.append(ProgrammeModel(programme.id, tuple(phases), sum(p.max_ms for p in phases), last))
    standby_w = machine.machine.standby_w
    resistive_mask = _mask(tuple(i for i, part in enumerate(parts) if part.resistive))
    valves_mask = _mask(tuple(i for i, part in enumerate(parts) if part.nature == "solenoid"))
    cold_w = 10.0 + sum(part.high_w for part in parts if not part.resistive)
    learned = any(phase.usual_ms is not None for programme in programmes for phase in programme.phases)
    at_standby_w = limits.at_standby_w(standby_w)
    return ChartModel(parts, tuple(programmes), standby_w, at_standby_w, resistive_mask, valves_mask, cold_w, learned)
