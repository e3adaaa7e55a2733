"""How the desk's pages say dates, changes and counts."""

from __future__ import annotations

from datetime import UTC, date, datetime
from urllib.parse import quote

from markupsafe import Markup

from vibe.core.records.case_row import CaseRow
from vibe.core.text import MONTHS, dates_in_words, day_in_words, printable
from vibe.core.units import DAY_S

_FAR_DB = 12.0
"""A limit that lies farther above all values would press them flat (our choice: four times as high)."""
_FULL = 100.0
"""One scale for every bar of urgency: 0 to 100, with a line at 50."""


def moment(text: str) -> datetime | None:
    """A time as it is kept, None where there is none."""
    try:
        return datetime.fromisoformat(text) if text else None
    except ValueError:
        return None


def day(value: str | date | None) -> str:
    """A day as people write it: 9 Mar 2026."""
    one = moment(value) if isinstance(value, str) else value
    return "" if one is None else day_in_words(one)


def short_day(value: str | date | None, today: date | None = None) -> str:
    """A day without its year where that is this one."""
    one = moment(value) if isinstance(value, str) else value
    if one is None:
        return ""
    year = "" if one.year == (today or datetime.now().date()).year else f" {one.year}"
    return f"{one.day} {MONTHS[one.month - 1]}{year}"


def clock(value: str | datetime | None) -> str:
    """The time of day, as it was where it was written down."""
    one = moment(value) if isinstance(value, str) else value
    return "" if one is None else f"{one:%H:%M}"


def here(value: datetime) -> datetime:
    """A time in the zone of this machine: for what happens now, not for what was measured."""
    return value.astimezone()


def age(value: str, now: datetime | None = None) -> str:
    """How long ago something was, no finer than anybody needs."""
    one = moment(value)
    if one is None:
        return "never"
    now = now or datetime.now(UTC)
    days = (now - one).total_seconds() / DAY_S
    if days < 0:
        return "ahead"
    nights = (now.astimezone().date() - one.astimezone().date()).days
    if nights < 60:
        return {0: "today", 1: "yesterday"}.get(nights, f"{nights} days ago")
    return f"{days / 30.44:.0f} months ago" if days < 730 else f"{days / 365.25:.1f} years ago"


def signed(value: float | None, digits: int = 1) -> str:
    """A change, always with its sign."""
    return "" if value is None else f"{value:+.{digits}f}".replace("-", "−")


def counted(count: int) -> str:
    """A count with its thousands apart."""
    return f"{count:,}"


def case_address(row: CaseRow) -> str:
    """Where the page of a case is."""
    return f"/case/{quote(row.site, safe='')}/{quote(row.id, safe='')}"


def drive_address(site: str, tag: str) -> str:
    """Where the page of a drive is; tags may hold slashes."""
    return f"/drive?site={quote(site, safe='')}&tag={quote(tag, safe='')}"


def urgency_bar(row: CaseRow, width: int = 82, height: int = 15) -> Markup:
    """Urgency by its parts, on the scale of all bars; classes give the patterns."""
    scale, factor = (width - 2) / _FULL, min(row.factor, 1.0)
    x, drawn, added = 1.0, [], sum(amount for _, amount in row.parts)
    middle = height / 2
    for name, amount in row.parts:
        wide = min(amount * factor * scale, width - 1 - x)
        if wide > 0.4:
            kind = name.replace(" ", "-") if name in ("severity", "growth", "rate", "time", "spare part") else "other"
            drawn.append(f'<rect class="p-{kind}" x="{x:.1f}" y="2" width="{wide:.1f}" height="{height - 4}"/>')
        x += max(wide, 0.0)
    more = min(added * max(row.factor - 1.0, 0.0), max(_FULL - added * factor, 0.0)) * scale
    less = added * max(1.0 - row.factor, 0.0) * scale
    if more > 0.5:
        drawn.append(f'<rect class="p-more" x="{x:.1f}" y="2" width="{more:.1f}" height="{height - 4}"/>')
    elif less > 2:
        less = min(less, width - 2 - x)
        drawn.append(f'<rect class="p-less" x="{x + 0.5:.1f}" y="2.5" width="{less:.1f}" height="{height - 5}"/>')
    line = 1 + 50 * scale
    return Markup(
        f'<svg class="bar" viewBox="0 0 {width} {height}" width="{width}" height="{height}" aria-hidden="true" '
        f'focusable="false"><path class="p-base" d="M1 {middle}H{width - 1}"/>{"".join(drawn)}'
        f'<path class="p-gap" d="M{line:.1f} 0V{height}"/><path class="p-act" d="M{line:.1f} 0V{height}"/></svg>'
    )


