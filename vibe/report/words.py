"""How values are said: numbers with their sign of doubt, times, component names. None is "not known", never 0."""

from __future__ import annotations

import re
from datetime import datetime
from fractions import Fraction
from math import floor, isfinite, log10

from vibe.core.health import SAID_FROM
from vibe.core.labels import in_stage, part_name
from vibe.core.text import day_in_words
from vibe.core.text import printable as printable
from vibe.core.tones import Coincidence, ToneTable

NOT_KNOWN = "not known"

STATE_RANK = {"act": 0, "plan": 1, "watch": 2, "unknown": 3, "sound": 4}
"""Gravest first; a drive that could not be judged is more urgent than one that is sound."""

STATE_MEANING = {
    "act": "inspect without delay",
    "plan": "inspect at a planned stop",
    "watch": "repeat the measurement and compare",
    "unknown": "not assessed",
    "sound": "no fault detected",
}

_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def number(value: float | None, digits: int = 3) -> str:
    """``value`` to so many significant digits, plain where a person reads plain numbers."""
    if value is None or not isfinite(value):
        return NOT_KNOWN
    if value == 0:
        return "0"
    exponent = floor(log10(abs(value)))
    if exponent < -4 or exponent > 6:
        mantissa, _, power = f"{value:.{digits - 1}e}".partition("e")
        return f"{mantissa} × 10{superscript(int(power))}".replace("-", "−")
    if float(value).is_integer():
        return f"{value:.0f}".replace("-", "−")
    return f"{value:.{max(digits - 1 - exponent, 0)}f}".replace("-", "−")


def superscript(exponent: int) -> str:
    """A whole number as raised characters."""
    return str(exponent).translate(_SUPERSCRIPT)


def with_uncertainty(value: float | None, uncertainty: float | None, unit: str) -> str:
    """``value ± uncertainty unit`` with as many decimals as the uncertainty carries (two digits of it at most)."""
    if value is None or not isfinite(value):
        return NOT_KNOWN
    if uncertainty is None or not isfinite(uncertainty):
        return f"{number(value, 4)} {unit}, uncertainty not known"
    if uncertainty <= 0:
        return f"{number(value, 6)} {unit}"
    decimals = min(max(-floor(log10(uncertainty)), 0), 6)
    return f"{value:.{decimals}f} ± {uncertainty:.{decimals}f} {unit}"


def probability(value: float | None) -> str:
    """A percentage that never claims certainty."""
    if value is None:
        return NOT_KNOWN
    if value > 0.995:
        return "over 99 %"
    if value < SAID_FROM:
        return "under 1 %"
    return f"{100 * value:.0f} %"


def odds(value: float | None) -> str:
    """A small probability as "1 in n"."""
    if value is None:
        return NOT_KNOWN
    if value < 1e-7:  # no test on one capture carries further than this
        return "less than 1 in 10 million"
    if value > 0.3:
        return probability(value)
    one_in = 1 / value
    rounded = round(one_in, 1 - floor(log10(one_in))) if one_in >= 10 else round(one_in)
    return f"1 in {rounded:,.0f}".replace(",", " ")


def when(measured_at: str | None) -> str:
    """A capture's time as it was given, with its offset."""
    if not measured_at:
        return "time not known"
    try:
        moment = datetime.fromisoformat(measured_at)
    except ValueError:
        return measured_at
    clock = f"{moment:%H:%M:%S}" if moment.second else f"{moment:%H:%M}"
    offset = moment.utcoffset()
    if offset is None:
        zone = "offset from UTC not known"
    else:
        minutes = round(offset.total_seconds() / 60)
        zone = f"UTC{'−' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    return f"{day_in_words(moment)}, {clock} ({zone})"


def sentence_case(text: str) -> str:
    """The first letter large, the rest as it is (names and units keep theirs)."""
    return text[:1].upper() + text[1:]


_FRAMES = {"inner": "inner ring"}
TRADE_NAMES = {"outer_race": "BPFO", "inner_race": "BPFI", "rolling_element": "BSF, 2 × BSF", "cage": "FTF"}
"""The trade's short names of the tones of a rolling bearing."""


