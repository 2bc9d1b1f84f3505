"""What a level can mean in a phase: which parts would draw it, and what would have to be wrong.

Pure. Made from the rating plates alone. A level is explained by the parts of the phase within their bands where that
is possible; else by one fault: a part missing, outside its band, or drawing that does not belong; else by none.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from loadbook.recognise.chart_model import ChartModel, PhaseModel
from loadbook.recognise.fits import Fit, Table, coarse
from loadbook.recognise.options import NO_FIT_Z, Fault, Here, Option, Options
from loadbook.recognise.resistive import JUMP_MS, Resistive

HIGHEST, HIGHEST_SMALL, SMALL_MOTOR_W = 2.1, 2.3, 100.0
"""A part that draws more than this many times its plate is not that part."""
LEARN_SHARE = 0.35
"""A part's usual draw is not learned from levels below this share of its plate: they may be something else."""
TRICKLE_W = 14.0
"""A draw this small in a quiet phase is rather a vent, a relay or a valve's last drop than a fault."""
OFF_SHARE = 0.55
"""A motor that was seen drawing alone draws no less than this share of what it usually does."""
BASE_MORE_W, NO_LIMIT_W = 2.5, 1e9
UNTOLD_W = 5.0
"""Draw that no part explains does not count up to this (contract): all may be at rest."""
REST_Z, UNTOLD_Z = 0.4, 0.6
FAR_FETCHED_Z = 0.8
"""Beside an explanation without a fault that is more far-fetched than this, faults are thought of as well."""
LEVEL_TOL = 0.02
CACHE = 4000
"""So many answers are kept, of a level in a phase."""


_Learned = tuple[float, bool, float, tuple[tuple[int, float], ...], tuple[tuple[int, float, float], ...]]
"""All of what was learned that an answer depends on: the base, whether it was seen, the meter's steps, usual draws,
heaters."""


@dataclass(slots=True)
class _Kept:
    """Answers by phase, level and volts; the parts' figures by volts; sets of parts by phase and volts."""

    options: dict[tuple[int, int, int], Options] = field(default_factory=dict)
    tables: dict[float | None, Table] = field(default_factory=dict)
    rows: dict[tuple[int, float | None], tuple[list[Fit], list[Fit]]] = field(default_factory=dict)


