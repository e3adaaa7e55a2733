"""Small drawings that stand in the text of a history's pages: bars of urgency, courses of a series, signs of causes.

Each says the same in black and white: by a pattern, a dash or a shape besides its colour (Okabe and Ito, 2008).
"""

from __future__ import annotations

from math import prod

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from vibe.core.records.alarms import CauseKind, RuleCount, Urgency, UrgencyPart
from vibe.report.drawing.canvas import BLUE, GREEN, GREY, INK, VERMILION
from vibe.report.drawing.thinning import extremes
from vibe.report.words import printable

KIND_WORDS: dict[CauseKind, str] = {
    "fault": "fault",
    "growth": "growth without a finding",
    "load or speed": "load or speed",
    "sensor": "sensor",
    "common": "common to several drives",
    "repaired": "before a repair",
    "scatter": "usual scatter",
    "not measured": "not measured",
    "not judged": "could not be judged",
}

_KIND_SHAPES: dict[CauseKind, str] = {
    "not measured": f'<circle cx="12" cy="12" r="9" fill="#fff" stroke="{INK}" stroke-width="2.4"/>'
    f'<path d="M12 6.5V12l4 2.5" fill="none" stroke="{INK}" stroke-width="2.4"/>',
    "not judged": f'<circle cx="12" cy="12" r="9" fill="#fff" stroke="{INK}" stroke-width="2.4"/>'
    f'<path d="M6 18 18 6" stroke="{INK}" stroke-width="2.4"/>',
    "fault": f'<path d="M12 1 23 12 12 23 1 12Z" fill="{VERMILION}"/>'
    '<path d="M12 6.5v6.7M12 15.4v2.2" stroke="#fff" stroke-width="2.6" fill="none"/>',
    "growth": '<path d="M12 2 21 12h-5.5v10h-7V12H3Z" fill="#e69f00" stroke="#7a5200" stroke-width="1.6"/>',
    "load or speed": f'<path d="M2.5 18a9.6 9.6 0 0 1 19 0" fill="none" stroke="{BLUE}" stroke-width="2.8"/>'
    f'<path d="M12 18 16.5 9" stroke="{BLUE}" stroke-width="2.8"/><circle cx="12" cy="18" r="2.4" fill="{BLUE}"/>',
    "sensor": f'<rect x="6" y="2.5" width="12" height="11" fill="#fff" stroke="{GREY}" stroke-width="2.4"/>'
    f'<path d="M12 13.5v3M12 19v3.5" stroke="{GREY}" stroke-width="2.6"/>',
    "common": f'<circle cx="8.5" cy="12" r="6.6" fill="none" stroke="{INK}" stroke-width="2.2"/>'
    f'<circle cx="15.5" cy="12" r="6.6" fill="none" stroke="{INK}" stroke-width="2.2"/>',
    "repaired": f'<circle cx="12" cy="12" r="10.6" fill="{GREEN}"/>'
    '<path d="m6.5 12.5 3.8 3.8 7.2-8" stroke="#fff" stroke-width="2.8" fill="none"/>',
    "scatter": f'<g fill="{GREY}"><circle cx="4.5" cy="14" r="2.4"/><circle cx="10" cy="8.5" r="2.4"/>'
    '<circle cx="14.5" cy="15.5" r="2.4"/><circle cx="20" cy="10" r="2.4"/></g>',
}

ADDING = ("severity", "growth", "rate", "time", "spare part")
"""Parts that add, in the order of a bar."""
_FILL = {name: f"url(#part-{number})" for number, name in enumerate(ADDING)}
_DEFS = (
    f'<pattern id="part-0" width="4" height="4" patternUnits="userSpaceOnUse"><rect width="4" height="4" fill="{INK}"/>'
    "</pattern>"
    '<pattern id="part-1" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="6" height="6" fill="#fff"/><rect width="3.4" height="6" fill="{VERMILION}"/></pattern>'
    '<pattern id="part-2" width="5" height="5" patternUnits="userSpaceOnUse"><rect width="5" height="5" fill="#fff"/>'
    f'<circle cx="2.5" cy="2.5" r="1.7" fill="{BLUE}"/></pattern>'
    '<pattern id="part-3" width="4" height="4" patternUnits="userSpaceOnUse"><rect width="4" height="4" fill="#fff"/>'
    f'<rect width="4" height="2" fill="{GREEN}"/></pattern>'
    '<pattern id="part-4" width="5" height="5" patternUnits="userSpaceOnUse"><rect width="5" height="5" fill="#fff"/>'
    '<path d="M0 0 5 5M5 0 0 5" stroke="#8a4f7d" stroke-width="1.1"/></pattern>'
)


def kind_sign(kind: CauseKind) -> Markup:
    """A shape per kind of cause; the word always stands next to it."""
    return Markup(
        f'<svg class="sign" viewBox="0 0 24 24" aria-hidden="true" focusable="false">{_KIND_SHAPES[kind]}</svg>'
    )


def pattern_defs() -> Markup:
    """The patterns of urgency's parts, once a page."""
    return Markup(f'<svg class="defs" width="0" height="0" aria-hidden="true"><defs>{_DEFS}</defs></svg>')


def part_mark(part: UrgencyPart | str) -> Markup:
    """A square in the pattern of a part, a cross for one that multiplies."""
    name = part if isinstance(part, str) else part.name
    if name not in _FILL:
        return Markup('<span class="times" aria-hidden="true">×</span>')
    return Markup(
        '<svg class="mark" viewBox="0 0 12 12" aria-hidden="true"><rect x=".6" y=".6" width="10.8" height="10.8" '
        f'fill="{_FILL[name]}" stroke="{INK}" stroke-width="1.2"/></svg>'
    )


