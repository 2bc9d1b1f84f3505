"""Likely causes of an alert, from a table of the trade: rows of TOML, read here, ranked by the evidence at hand.

Pure: takes text. The table that comes along is ``config/causes/*.toml``; users add their own files after it
(``settings.causes``). A row is a condition and what to tell the person who stands before the machine.
"""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loadbook.checked import Strict, parse_toml
from loadbook.errors import InputError
from loadbook.events import ALERT_KINDS, Cause
from loadbook.machine import Component, Kind, Machine, Nature, Stage

FACTS: dict[str, str] = {
    "drew_earlier": "the part drew its watts earlier in this cycle",
    "never_drew": "the part has not drawn at all in this cycle",
    "flickers": "the part switched on and off several times within a minute",
    "decays": "the part's watts fell slowly while it was on",
    "supply_low": "the supply was below its allowed band at the time",
    "supply_high": "the supply was above its allowed band at the time",
    "supply_fine": "the supply was within its allowed band at the time",
    "after_power_cut": "the supply was away earlier in this cycle",
    "nothing_drew": "the whole machine was at standby or below at the time",
    "cycle_done_before": "an earlier cycle of this machine ran without this alert",
    "at_start": "it happened in the first needed phase of the cycle",
    "no_cycle": "no cycle was running",
}
"""What a row may ask under ``facts``, and what it means. A row that rests on a fact nobody knows is not told."""

MAX_CAUSES = 5
UNNAMED_PART = 1.5
"""A cause of one part ranks so much lower where no part is named nor missing."""
_PLACES = ("measured", "low", "high", "part", "phase", "share", "voltage")

PartWord = Annotated[str, Field(pattern=r"^[a-z0-9_]+$", max_length=40)]
Text = Annotated[str, Field(min_length=8, max_length=600)]


class Role(Strict):
    """What a component is in the trade's words, told from the words in its id or name, its nature and its watts."""

    role: PartWord
    words: tuple[str, ...] = ()
    natures: tuple[Nature, ...] = ()
    min_w: float = 0.0
    max_w: float = 1e9
    machines: tuple[Kind, ...] = ()


class CauseRow(Strict):
    """One row: when it applies, and what it says. Stage, part, machine and share must fit or be unknown;
    what ``drew``, was ``silent`` and the ``facts`` must be known."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9-]+$", max_length=64)]
    kinds: tuple[str, ...] = Field(min_length=1)
    stages: tuple[Stage, ...] = ()
    parts: tuple[PartWord, ...] = ()
    machines: tuple[Kind, ...] = ()
    drew: tuple[PartWord, ...] = ()
    silent: tuple[PartWord, ...] = ()
    share: tuple[float, float] | None = None
    facts: tuple[str, ...] = ()
    weight: float = Field(default=0.0, ge=-10, le=10)
    cause: Text
    because: Text
    check: Text
    safety: str | None = None

    @model_validator(mode="after")
    def _known(self) -> Self:
        for kind in self.kinds:
            if kind not in ALERT_KINDS:
                raise ValueError(f"kinds names {kind!r}; an alert kind is one of {', '.join(ALERT_KINDS)}")
        for fact in self.facts:
            if fact not in FACTS:
                raise ValueError(f"facts names {fact!r}; a fact is one of {', '.join(FACTS)}")
        if self.share is not None and self.share[0] > self.share[1]:
            raise ValueError("share must be [least, most], as fractions of the expected watts")
        for key in ("because", "check"):
            try:
                places = [place for _, place, _, _ in string.Formatter().parse(getattr(self, key)) if place is not None]
            except ValueError as bad:
                raise ValueError(f"{key} of row {self.id!r}: {bad}; write {{{{ or }}}} for a brace") from None
            for place in places:
                if place not in _PLACES:
                    raise ValueError(f"{key} has {{{place}}}; a place is one of {', '.join(_PLACES)}")
        return self


class _CauseFile(Strict):
    """One file of the table."""

    safety: dict[str, Text] = Field(default_factory=dict)
    drop: tuple[str, ...] = ()
    roles: tuple[Role, ...] = Field(default=(), alias="role")
    rows: tuple[CauseRow, ...] = Field(default=(), alias="cause")


Drawing = Literal["drew", "silent"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known when an alert is raised. ``None`` or absent means *not known*.

    ``parts`` says of components (by id) whether they ``drew`` their watts or were expected and stayed ``silent`` in
    this phase. ``expected_w`` is what ``component`` should draw at the supply voltage of the moment.
    """

    kind: str
    stage: str | None = None
    phase: str | None = None
    component: str | None = None
    measured: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    expected_w: float | None = None
    voltage_v: float | None = None
    parts: Mapping[str, Drawing] = field(default_factory=dict)
    facts: Mapping[str, bool] = field(default_factory=dict)

    @property
    def share(self) -> float | None:
        """Measured watts as a fraction of the expected ones."""
        if self.unit != "W" or self.measured is None or not self.expected_w:
            return None
        return self.measured / self.expected_w


def _amount(value: float | None, unit: str | None) -> str:
    """A figure for people: ``412 s``, ``1,020 W``, ``0.6 W``."""
    if value is None:
        return "an unknown amount"
    digits = 0 if abs(value) >= 100 or unit == "s" else 1 if abs(value) >= 10 else 2
    return f"{value:,.{digits}f} {unit or ''}".strip()


