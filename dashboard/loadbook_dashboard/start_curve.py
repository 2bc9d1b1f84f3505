"""The cost of every start as a picture: steps over the hours to come, the cheapest and now marked in words. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from loadbook_dashboard.words import SiteTime

WIDTH, HEIGHT = 1000, 260
HOUR_ROOM, HOUR_ROOM_NARROW = 105, 62
"""Room for one hour's figures, in the picture's own units: a narrow one shows fewer."""
LEFT, RIGHT, TOP, BOTTOM = 12, 40, 60, 34


def draw(
    starts_ms: Sequence[int],
    costs: Sequence[float | None],
    best: int,
    time: SiteTime,
    currency: str,
    width: int = WIDTH,
) -> str:
    """An ``<svg>`` element, ``width`` of its own units wide. ``costs`` are in the tariff's currency, None where no
    price is known. Looks: book.css.
    """
    known = [c for c in costs if c is not None]
    low, high = min(known), max(known)
    room = (high - low) or max(abs(high), 0.01)
    first, last = starts_ms[0], starts_ms[-1]
    base = HEIGHT - BOTTOM

    def x(ms: float) -> float:
        return LEFT + (width - LEFT - RIGHT) * (ms - first) / max(last - first, 1)

    def y(cost: float) -> float:
        return base - 16 - (base - TOP - 16) * (cost - low) / room

    out = [
        f'<svg class="startcurve" viewBox="0 0 {width} {HEIGHT}" role="img"><title>Cost by the time of starting</title>'
    ]
    room_for_hours = HOUR_ROOM if width == WIDTH else HOUR_ROOM_NARROW
    step_h = next(
        h
        for h in (1, 2, 3, 6, 12, 24, 48, 96, 1000)
        if (last - first) / 3_600_000 / h <= (width - LEFT - RIGHT) / room_for_hours
    )
    hour = -(-first // 3_600_000) * 3_600_000
    while hour <= last:
        if time.local(hour).hour % step_h == 0 or step_h > 24:
            out.append(f'<line class="scale" x1="{x(hour):.1f}" x2="{x(hour):.1f}" y1="{base}" y2="{base + 6}"/>')
            out.append(f'<text x="{x(hour):.1f}" y="{base + 24}" text-anchor="middle">{time.time(hour)}</text>')
        hour += 3_600_000
    path, pen = [], "M"
    for i, cost in enumerate(costs):
        if cost is None:
            pen = "M"
            continue
        path.append(f"{pen}{x(starts_ms[i]):.1f} {y(cost):.1f}")
        end = starts_ms[i + 1] if i + 1 < len(starts_ms) else last
        path.append(f"H{x(end):.1f}")
        pen = "L"
    out.append(f'<line class="scale" x1="{LEFT}" x2="{width - RIGHT}" y1="{base}" y2="{base}"/>')
    out.append(f'<path class="curve" d="{" ".join(path)}"/>')
    for cost in {low, high}:
        out.append(f'<text x="{LEFT}" y="{y(cost) - 8:.1f}">{cost:.2f} {currency}</text>')
    at = costs[best]
    if at is not None:
        place = x(starts_ms[best])
        anchor = "start" if place < width * 0.7 else "end"
        out.append(f'<line class="best" x1="{place:.1f}" x2="{place:.1f}" y1="{TOP - 34}" y2="{base}"/>')
        out.append(f'<text class="best" x="{place:.1f}" y="{TOP - 40}" text-anchor="{anchor}">cheapest</text>')
    return "\n".join([*out, "</svg>"])