def signed_bar(db: float, most: float = 10.0, width: int = 70) -> Markup:
    """A change as a bar right (up) or left (down) of a middle line; ``most`` fills its side."""
    middle = width / 2
    wide = min(abs(db) / most, 1.0) * (middle - 2)
    x = middle if db >= 0 else middle - wide
    return Markup(
        f'<svg class="bar" viewBox="0 0 {width} 12" width="{width}" height="12" aria-hidden="true">'
        f'<rect class="{"p-up" if db >= 0 else "p-down"}" x="{x:.1f}" y="1.5" width="{wide:.1f}" height="9"/>'
        f'<path class="p-middle" d="M{middle} 0V12"/></svg>'
    )


def shift_bar(was: float | None, now: float | None, width: int = 230) -> Markup:
    """Urgency then (ring) and now (dot), on the scale of all bars."""

    def place(value: float) -> float:
        return 6 + min(max(value, 0.0), _FULL) / _FULL * (width - 12)

    drawn = f'<path class="p-base" d="M6 9H{width - 6}"/><path class="p-act" d="M{place(50):.1f} 1V17"/>'
    if was is not None and now is not None:
        drawn += f'<path class="p-way" d="M{place(was):.1f} 9H{place(now):.1f}"/>'
    if was is not None:
        drawn += f'<circle class="p-ring" cx="{place(was):.1f}" cy="9" r="4.4"/>'
    if now is not None:
        drawn += f'<circle class="p-dot" cx="{place(now):.1f}" cy="9" r="5"/>'
    return Markup(
        f'<svg class="bar" viewBox="0 0 {width} 18" width="{width}" height="18" aria-hidden="true">'
    ) + Markup(drawn + "</svg>")


def spark(row: CaseRow, width: int = 172, height: int = 46) -> Markup:
    """The course of the series that changed most, with its alarm limit dashed."""
    values = row.course
    if len(values) < 3:
        return Markup("")
    # A limit far above would press the course flat; it is on the case's own page.
    limit = None if row.limit_db is None or row.limit_db > max(values) + _FAR_DB else row.limit_db
    high = max((*values, 1.0, *([] if limit is None else [limit + 1.0])))
    low = min((*values, -1.5))

    def y(value: float) -> float:
        return height - 3 - (value - low) / (high - low) * (height - 7)

    points = " ".join(f"{3 + i * (width - 9) / (len(values) - 1):.1f},{y(v):.1f}" for i, v in enumerate(values))
    line = "" if limit is None else f'<path class="s-limit" d="M0 {y(limit):.1f}H{width}"/>'
    name = f"{printable(row.course_of)}: {signed(values[-1])} dB now"
    return (
        Markup('<svg class="spark" viewBox="0 0 {} {}" width="{}" height="{}" role="img" aria-label="{}">').format(
            width, height, width, height, name
        )
        + Markup(line)
        + Markup('<polyline class="s-line" points="{}"/><circle class="s-now" cx="{}" cy="{}" r="3.4"/></svg>').format(
            points, f"{width - 6:.1f}", f"{y(values[-1]):.1f}"
        )
    )


FILTERS = {
    "dated": dates_in_words, "day": day, "short_day": short_day, "clock": clock, "age": age, "signed": signed,
    "counted": counted,
    "case_address": case_address, "urgency_bar": urgency_bar, "signed_bar": signed_bar, "spark": spark, "here": here,
}  # fmt: skip
