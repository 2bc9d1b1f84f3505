"""Segments: levels in, stretches of one look out, with their true edges and their energy.

Pure. Runs some twenty seconds behind the readings (half a window), keeps a bounded past, and can be saved.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any

from loadbook.recognise.texture import BIN_MS, DRIVE_BINS, HALF, Bin, Look, Scale, look_of

LAG_MS = (HALF + 1) * BIN_MS
PAST = 64
"""Level changes kept for finding edges; at a change every two seconds that is twice the window."""
LONG_HEAT_MS = 60_000
HEATER_W = 900.0
"""A level above this that lasts a minute is a heater's; a spin that high does not last."""
BELIEVE_BINS: dict[str, int] = {"heat": 2, "quiet": 3, "small": 3, "run": 4, "tumble": 4, "spin": 4, "unknown": 3}
"""So many bins running before a new look is believed: a heater's break of up to ten seconds is no break."""
EDGE_MS = 20_000


@dataclass(slots=True)
class Segment:
    """One stretch of one look. Energy in mW·ms, as counted by the running totals."""

    look: Look
    start_ms: int
    end_ms: int
    energy_mwms: int
    peak_w: float = 0.0
    top_w: float = 0.0
    """Mean of the highest levels of its bins, W: for a pulsing motor, what it draws when on."""

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000

    @property
    def mean_w(self) -> float:
        ms = self.end_ms - self.start_ms
        return self.energy_mwms / ms / 1000 if ms > 0 else 0.0

    def until(self, end_ms: int) -> Segment:
        """Its part before ``end_ms``, energy in proportion."""
        if self.end_ms <= end_ms:
            return self
        return self._cut(self.start_ms, max(end_ms, self.start_ms))

    def since(self, start_ms: int) -> Segment:
        """Its part from ``start_ms`` on, energy in proportion."""
        if self.start_ms >= start_ms:
            return self
        return self._cut(min(start_ms, self.end_ms), self.end_ms)

    def _cut(self, start_ms: int, end_ms: int) -> Segment:
        energy = self.energy_mwms * (end_ms - start_ms) // max(self.end_ms - self.start_ms, 1)
        return Segment(self.look, start_ms, end_ms, energy, self.peak_w, self.top_w)

    def joined(self, after: Segment) -> Segment:
        """Both as one, under the longer one's look."""
        longer = self if self.seconds >= after.seconds else after
        energy = self.energy_mwms + after.energy_mwms
        peak = max(self.peak_w, after.peak_w)
        return Segment(longer.look, self.start_ms, after.end_ms, energy, peak, max(self.top_w, after.top_w))

    def save(self) -> list[Any]:
        return [self.look, self.start_ms, self.end_ms, self.energy_mwms, self.peak_w, self.top_w]


def thin(segments: list[Segment]) -> None:
    """Too many for one cycle: neighbours in the older half become one, the longer one's look."""
    half = len(segments) // 2
    older = segments[:half]
    segments[:half] = [a.joined(b) for a, b in zip(older[::2], older[1::2], strict=False)]


@dataclass(slots=True)
class _Open:
    """The segment that is growing."""

    look: Look
    start_ms: int
    start_mwms: int
    peak_w: float = 0.0
    top_sum: float = 0.0
    top_n: int = 0

    def add(self, bin_: Bin) -> None:
        if bin_.known_ms:
            self.peak_w = max(self.peak_w, bin_.high_w)
            self.top_sum += bin_.high_w
            self.top_n += 1


