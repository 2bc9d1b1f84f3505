"""The values of an electrical safety test, as the licensed person who made it enters them. Pure.

Loadbook neither measures, computes nor suggests any of them; it prints what was entered, with who, when, by which
standard and with which instrument, or the sentence that none is recorded.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from loadbook.checked import Strict

NONE_RECORDED = "No electrical safety test is recorded in this report."

Words = Annotated[str, Field(min_length=1, max_length=200)]


class SafetyCheck(Strict):
    """One check: what, the limit, the value, the person's own result."""

    check: Words
    limit: str = Field(default="", max_length=80)
    value: str = Field(min_length=1, max_length=80)
    result: Words


class SafetyRecord(Strict):
    """A safety test after repair."""

    tester: Words
    standard: Words
    instrument: Words
    checks: tuple[SafetyCheck, ...] = Field(min_length=1, max_length=30)
