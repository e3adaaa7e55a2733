"""Tones that fall on one line, or so near that it takes a long capture to part them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import combinations

from vibe.core.tones import Coincidence, Tone
from vibe.kinematics.planning.resolution import parting_s

HARMONICS = 6
"""Highest harmonic looked at; beyond it nearly everything falls near something."""

SHAFT_HARMONICS = 12
"""Running speed has many harmonics in a loose or worn drive, and race tones lie among them."""

NEAR = 0.02
"""Closer than this, relative, a tone may be taken for its neighbour: the slip of bearings (Smith & Randall 2015)."""

RACES = {"outer race", "inner race"}
BEARING = RACES | {"rolling element", "cage"}
ALL_PARTS = {"mesh", "output pin pass"}


def coincidences(tones: Sequence[Tone]) -> tuple[Coincidence, ...]:
    """Every pair of tones that shares a line or nearly does, once, at its lowest harmonics; exact ones first.

    Exact ones come from fractions, not from rounding. A pair counts when the fundamental of one (or the second
    harmonic of a rolling element, which is what shows) lies on a harmonic of the other: where only higher harmonics
    meet, the fundamentals still distinguish the two. Near ones are kept where they can mislead: damage against damage,
    damage against lines that healthy drives make, supply against shaft.
    """
    found = [c for a, b in combinations(tones, 2) if (c := _pair(a, b)) is not None]
    return tuple(sorted(found, key=lambda c: (not c.exact, abs(c.relative_difference), c.harmonic_a + c.harmonic_b)))


def turns_to_part(order_difference: float) -> float:
    """Input turns after which a Hann window parts two equal lines."""
    return parting_s(abs(order_difference))  # one turn of the input is the unit of time here


def _pair(a: Tone, b: Tone) -> Coincidence | None:
    if a.component.rpartition(".")[0] == b.component.rpartition(".")[0] and {a.family, b.family} <= BEARING:
        return None  # tones of one bearing are distinguished by their own comb
    return _exact(a, b) or _near(a, b)


def _exact(a: Tone, b: Tone) -> Coincidence | None:
    ratio = _locked_ratio(a, b)
    if ratio is None:
        return None
    harmonic_a, harmonic_b = ratio.denominator, ratio.numerator
    top = max(harmonic_a, harmonic_b)
    if "hunting" in (a.family, b.family):
        wanted = top == 1
    else:
        wanted = min(harmonic_a, harmonic_b) == 1 and (top <= HARMONICS or _owns(a, b) or _owns(b, a))
    if not wanted:
        return None
    return Coincidence(
        tone_a=a.id,
        tone_b=b.id,
        harmonic_a=harmonic_a,
        harmonic_b=harmonic_b,
        relative_difference=0.0,
        exact=True,
        what=_what_exact(a, b, harmonic_a, harmonic_b),
    )


def _owns(all_parts: Tone, other: Tone) -> bool:
    """Any harmonic number counts between the line of all parts and that of one of them, and from mesh to a shaft."""
    if all_parts.family == "mesh" and other.family == "shaft":
        return True
    one_stage = all_parts.id.partition(".")[0] == other.id.partition(".")[0]
    return all_parts.family in ALL_PARTS and other.damage and one_stage


def _locked_ratio(a: Tone, b: Tone) -> Fraction | None:
    """a / b where counts, or one and the same belt or supply, tie the two together for good."""
    if a.order_exact is not None and b.order_exact is not None:
        return a.order_exact / b.order_exact
    if {a.family, b.family} & (BEARING | {"belt"}) or a.order_exact != b.order_exact or a.slip != b.slip:
        return None
    ratio = a.order / b.order
    simple = Fraction(ratio).limit_denominator(100_000)
    return simple if abs(float(simple) / ratio - 1) < 1e-12 else None


def _near(a: Tone, b: Tone) -> Coincidence | None:
    for harmonic_a, harmonic_b in sorted(_harmonics(a, b), key=sum):
        x, y = harmonic_a * a.order, harmonic_b * b.order
        difference = (x - y) / y
        if abs(difference) < NEAR:
            return Coincidence(
                tone_a=a.id,
                tone_b=b.id,
                harmonic_a=harmonic_a,
                harmonic_b=harmonic_b,
                relative_difference=difference,
                exact=False,
                what=_what_near(a, b, harmonic_a, harmonic_b, x - y, difference),
            )
    return None


def _harmonics(a: Tone, b: Tone) -> Iterator[tuple[int, int]]:
    """The harmonic pairs at which nearness of these two can mislead."""
    families = {a.family, b.family}
    if "hunting" in families or (families & ALL_PARTS and not (a.damage or b.damage)):
        return
    yield 1, 1
    if "cage" in families:
        return
    if a.family == "rolling element":
        yield 2, 1
    if b.family == "rolling element":
        yield 1, 2
    if "lobe" in families and families & RACES:
        # A lobe has a long comb of its own, and race tones lie in it.
        yield from ((1, top) if b.family == "lobe" else (top, 1) for top in range(2, HARMONICS + 1))
    if "electrical" in families or a.damage != b.damage:
        # The benign comb may cover the other's fundamental.
        for top in range(2, _reach(a, b) + 1):
            if a.damage or (b.family == "shaft" and a.family == "electrical"):
                yield 1, top
                if a.family == "rolling element":
                    yield 2, top
            elif b.damage or (a.family == "shaft" and b.family == "electrical"):
                yield top, 1
                if b.family == "rolling element":
                    yield top, 2


def _reach(a: Tone, b: Tone) -> int:
    return SHAFT_HARMONICS if "shaft" in (a.family, b.family) and {a.family, b.family} & RACES else HARMONICS


def _name(tone: Tone, harmonic: int) -> str:
    return tone.id if harmonic == 1 else f"{harmonic} x {tone.id}"


def _what_exact(a: Tone, b: Tone, harmonic_a: int, harmonic_b: int) -> str:
    first, second = _name(a, harmonic_a), _name(b, harmonic_b)
    families = {a.family, b.family}
    if families == {"lobe", "output pin"} and harmonic_a == harmonic_b:
        return (
            f"{first} and {second} are one order: only averages folded by lobe and by output pin can distinguish them"
        )
    if families == {"ring pin", "shaft"} and harmonic_a == harmonic_b:
        pin, shaft = (first, second) if a.family == "ring pin" else (second, first)
        return f"{pin} hides under {shaft}: only envelope, phase and position distinguish them"
    if a.damage and b.damage and harmonic_a == harmonic_b:
        return (
            f"{first} and {second} are one order: only sidebands, the strength of each contact and averages per turn "
            "distinguish them"
        )
    if a.damage != b.damage:
        damage, healthy = (first, second) if a.damage else (second, first)
        return f"{damage} and {healthy} are one line: healthy drives have it too, so by itself it proves nothing"
    return f"{first} and {second} are one line at every speed: no capture parts them"


def _what_near(a: Tone, b: Tone, harmonic_a: int, harmonic_b: int, apart: float, difference: float) -> str:
    pair = f"{_name(a, harmonic_a)} and {_name(b, harmonic_b)}"
    if apart == 0.0 or abs(difference) < 1e-4:
        return f"{pair} fall together within 0.01 %"
    per_cent = f"{pair} lie {100 * abs(difference):.2g} % apart"
    if "electrical" in (a.family, b.family):
        return f"{per_cent} at nominal speed: switch the supply off and see which line stays while the drive runs down"
    if {a.family, b.family} & BEARING:
        return (
            f"{per_cent}: within bearing slip, so the speed must be known well; look at sidebands and further harmonics"
        )
    return f"{per_cent}: parted after {turns_to_part(apart):.0f} input turns at steady speed"