@dataclass(slots=True)
class Levels:
    """Explains levels for one machine. ``base_w`` is what the machine itself draws in a cycle, learned as it goes;
    ``motor_w`` what a motor alone was seen to draw."""

    chart: ChartModel
    resistive: Resistive
    base_w: float = 1.5
    base_seen: bool = False
    usual_w: dict[int, float] = field(default_factory=dict)
    resolution_w: float = 1.0
    """What the meter can tell apart, at most 2 W."""
    _kept: _Kept = field(default_factory=_Kept)
    """Made from just what is known now."""
    _all_kept: dict[_Learned, _Kept] = field(default_factory=dict)
    """What was learned moves in steps, often back and forth: what was made from each of them."""
    _kept_n: int = 0
    _here: Here | None = None
    _phase_sets: dict[int, list[tuple[tuple[Fault, ...], tuple[int, ...], int]]] = field(default_factory=dict)

    @classmethod
    def of(cls, chart: ChartModel) -> Levels:
        standby = chart.standby_w
        return cls(chart, Resistive(chart.parts), 1.5 if standby is None else standby)

    def learn_resolution(self, resolution_w: float) -> None:
        """The meter's steps, as seen so far."""
        new = min(2.0, max(0.1, round(resolution_w, 1))) if resolution_w else 1.0
        if new != self.resolution_w:
            self.resolution_w = new
            self._learned()

    def learn_base(self, level_w: float) -> None:
        """A level at standby inside a cycle: the machine's own draw, the least that was seen for some seconds."""
        new = level_w if not self.base_seen or level_w < self.base_w else 0.8 * self.base_w + 0.2 * level_w
        if abs(new - self.base_w) > 0.05 or not self.base_seen:
            self.base_w = round(new, 2)
            self.base_seen = True
            self._learned()

    def new_cycle(self) -> None:
        """What the machine draws in a cycle is to be seen anew: displays and relays differ by programme."""
        self.base_seen = False
        self.base_w = 1.5 if self.chart.standby_w is None else self.chart.standby_w
        self._learned()

    def learn_usual(self, part: int, level_w: float) -> None:
        """A part was seen drawing alone."""
        drawn = level_w - self.base_w
        if drawn < LEARN_SHARE * self.chart.parts[part].rated_w:
            return
        old = self.usual_w.get(part)
        new = drawn if old is None else 0.8 * old + 0.2 * drawn
        self.usual_w[part] = new
        if old is None or coarse(old) != coarse(new):
            self._learned()

    def learn_resistive(
        self, part: int, level_w: float, volts: float | None, stood_ms: int, on_ms: int, jumps: bool = False
    ) -> None:
        """A heater was seen to draw what stands above the machine's own; ``on_ms``: for how long it has been on;
        ``jumps``: it is odd that it should draw that, which is believed only once it has lasted."""
        drawn = level_w - self.base_w
        if drawn <= self.chart.parts[part].least_w or (jumps and part in self.resistive.known and stood_ms < JUMP_MS):
            return
        if self.resistive.learn(part, drawn, volts, stood_ms, on_ms):
            self._learned()

    def base_more_w(self) -> float:
        """By how much the machine itself may draw more in a cycle than at standby, as long as that was not seen."""
        return 0.0 if self.base_seen else max(0.0, min(BASE_MORE_W, self.chart.at_standby_w - self.base_w))

    def _learned(self) -> None:
        """Something else is known now: goes on with the answers that were made from just that."""
        usual = tuple((i, coarse(w)) for i, w in sorted(self.usual_w.items()))
        if len(self._all_kept) >= CACHE // 40:
            self._all_kept.clear()
            self._kept_n = 0
        key = (self.base_w, self.base_seen, self.resolution_w, usual, self.resistive.told())
        self._kept = self._all_kept.setdefault(key, _Kept())
        self._here = None

    def usual(self, part: int, volts: float | None) -> float:
        """What a part usually draws at this voltage, W."""
        return self._table(None if volts is None else round(volts)).usual[part]

    def draws_w(self, part: int, low: float, high: float) -> tuple[float, float]:
        """With how many watts a part other than a heater comes on: by what it was seen to draw, or by its plate."""
        usual, plate = self.usual_w.get(part), self.chart.parts[part]
        return (plate.least_w, plate.high_w) if usual is None else (low * usual, high * usual + 2.0)

    def off_mask(self, level_w: float, volts: float | None) -> int:
        """Parts that cannot be drawing at this level, as a mask: it is too low for them."""
        table = self._table(None if volts is None else int(volts / 2 + 0.5) * 2.0)
        own = level_w - self.base_w + self._tol(level_w)
        mask = 0
        for i, low in enumerate(table.low):
            known = table.known[i] and not self.chart.parts[i].resistive
            if own < (max(low, OFF_SHARE * table.usual[i]) if known else low):
                mask |= 1 << i
        return mask

    def at_standby(self, level_w: float) -> bool:
        return level_w <= self.chart.at_standby_w

    def explain(self, phase: PhaseModel, level_w: float, volts: float | None) -> Options:
        """Every sensible explanation, the healthy ones first; never empty. Levels are told apart to about 1 %."""
        here = self._here
        if here is None or here.level_w != level_w or here.volts != volts:
            here = self._here = Here.of(level_w, volts, self.resistive)
        found = here.options.get(phase.number)
        if found is None:
            found = here.options[phase.number] = self._explained(phase, here)
        return found

    def healthy_z(self, phase: PhaseModel, level_w: float, volts: float | None) -> float:
        """How far-fetched the explanation without a fault is; more than anything where there is none."""
        here = self._here
        if here is None or here.level_w != level_w or here.volts != volts:
            here = self._here = Here.of(level_w, volts, self.resistive)
        found = here.healthy_z.get(phase.number)
        if found is None:
            tol, own = self._tol(here.coarse_w), here.coarse_w - self.base_w
            rows = self._fit_rows_of(phase, here.coarse_v)[0]
            options = self._fits(phase, own, tol, [row for row in rows if not row.faults], here.coarse_w)
            if phase.band_w is not None:
                options += self._by_band(phase, here.coarse_w, tol, self._table(here.coarse_v))
            found = min((o.z for o in options if not o.faults), default=NO_FIT_Z)
            here.healthy_z[phase.number] = found
        return found

    def _explained(self, phase: PhaseModel, here: Here) -> Options:
        key = (phase.number, *here.key)
        found = self._kept.options.get(key)
        if found is None:
            if self._kept_n >= CACHE:
                self._all_kept.clear()
                self._kept, self._kept_n = _Kept(), 0
            self._kept_n += 1
            found = self._kept.options[key] = self._explain(phase, here.coarse_w, here.coarse_v)
        return found

    # ------------------------------------------------------------------ the work

    def _explain(self, phase: PhaseModel, level_w: float, volts: float | None) -> Options:
        tol, own, table = self._tol(level_w), level_w - self.base_w, self._table(volts)
        rows = self._fit_rows_of(phase, volts)
        options = self._fits(phase, own, tol, rows[0], level_w)
        if phase.band_w is not None:
            options += self._by_band(phase, level_w, tol, table)
            options += self._stuck_beside_band(phase, level_w, tol, table)
        least = min((o.z for o in options if not o.faults), default=None)
        if least is None or least > FAR_FETCHED_Z:
            options += self._off_band(phase, own, table)
        if least is None or least > FAR_FETCHED_Z:
            options += [Option(r.faults, r.mask, z) for r in rows[1] if (z := r.z(own, tol, 0.0)) is not None]
        if least is None and phase.quiet and own <= TRICKLE_W:
            options = [o for o in options if not any(kind == "unexpected" for kind, _ in o.faults)]
            options.append(Option((("trickle", self._small_part(phase, own, table)),), phase.on_mask, 0.0))
        if not options:
            kind = "heats" if phase.cold_mask and level_w > self.chart.cold_w else "excess"
            options.append(Option(((kind, -1),), phase.on_mask, 0.0))
        best: dict[tuple[Fault, ...], Option] = {}
        for option in options:
            old = best.get(option.faults)
            if old is None or option.z < old.z:
                best[option.faults] = option
        return Options.of(sorted(best.values(), key=lambda o: (len(o.faults), o.z)), options)

    def _tol(self, level_w: float) -> float:
        return 0.5 + 0.5 * self.resolution_w + LEVEL_TOL * level_w

    def _fit_rows_of(self, phase: PhaseModel, volts: float | None) -> tuple[list[Fit], list[Fit]]:
        """What the phase's sets of parts may draw at this voltage; and the same with one that does not belong."""
        found = self._kept.rows.get((phase.number, volts))
        if found is None:
            table = self._table(volts)
            found = self._kept.rows[phase.number, volts] = self._rows(phase, table), self._foreign_rows(phase, table)
        return found

    def _small_part(self, phase: PhaseModel, own: float, table: Table) -> int:
        """The part not listed whose watts a small draw in a quiet phase has; -1 where it is none's."""
        near = [
            (abs(own / expected - 1), i)
            for i, expected in enumerate(table.usual)
            if not phase.mask >> i & 1 and abs(own / expected - 1) < 0.3
        ]
        return min(near)[1] if near else -1

    def _table(self, volts: float | None) -> Table:
        found = self._kept.tables.get(volts)
        if found is None:
            found = self._kept.tables[volts] = Table.of(self.chart.parts, self.usual_w, self.resistive, volts)
        return found

    def _sets(self, phase: PhaseModel) -> list[tuple[tuple[Fault, ...], tuple[int, ...], int]]:
        """(what is missing, what draws, the same as a mask) for every part that may be on or off in a phase."""
        found = self._phase_sets.get(phase.number)
        if found is None:
            on_sets: list[tuple[int, ...]] = [()]
            for part in phase.on:
                on_sets += [(*s, part) for s in on_sets]
            pulsing: list[tuple[int, ...]] = [()]
            for part in phase.pulsing:
                pulsing += [(*s, part) for s in pulsing]
            found = self._phase_sets[phase.number] = [
                (tuple(("missing", i) for i in phase.on if i not in on), (*on, *p), self._mask((*on, *p)))
                for on in on_sets
                for p in pulsing
            ]
        return found

    def _fits(self, phase: PhaseModel, own: float, tol: float, rows: list[Fit], level_w: float) -> list[Option]:
        """All needed parts with any of the pulsing ones; and with needed ones missing."""
        options, more = [], self.base_more_w()
        for row in rows:
            if not row.mask:
                if self.at_standby(level_w) or own <= UNTOLD_W:
                    z = 0.0 if own <= 1.5 + 0.5 * self.base_w else REST_Z if self.at_standby(level_w) else UNTOLD_Z
                    if len(row.faults) > 1 or (row.faults and phase.pulsing):
                        options.append(Option((("idle", -1),), 0, z))
                    if len(row.faults) < 2:
                        options.append(Option(row.faults, 0, z))
            elif (far := row.z(own, tol, more)) is not None:
                options.append(Option(row.faults, row.mask, far))
        return options

    def _rows(self, phase: PhaseModel, table: Table) -> list[Fit]:
        """Every set of the phase's parts, with what it may draw at this voltage."""
        rows = []
        for missing, drawing, mask in self._sets(phase):
            low = high = 0.0
            for i in drawing:
                low += table.low[i]
                high += table.high[i]
            if missing and (len(missing) < len(phase.on) or phase.pulsing):
                high += sum(table.least[i] for _, i in missing)
            varies = any(mask >> i & 1 and self.chart.parts[i].nature == "motor" for i in phase.pulsing)
            known = bool(drawing) and all(table.known[i] for i in drawing)
            usual = sum(table.usual[i] for i in drawing)
            row = Fit(missing, mask, low, high, usual, varies, known)
            if varies:
                row = row._replace(plates=sum(table.expected[i] for i in drawing))
            rows.append(self._firm(row, drawing, table))
        return rows

    def _firm(self, row: Fit, drawing: tuple[int, ...], table: Table, near_usual: tuple[int, ...] = ()) -> Fit:
        """The same, its heaters taken for what they are known to draw. ``near_usual``: parts of which the row says no
        more than that they draw about what is usual."""
        heaters = [i for i in drawing if table.firm[i]]
        if not heaters:
            return row
        low, high = row.low, row.high
        for i in heaters:
            firm = table.firm[i]
            low += firm - (firm * 0.75 if i in near_usual else table.low[i])
            high += firm - (min(firm * 1.25, table.high[i]) if i in near_usual else table.high[i])
        firm = sum(table.firm[i] for i in heaters)
        tol = sum(self.resistive.tolerance_w(i) for i in heaters) - LEVEL_TOL * firm
        return row._replace(firm=firm, firm_low=low, firm_high=high, firm_tol=tol)

    def _by_band(self, phase: PhaseModel, level_w: float, tol: float, table: Table) -> list[Option]:
        """A phase with a band of its own for the whole machine: within it, all is well."""
        low, high = phase.band_w or (None, None)
        if high is not None and level_w > high + tol:
            heats = level_w > self.chart.cold_w and not phase.resistive_mask
            found = self._heats(phase, (low or 0.0, high), level_w, tol, table) if heats else []
            kind = "heats" if heats and phase.cold_mask else "phase_high"
            return found or [Option(((kind, -1),), phase.mask, 0.0)]
        if low is not None and level_w < low - tol:
            return [] if self.at_standby(level_w) else [Option((("phase_low", -1),), phase.mask, 0.3)]
        return [Option((), phase.mask, 0.0)]

    def _heats(
        self, phase: PhaseModel, band_w: tuple[float, float], level_w: float, tol: float, table: Table
    ) -> list[Option]:
        """What only a heater can draw, in a phase with a band that has none: a part is named before a band. It stands
        beneath the phase, or draws alone."""
        found, own = [], level_w - self.base_w
        for i, part in enumerate(self.chart.parts):
            seen_w = self.resistive.drawn_w(i, table.volts)  # be it ill
            low, high = (table.low[i], table.high[i]) if seen_w is None else (seen_w, seen_w)
            if part.resistive and level_w - high <= band_w[1] + tol and level_w - low >= band_w[0] - tol:
                found.append(Option((("unexpected", i),), phase.mask | 1 << i, 0.0))
            elif part.resistive and low - tol <= own <= high + tol:
                found.append(Option((("unexpected", i), *(("missing", k) for k in phase.on)), 1 << i, 0.0))
        return found

    def _stuck_beside_band(self, phase: PhaseModel, level_w: float, tol: float, table: Table) -> list[Option]:
        """A known heater that was not switched off stands beneath a phase with a band of its own."""
        low, high = phase.band_w or (None, None)
        least_w, most_w = (low or 0.0) - tol, NO_LIMIT_W if high is None else high + tol
        return [
            Option((("unexpected", i),), phase.mask | 1 << i, 0.0)
            for i, firm_w in enumerate(table.firm)
            if firm_w and not phase.mask >> i & 1 and least_w <= level_w - firm_w <= most_w
        ]

    def _off_band(self, phase: PhaseModel, own: float, table: Table) -> list[Option]:
        """One part of the phase outside its band explains the level."""
        options = []
        for missing, drawing, mask in self._sets(phase):
            if missing:
                continue
            whole = sum(table.usual[i] for i in drawing)
            for i in drawing:
                drawn = own - (whole - table.usual[i])
                low, high, expected = table.band_low[i], table.band_high[i], table.expected[i]
                if low is not None and table.least[i] < drawn < low:
                    options.append(Option((("low", i),), mask, 0.2 * (1 - drawn / expected)))
                elif high < drawn <= (HIGHEST if expected > SMALL_MOTOR_W else HIGHEST_SMALL) * expected + 2:
                    # a heater that was well does not draw more all at once: a motor does
                    options.append(Option((("high", i),), mask, 0.3 * (drawn / expected - 1) + bool(table.firm[i])))
        return options

    def _foreign_rows(self, phase: PhaseModel, table: Table) -> list[Fit]:
        """The phase's parts, and one that does not belong. Beside a known heater that was not switched off they draw
        as they like; beside a part that hides them, near what is usual."""
        rows = []
        for missing, drawing, mask in self._sets(phase):
            if missing:
                continue
            lows = sum(table.low[k] for k in drawing)
            highs = sum(table.high[k] for k in drawing)
            usual_lows = sum(table.usual[k] for k in drawing) * 0.75
            usual_highs = sum(min(table.usual[k] * 1.25, table.high[k]) for k in drawing)
            varies = any(mask >> i & 1 and self.chart.parts[i].nature == "motor" for i in phase.pulsing)
            for i in range(len(self.chart.parts)):
                if not phase.mask >> i & 1:
                    firm = table.firm[i] > 0
                    low = table.low[i] + (lows if firm else usual_lows)
                    high = table.high[i] + (highs if firm else usual_highs)
                    usual = sum(table.usual[k] for k in (*drawing, i))
                    known = all(table.known[k] for k in (*drawing, i))
                    row = Fit((("unexpected", i),), mask | 1 << i, low, high, usual, firm and varies, known)
                    rows.append(self._firm(row, (*drawing, i), table, () if firm else drawing))
        return rows

    @staticmethod
    def _mask(drawing: tuple[int, ...]) -> int:
        return sum(1 << i for i in drawing)