def component(name: str) -> str:
    """A component's identifier in plain words: ``stage1.lobe`` -> "lobe of the disc, stage 1"."""
    if place := in_stage(name):
        return f"{part_name(place[1])}, stage {place[0]}"
    if match := re.fullmatch(r"bearing\.(.+?)(?:\.(outer_race|inner_race|rolling_element|cage(?:_past_\w+)?))?", name):
        bearing = match[1] if "bearing" in match[1].lower() else f"bearing “{match[1]}”"
        part, past, frame = (match[2] or "").partition("_past_")
        struck = f", past the {_FRAMES.get(frame, frame)}" if past else ""
        trade = f" ({TRADE_NAMES[part]})" if part in TRADE_NAMES and not past else ""
        return f"{part.replace('_', ' ')}{trade} of the {bearing}{struck}" if part else bearing
    if match := re.fullmatch(r"(driven|fitted)\.([^.]+)(?:\.(.+))?", name):
        made = f", {match[3].replace('_', ' ')}" if match[3] else ""
        return f"{match[2]}{made}, {'driven by the drive' if match[1] == 'driven' else 'fitted to a shaft'}"
    if match := re.fullmatch(r"(input|motor)\.(\w+)", name):
        return f"{match[1]} {match[2].replace('_', ' ')}"
    return name.replace("_", " ")


_IDENTIFIER = re.compile(
    r"\b(?:stage\d+\.\w+|(?:input|motor)\.\w+"
    r"|bearing\.[^,;:()]+?\.(?:outer_race|inner_race|rolling_element|cage(?:_past_\w+)?))(?!\w)"
)


def parts_named(text: str) -> str:
    """A sentence for people: identifiers of tones and bodies in the plain words that stand everywhere else."""
    return _IDENTIFIER.sub(lambda found: component(found[0]), text)


def heading(component_id: str, defect: str) -> str:
    """A finding's name in plain words."""
    where = component(component_id)
    if defect.lower() in where.lower():
        return sentence_case(where)
    return f"{sentence_case(defect)}: {where}"


def fraction(value: Fraction | None) -> str:
    """An exact order: ``18/17``, with a true minus sign."""
    return "irrational" if value is None else str(value).replace("-", "−")


def direction(order: Fraction | float) -> str:
    """Which way a body turns, in words."""
    return "stands still" if order == 0 else "with the input" if order > 0 else "against the input"


def seconds(value: float | None) -> str:
    """A duration."""
    if value is None:
        return NOT_KNOWN
    return f"{value / 60:.3g} min" if value >= 120 else f"{value:.3g} s"


def frequency(value: float | None) -> str:
    """A frequency with a readable prefix."""
    if value is None:
        return NOT_KNOWN
    return f"{number(value / 1000, 4).rstrip('0').rstrip('.')} kHz" if value >= 1000 else f"{number(value, 3)} Hz"


def unit(text: str | None) -> str:
    """A unit as people write it: ``m/s^2`` -> m/s², ``um`` -> µm."""
    return {"um": "µm", "deg": "°"}.get(text or "", (text or "").replace("^2", "²"))


def natural(text: str) -> list[tuple[int, int, str]]:
    """Sorting key by which P-2 comes before P-10."""
    return [(0, int(p), "") if p.isdecimal() else (1, 0, p.lower()) for p in re.split(r"(\d+)", text) if p]


def ratio_text(ratio: Fraction) -> str:
    """``17 : 1`` or, when it is no whole number, the exact fraction with the decimal."""
    size = abs(ratio)
    if size.denominator == 1:
        return f"{size} : 1"
    return f"{float(size):.4g} : 1 (exactly {size})"


def coincidence_text(coincidence: Coincidence, tone_id: str) -> str:
    """What shares a line with ``tone_id``, said from its side."""
    own_is_a = coincidence.tone_a == tone_id
    own, other = (
        (coincidence.harmonic_a, coincidence.harmonic_b)
        if own_is_a
        else (coincidence.harmonic_b, coincidence.harmonic_a)
    )
    name = coincidence.tone_b if own_is_a else coincidence.tone_a
    how = "exactly" if coincidence.exact else f"{100 * abs(coincidence.relative_difference):.2g} % apart"
    left = "" if own == 1 else f"{own} × this = "
    return f"{left}{'' if other == 1 else f'{other} × '}{name} ({how})"


def coincidences_of(table: ToneTable, tone_id: str) -> tuple[str, ...]:
    """All coincidences of one tone in words."""
    return tuple(coincidence_text(c, tone_id) for c in table.coincidences if tone_id in (c.tone_a, c.tone_b))