LIMIT_MARK = Markup(
    '<svg class="mark long" viewBox="0 0 24 12" aria-hidden="true"><path d="M0 6H24" '
    f'stroke="{VERMILION}" stroke-width="2" stroke-dasharray="5 3"/></svg>'
)
TAKEN_MARK = Markup(
    '<svg class="mark" viewBox="0 0 12 12" aria-hidden="true"><rect x=".6" y=".6" width="10.8" height="10.8" '
    f'fill="#fff" stroke="{GREY}" stroke-width="1.2" stroke-dasharray="2.4 1.8"/></svg>'
)


def urgency_bar(urgency: Urgency, full: float, width: int = 150, height: int = 14) -> Markup:
    """Urgency by its parts; a bar as wide as ``width`` is ``full``. What the factors took off is outlined."""
    factor = prod((part.amount for part in urgency.parts if part.how == "multiplies"), start=1.0)
    added = {part.name: part.amount for part in urgency.parts if part.how == "adds" and part.amount > 0}
    scale = (width - 2) / max(full, 1e-9)
    x, drawn = 1.0, []
    for name in sorted(added, key=lambda name: ADDING.index(name) if name in ADDING else len(ADDING)):
        wide = added[name] * min(factor, 1.0) * scale
        if wide >= 0.3:
            drawn.append(
                f'<rect x="{x:.1f}" y="1" width="{wide:.1f}" height="{height - 2}" fill="{_FILL.get(name, GREY)}" '
                f'stroke="{INK}" stroke-width="1"/>'
            )
        x += wide
    more = sum(added.values()) * (factor - 1.0) * scale
    if more >= 0.5:  # a factor over one adds to every part alike
        drawn.append(f'<rect x="{x:.1f}" y="1" width="{more:.1f}" height="{height - 2}" fill="#fff" stroke="{INK}"/>')
    elif more <= -2.0:
        drawn.append(
            f'<rect x="{x + 0.5:.1f}" y="1.5" width="{-more:.1f}" height="{height - 3}" fill="none" stroke="{GREY}" '
            'stroke-dasharray="3 2.4"/>'
        )
    parts = escape(printable(", ".join(f"{name} {amount:.0f}" for name, amount in added.items()))) or "nothing"
    wide_px = max(width, int(x + abs(more)) + 2)
    return Markup(
        f'<svg class="bar" viewBox="0 0 {wide_px} {height}" width="{wide_px}" height="{height}" role="img" '
        f'aria-label="{parts}; times {factor:.2g}">{"".join(drawn)}</svg>'
    )


def signed_bar(db: float, most: float, width: int = 110) -> Markup:
    """A change as a bar right (up) or left (down) of a middle line; ``most`` fills its side."""
    middle = width / 2
    wide = min(abs(db) / max(most, 1e-9), 1.0) * (middle - 2)
    x = middle if db >= 0 else middle - wide
    fill = VERMILION if db >= 0 else "#fff"
    return Markup(
        f'<svg class="bar" viewBox="0 0 {width} 12" width="{width}" height="12" aria-hidden="true">'
        f'<rect x="{x:.1f}" y="1.5" width="{wide:.1f}" height="9" fill="{fill}" stroke="{INK}"/>'
        f'<path d="M{middle} 0V12" stroke="{INK}" stroke-width="1.4"/></svg>'
    )


def spark(
    time_s: NDArray[np.float64], value: NDArray[np.float64], limit: float | None = None, width: int = 150,
    height: int = 40,
) -> Markup:  # fmt: skip
    """The course of a series without axes: its line, the latest as a dot, and a limit dashed where it is near."""
    if value.size < 2 or not time_s[-1] > time_s[0]:
        return Markup("")
    keep = extremes(value, width // 2)
    times, values = time_s[keep], value[keep]
    low, high = float(values.min()), float(values.max())
    near = limit is not None and low <= limit <= high + 1.5 * (high - low)
    low, high = min(low, 0.0) if low < 0.35 * high else low, max(high, limit) if near and limit is not None else high
    room = (high - low) or 1.0
    x = 2 + (times - times[0]) / (times[-1] - times[0]) * (width - 8)
    y = height - 3 - (values - low) / room * (height - 8)
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    dashed = ""
    if near and limit is not None:
        at = height - 3 - (limit - low) / room * (height - 8)
        dashed = f'<path d="M0 {at:.1f}H{width}" stroke="{VERMILION}" stroke-width="1.3" stroke-dasharray="5 3"/>'
    return Markup(
        f'<svg class="spark" viewBox="0 0 {width} {height}" width="{width}" height="{height}" aria-hidden="true">'
        f'{dashed}<polyline points="{line}" fill="none" stroke="{BLUE}" stroke-width="1.5" stroke-linejoin="round"/>'
        f'<circle cx="{x[-1]:.1f}" cy="{y[-1]:.1f}" r="3" fill="{BLUE}"/></svg>'
    )


def rule_bar(rule: RuleCount, most: int, width: int = 120) -> Markup:
    """How the alarms of a rule were decided: confirmed filled, no faults hatched, undecided empty."""
    scale = (width - 2) / max(most, 1)
    x, drawn = 1.0, []
    for count, fill in (
        (rule.confirmed, INK), (rule.not_faults, "url(#part-1)"),
        (rule.alarms - rule.confirmed - rule.not_faults, "#fff"),
    ):  # fmt: skip
        if count > 0:
            drawn.append(
                f'<rect x="{x:.1f}" y="1" width="{count * scale:.1f}" height="9" fill="{fill}" stroke="{INK}"/>'
            )
            x += count * scale
    return Markup(
        f'<svg class="bar" viewBox="0 0 {width} 11" width="{width}" height="11" aria-hidden="true">'
        f"{''.join(drawn)}</svg>"
    )