@dataclass(slots=True)
class Segments:
    """Feed ``level`` with stretches in order of time; take closed segments from ``closed``."""

    scale: Scale
    heat_w: float
    heater_ms: int = 0
    at_ms: int = -1
    """Levels are laid up to here."""
    bins: deque[Bin] = field(default_factory=deque)
    open: _Open | None = None
    doubt: Look | None = None
    doubt_bins: list[Bin] = field(default_factory=list)
    closed: list[Segment] = field(default_factory=list)
    changes: deque[tuple[int, float, float]] = field(default_factory=lambda: deque(maxlen=PAST))
    driving_ms: int = -1
    """Since when the motor has been on without a break; -1 while it is not."""
    drives: list[tuple[int, int]] = field(default_factory=list)
    """Times of a motor that drove on, closed since the last ``take_drives``."""
    energies: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=PAST))

    @classmethod
    def of(cls, scale: Scale) -> Segments:
        return cls(scale, scale.heat_w)

    def begin(self, at_ms: int, energy_mwms: int) -> None:
        """A run begins here: nothing before counts."""
        self.at_ms = at_ms
        self.bins.clear()
        self.open, self.doubt, self.doubt_bins, self.closed = None, None, [], []
        self.driving_ms, self.drives = -1, []
        self.changes.clear()
        self.energies.clear()
        self.energies.append((at_ms, energy_mwms))

    def change(self, at_ms: int, from_w: float, to_w: float) -> None:
        """The level changed."""
        self.changes.append((at_ms, from_w, to_w))

    def lay(self, to_ms: int, level_w: float | None, energy_mwms: int) -> None:
        """The level was ``level_w`` (None: unknown) up to ``to_ms``, and the energy counted so far is this."""
        at = self.at_ms
        while at < to_ms:
            index = at // BIN_MS
            if not self.bins or self.bins[-1].index != index:
                if self.bins:
                    self._drive(self.bins[-1])
                self.bins.append(Bin(index))
                if len(self.bins) > HALF + 1:
                    self._judge(len(self.bins) - 2 - HALF)
                if len(self.bins) > 2 * HALF + 2:
                    self.bins.popleft()
            stop = min(to_ms, (index + 1) * BIN_MS)
            if level_w is not None:
                self.bins[-1].add(level_w, stop - at)
            at = stop
        self.at_ms = max(self.at_ms, to_ms)
        self.energies.append((to_ms, energy_mwms))

    def _drive(self, done: Bin) -> None:
        """A bin is complete: does the motor drive on?"""
        start_ms = done.index * BIN_MS
        on = done.known_ms > 0 and self.scale.small_w < done.low_w and done.high_w < self.heat_w
        if on and self.driving_ms < 0:
            self.driving_ms = start_ms
        elif not on and self.driving_ms >= 0:
            if start_ms - self.driving_ms >= DRIVE_BINS * BIN_MS:
                first_ms = self._crossing(self.driving_ms, self.scale.small_w, up=True)
                self.drives.append((first_ms, self._crossing(start_ms, self.scale.small_w, up=False)))
            self.driving_ms = -1

    def current_drive(self, at_ms: int) -> list[tuple[int, int]]:
        """The drive that goes on."""
        if self.driving_ms < 0 or at_ms - self.driving_ms < DRIVE_BINS * BIN_MS:
            return []
        return [(self.driving_ms, at_ms)]

    def take_drives(self) -> list[tuple[int, int]]:
        """What has closed since the last time."""
        taken, self.drives = self.drives, []
        return taken

    def touch(self, power_w: float) -> None:
        """One reading alone stood at ``power_w``."""
        if self.bins:
            self.bins[-1].high_w = max(self.bins[-1].high_w, power_w)

    def _judge(self, centre: int) -> None:
        if centre < 0:
            return
        bins = list(self.bins)
        window = bins[max(0, centre - HALF) : centre + HALF + 1]
        self._push(look_of(window, bins[centre], self.scale, self.heat_w), bins[centre])

    def _push(self, look: Look, bin_: Bin) -> None:
        now = self.open
        if look == "heat" and not self._is_heater(bin_):
            look = "run"
        if now is None:
            start_ms = max(bin_.index * BIN_MS, self.energies[0][0])
            self.open = _Open(look, start_ms, self._energy_at(start_ms))
            self.open.add(bin_)
            return
        if look == now.look:
            for held in self.doubt_bins:
                now.add(held)
            self.doubt, self.doubt_bins = None, []
            now.add(bin_)
            return
        if look != self.doubt and self.doubt is not None and "heat" not in (look, self.doubt):
            # a third look while a second is in doubt: the doubt goes on under the newer name
            self.doubt = look
        elif look != self.doubt:
            for held in self.doubt_bins:
                now.add(held)
            self.doubt, self.doubt_bins = look, []
        self.doubt_bins.append(bin_)
        if len(self.doubt_bins) >= BELIEVE_BINS[look]:
            self._turn(look)

    def _turn(self, look: Look) -> None:
        """The look in doubt is believed: the open segment ends at the edge between them."""
        now = self.open
        assert now is not None
        first = self.doubt_bins[0]
        edge_ms = max(self._edge(now.look, look, first.index * BIN_MS), now.start_ms)
        energy = self._energy_at(edge_ms)
        self._close(edge_ms, energy)
        self.open = _Open(look, edge_ms, energy)
        for held in self.doubt_bins:
            self.open.add(held)
        self.doubt, self.doubt_bins = None, []

    def _close(self, end_ms: int, energy_mwms: int) -> None:
        now = self.open
        if now is not None and end_ms > now.start_ms:
            top = now.top_sum / now.top_n if now.top_n else 0.0
            self.closed.append(Segment(now.look, now.start_ms, end_ms, energy_mwms - now.start_mwms, now.peak_w, top))

    def _is_heater(self, bin_: Bin) -> bool:
        """Without a plate, a heater is what switches: a motor that runs up to a kilowatt in a spin climbs there."""
        now = self.open
        if (
            self.scale.plates
            or self.heat_w > self.scale.heat_w
            or (now is not None and now.look in ("heat", "unknown"))
        ):
            return True
        start = bin_.index * BIN_MS
        rises = [c for c in self.changes if start - 2 * EDGE_MS <= c[0] <= start + BIN_MS and c[2] >= self.heat_w]
        return any(to - before >= 0.6 * to for _, before, to in rises) or not self.changes

    def heater_seen(self, level_w: float, ms: int) -> None:
        """A high level for a while: without plates it tells what this machine's heater draws."""
        if self.scale.plates or level_w < max(HEATER_W, self.heat_w):
            self.heater_ms = 0
            return
        self.heater_ms += ms
        if self.heater_ms >= LONG_HEAT_MS:
            self.heat_w = max(self.heat_w, 0.6 * level_w)

    def _edge(self, left: Look, right: Look, near_ms: int) -> int:
        """The level change that parts two looks; the bin's edge where none does."""
        both = {left, right}
        if "heat" in both:
            limit = self.heat_w
        elif "quiet" in both:
            limit = self.scale.quiet_w
        elif "small" in both:
            limit = self.scale.small_w
        else:
            return near_ms
        up = right == "heat" or left == "quiet" or (left == "small" and right != "quiet")
        return self._crossing(near_ms, limit, up)

    def _crossing(self, near_ms: int, limit_w: float, up: bool) -> int:
        """The nearest level change through ``limit_w``; ``near_ms`` itself where there is none near."""
        best, best_ms = near_ms, EDGE_MS + 1
        for at_ms, before, to in self.changes:
            crosses = before <= limit_w < to if up else to <= limit_w < before
            if crosses and abs(at_ms - near_ms) < best_ms:
                best, best_ms = at_ms, abs(at_ms - near_ms)
        return best

    def _energy_at(self, at_ms: int) -> int:
        """Energy counted up to ``at_ms``, in proportion between the two nearest counts."""
        counts = self.energies
        if at_ms <= counts[0][0]:
            return counts[0][1]
        for place in range(len(counts) - 1, 0, -1):
            (left_ms, left), (right_ms, right) = counts[place - 1], counts[place]
            if left_ms <= at_ms <= right_ms and right_ms > left_ms:
                return left + (right - left) * (at_ms - left_ms) // (right_ms - left_ms)
        return counts[-1][1]

    def drain(self, end_ms: int) -> list[Segment]:
        """The run ends at ``end_ms``: judge what still waits, close the last segment, hand over all that is closed."""
        for centre in range(max(0, len(self.bins) - 1 - HALF), len(self.bins)):
            if self.bins[centre].index * BIN_MS < end_ms:
                self._judge(centre)
        if self.open is not None:
            if self.doubt is not None and len(self.doubt_bins) >= 2:
                self._turn(self.doubt)
            self._close(max(end_ms, self.open.start_ms), self._energy_at(end_ms))
        return self.take()

    def current(self, at_ms: int, energy_mwms: int | None) -> list[Segment]:
        """The segment that is growing, as far as ``at_ms``; a look in doubt is not told apart yet."""
        now = self.open
        if now is None or at_ms <= now.start_ms:
            return []
        energy = self._energy_at(at_ms) if energy_mwms is None else energy_mwms
        top = now.top_sum / now.top_n if now.top_n else 0.0
        return [Segment(now.look, now.start_ms, at_ms, energy - now.start_mwms, now.peak_w, top)]

    def take(self) -> list[Segment]:
        """What has closed since the last time."""
        taken, self.closed = self.closed, []
        return taken

    def save(self) -> dict[str, Any]:
        now = self.open
        return {
            "heat_w": self.heat_w,
            "heater_ms": self.heater_ms,
            "at_ms": self.at_ms,
            "bins": [b.save() for b in self.bins],
            "open": None
            if now is None
            else [now.look, now.start_ms, now.start_mwms, now.peak_w, now.top_sum, now.top_n],
            "doubt": self.doubt,
            "driving_ms": self.driving_ms,
            "doubt_bins": [b.save() for b in self.doubt_bins],
            "changes": [list(c) for c in self.changes],
            "energies": [list(c) for c in self.energies],
        }

    @classmethod
    def restore(cls, scale: Scale, state: dict[str, Any]) -> Segments:
        self = cls(scale, state["heat_w"], state["heater_ms"], state["at_ms"])
        self.bins = deque(Bin(*b) for b in state["bins"])
        self.open = None if state["open"] is None else _Open(*state["open"])
        self.doubt, self.driving_ms = state["doubt"], state["driving_ms"]
        self.doubt_bins = [Bin(*b) for b in state["doubt_bins"]]
        self.changes.extend((c[0], c[1], c[2]) for c in state["changes"])
        self.energies.extend((c[0], c[1]) for c in state["energies"])
        return self
