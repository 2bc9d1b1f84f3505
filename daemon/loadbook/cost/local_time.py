"""Local clock time over a range of instants: stretches of one offset from UTC, and the days within them.

Both nights on which clocks change come out right because a stretch never contains a change: an hour that comes twice
lies in two stretches, an hour that is left out lies in none.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

DAY_MS = 86_400_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_DAY = date(1970, 1, 1).toordinal()


def offset_ms(at_ms: int, zone: ZoneInfo) -> int:
    """How far local clocks are ahead of UTC at an instant, in ms."""
    offset = (_EPOCH + timedelta(milliseconds=at_ms)).astimezone(zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * 1000)


def stretches(start_ms: int, end_ms: int, zone: ZoneInfo) -> Iterator[tuple[int, int, int]]:
    """``(start_ms, end_ms, offset_ms)``, one after the other, that make up the range; no change of offset inside one.

    Looks at the offset once a day: two changes within 24 hours that undo each other would be missed; there are none.
    """
    begin, here = start_ms, offset_ms(start_ms, zone)
    at = start_ms
    while at < end_ms:
        after = min(at + DAY_MS, end_ms)
        there = offset_ms(after, zone)
        if there != here:
            low, high = at, after  # the offset at low is here, at high it is not
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if offset_ms(middle, zone) == here else (low, middle)
            if high < end_ms:
                yield begin, high, here
                begin, here = high, offset_ms(high, zone)
                at = high
                continue
        at = after
    if begin < end_ms:
        yield begin, end_ms, here


def days(start_ms: int, end_ms: int, offset: int) -> Iterator[tuple[date, int]]:
    """Local days touched by a stretch of one offset: the day and the instant of its midnight on that offset."""
    for number in range((start_ms + offset) // DAY_MS, (end_ms - 1 + offset) // DAY_MS + 1):
        yield date.fromordinal(_EPOCH_DAY + number), number * DAY_MS - offset


def local_date(at_ms: int, zone: ZoneInfo) -> date:
    """The calendar day at an instant."""
    return date.fromordinal(_EPOCH_DAY + (at_ms + offset_ms(at_ms, zone)) // DAY_MS)


def day_start_ms(day: date, zone: ZoneInfo) -> int:
    """The first instant of a local day: midnight, or where clocks jump over it the instant after the jump."""
    return round(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp() * 1000)