class CauseTable:
    """All rows, from every file, in order of reading. Unchanging."""

    def __init__(
        self,
        rows: Iterable[CauseRow] = (),
        roles: Iterable[Role] = (),
        safety: Mapping[str, str] | None = None,
    ) -> None:
        self.rows = tuple(rows)
        self.roles = tuple(roles)
        self.safety = dict(safety or {})
        self._by_kind: dict[str, list[CauseRow]] = {}
        for row in self.rows:
            for kind in row.kinds:
                self._by_kind.setdefault(kind, []).append(row)

    def role(self, part: Component, machine: Kind | None = None) -> str | None:
        """What a component is: the first role of the table that fits it, or None."""
        text = f"{part.id} {part.name or ''}".lower()
        for role in self.roles:
            if role.words and not any(word in text for word in role.words):
                continue
            if role.natures and part.nature not in role.natures:
                continue
            if role.machines and machine not in role.machines:
                continue
            if role.min_w <= part.rated_w <= role.max_w:
                return role.role
        return None

    def likely(self, evidence: Evidence, machine: Machine | None = None, most: int = MAX_CAUSES) -> list[Cause]:
        """The causes that fit the evidence, best first: the more of its conditions a row sees met, the higher.

        A row that the evidence contradicts is left out, and one whose text states what nobody has seen; a row whose
        stage, part or share nobody can tell stays, lower down.
        """
        kind = None if machine is None else machine.machine.kind
        roles = {} if machine is None else {p.id: self.role(p, kind) for p in machine.components}
        ranked: list[tuple[float, int, CauseRow]] = []
        for place, row in enumerate(self._by_kind.get(evidence.kind, [])):
            score = _score(row, evidence, roles, kind)
            if score is not None:
                ranked.append((-score, place, row))
        ranked.sort(key=lambda entry: entry[:2])
        return [self._say(row, evidence, machine) for _, _, row in ranked[:most]]

    def _say(self, row: CauseRow, evidence: Evidence, machine: Machine | None) -> Cause:
        part = evidence.component
        if machine is not None and part is not None:
            part = next((p.name or p.id for p in machine.components if p.id == part), part)
        share = evidence.share
        places = {
            "measured": _amount(evidence.measured, evidence.unit),
            "low": _amount(evidence.low, evidence.unit),
            "high": _amount(evidence.high, evidence.unit),
            "part": part or "the part",
            "phase": evidence.phase or "this phase",
            "share": "an unknown share" if share is None else f"{share:.0%}",
            "voltage": _amount(evidence.voltage_v, "V"),
        }
        safety = None if row.safety is None else self.safety.get(row.safety, row.safety)
        return Cause(row.cause, row.because.format_map(places), row.check.format_map(places), safety)


def _score(row: CauseRow, evidence: Evidence, roles: Mapping[str, str | None], machine: Kind | None) -> float | None:
    """How well a row fits: None when something contradicts it."""
    score = row.weight
    own = roles.get(evidence.component or "")
    drew = {roles.get(part) for part, state in evidence.parts.items() if state == "drew"}
    silent = {roles.get(part) for part, state in evidence.parts.items() if state == "silent"}
    if evidence.kind == "component_missing":
        silent.add(own)
        if row.silent and own not in row.silent:
            return None  # of another part than the one that is missing
    checks: list[tuple[bool | None, float]] = []
    if row.stages:
        checks.append((None if evidence.stage is None else evidence.stage in row.stages, 2.0))
    if row.parts:
        if evidence.component is None and "{part}" in row.because:
            return None
        if evidence.component is not None:
            checks.append((own in row.parts, 3.0))
        elif silent & set(row.parts):
            checks.append((True, 3.0))
        else:
            score -= UNNAMED_PART
    if row.machines:
        checks.append((None if machine is None else machine in row.machines, 0.5))
    # what a row says drew or did not, and the facts it rests on, must be known: its text states them to people
    for role in row.drew:
        checks.append((role in drew, 2.0))
    for role in row.silent:
        checks.append((role in silent or (evidence.kind == "phase_missing" and role not in drew), 2.0))
    if row.share is not None:
        share = evidence.share
        checks.append((None if share is None else row.share[0] <= share <= row.share[1], 2.0))
    checks += [(bool(evidence.facts.get(fact)), 1.5) for fact in row.facts]
    for met, worth in checks:
        if met is False:
            return None
        score += worth if met else -worth / 4
    return score


def parse_causes(files: Iterable[tuple[str, str]]) -> CauseTable:
    """The table from ``(file name, text)`` pairs, in order. Raises InputError of one line.

    A later row of the same ``id`` takes the place of the earlier one; ``drop`` takes rows of earlier files out; roles
    of later files are tried first.
    """
    rows: dict[str, CauseRow] = {}
    roles: list[Role] = []
    safety: dict[str, str] = {}
    for name, text in files:
        table = parse_toml(text, _CauseFile, name)
        for gone in table.drop:
            if gone not in rows:
                raise InputError(f"{name}: drop: no cause has the id {gone!r}; take it out or mend it")
            del rows[gone]
        seen: set[str] = set()
        for row in table.rows:
            if row.id in seen:
                raise InputError(f"{name}: two causes have the id {row.id!r}; give each its own")
            seen.add(row.id)
            rows[row.id] = row
        roles[:0] = table.roles
        safety.update(table.safety)
    for row in rows.values():
        if row.safety is not None and row.safety not in safety and " " not in row.safety:
            raise InputError(f"cause {row.id!r}: safety names {row.safety!r}, which no [safety] table has; add it")
    return CauseTable(rows.values(), roles, safety)
