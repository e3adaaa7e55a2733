"""What a speed that is not surely known leaves of a finding on one part.

A comb stands at a frequency. Which part makes it follows only with the speed: where that is assumed, or where the lines
allow another one, the same frequency may be another part's tone, or a multiple of the shaft. The probability is then
shared out among all that could be meant; where a speed was detected, by as much as the others add to what that one
leaves open already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log, sqrt

from vibe.core.evidence import LEAST_ALTERNATIVE, SpeedEstimate
from vibe.core.health import Finding
from vibe.core.tones import Tone
from vibe.diagnosis.bearing_elements import PARTS
from vibe.diagnosis.case import Case

MOST_SURE_WITHOUT_SPEED = 0.9
"""Probability that a finding on one part has at most where no speed of the drive was detected: what repeats may then be
another machine's, at any of the speeds that were not excluded (common practice)."""
NOTHING_FITS = 0.5
"""Share left to what was named where none of the speeds brings any part's tone to the impacts (common practice)."""
SHARP = 0.002
"""Relative half width within which a tone lies at its order besides its slip: as in ``case.tones_at``."""
SHAFT = "input.shaft"
SHAFT_MULTIPLES = 12
"""Multiples of the shaft that fans, couplings and rotors make."""


def doubted(case: Case, findings: Sequence[Finding]) -> list[Finding]:
    """The findings with what the speed leaves of their probabilities; as they are where the speed is sure."""
    if case.speed is None or not case.speed.doubtful:
        return list(findings)
    return [_doubted(case, case.speed, finding) for finding in findings]


def _doubted(case: Case, speed: SpeedEstimate, finding: Finding) -> Finding:
    order = _order_of(case, finding)
    if order is None:
        return finding
    at_hz = order * speed.input_hz
    windows = _windows(case)
    fits = _fits(at_hz, windows, _speeds(speed))
    own = {name for name in fits if _means(finding, name, case)}
    if speed.method == "nominal":
        own.discard(SHAFT)  # With no speed detected, what repeats once per turn may be any shaft's that turns about so.
    total = sum(fits.values())
    share = sum(fits[name] for name in own) / total if own and total > 0 else NOTHING_FITS
    known: set[str] = set()
    if speed.method != "nominal":
        # What lies there at the speed found as well is no matter of the speed: other rules share it.
        at_first = _fits(at_hz, windows, _speeds(speed)[:1])
        own_first, total_first = sum(at_first[name] for name in own), sum(at_first.values())
        if own_first > 0:
            share = min(1.0, share * total_first / own_first)
            known = {name for name, fit in at_first.items() if fit > 0}
    most = MOST_SURE_WITHOUT_SPEED if speed.method == "nominal" else 1.0
    rivals = [
        name for name, fit in sorted(fits.items(), key=lambda item: -item[1]) if fit > 0 and name not in own | known
    ]
    probability = min(most, share * finding.probability)
    if probability >= finding.probability and not rivals:
        return finding
    alike = list(dict.fromkeys([*finding.cannot_be_told_from, *rivals]))
    share = min(1.0, probability / finding.probability) if finding.probability > 0 else 1.0
    return finding.weakened(share).model_copy(
        update={
            "cannot_be_told_from": alike,
            "why": f"{finding.why} {_because(speed, rivals)}",
        }
    )


def _fits(
    at_hz: float, windows: Mapping[str, Sequence[tuple[float, float]]], speeds: Sequence[tuple[float, float, float]]
) -> dict[str, float]:
    """By tone: how likely a comb at ``at_hz`` is its own at any of ``speeds`` (speed, probability, half width)."""
    return {
        name: sum(
            chance * density(at_hz, low, high, hz, width) for low, high in orders for hz, chance, width in speeds
        )
        for name, orders in windows.items()
    }  # fmt: skip


def density(at_hz: float, low: float, high: float, speed_hz: float, half_width_hz: float) -> float:
    """Likelihood per Hz of a comb at ``at_hz`` from a tone anywhere between the orders ``low`` and ``high`` alike, at a
    speed anywhere within ``half_width_hz`` of ``speed_hz`` alike."""
    if half_width_hz <= 0:
        return 1.0 / (speed_hz * (high - low)) if low <= at_hz / speed_hz <= high else 0.0
    # The speeds at which the tone may lie there, each as likely as 1 / (speed x width of the window).
    slowest = max(speed_hz - half_width_hz, at_hz / high, 1e-9)
    fastest = min(speed_hz + half_width_hz, at_hz / low)
    return log(fastest / slowest) / (2 * half_width_hz * (high - low)) if fastest > slowest else 0.0


def _speeds(speed: SpeedEstimate) -> list[tuple[float, float, float]]:
    """(speed, probability, half width) [Hz] of all speeds that it may be; only an assumed one is wide."""
    sigma = speed.uncertainty_hz or 0.0
    first = sqrt(3.0) * sigma if speed.method == "nominal" else 0.0
    stated = speed.alternatives or ((speed.input_hz, 1.0),)
    return [
        (hz, chance, 0.0 if number else first)
        for number, (hz, chance) in enumerate(stated)
        if number == 0 or chance > LEAST_ALTERNATIVE
    ]


def _windows(case: Case) -> dict[str, list[tuple[float, float]]]:
    """Orders at which each tone of damage may lie, and the shaft's multiples: all that could be meant."""
    found = {tone.id: _window(tone) for tone in case.tones.tones if tone.damage}
    found[SHAFT] = [(k * (1 - SHARP), k * (1 + SHARP)) for k in range(1, SHAFT_MULTIPLES + 1)]
    return found


def _window(tone: Tone) -> list[tuple[float, float]]:
    times = (1, 2) if tone.family == "rolling element" else (1,)
    low, high = 1 + tone.slip[0] - SHARP, 1 + tone.slip[1] + SHARP
    return [(k * tone.order * low, k * tone.order * high) for k in times]


def _order_of(case: Case, finding: Finding) -> float | None:
    """Where the finding's largest comb lies; None for findings without one."""
    comb = case.comb_shown(finding)
    return None if comb is None else comb.order


def _means(finding: Finding, name: str, case: Case) -> bool:
    """Whether a tone is what the finding names: itself, another of the same part (a cage is seen past whatever it
    passes), a twin at its order, or an element of a bearing left open."""
    head, _, part = name.rpartition(".")
    if finding.tone is None:
        return head == finding.component and part in PARTS
    if name == finding.tone:
        return True
    own = next((tone for tone in case.tones.tones if tone.id == finding.tone), None)
    other = next((tone for tone in case.tones.tones if tone.id == name), None)
    if own is None or other is None:
        return False
    return own.component == other.component or (own.slip == other.slip and abs(own.order / other.order - 1) < 1e-9)


def _because(speed: SpeedEstimate, rivals: Sequence[str]) -> str:
    if speed.method == "nominal":
        off = 100 * sqrt(3.0) * (speed.uncertainty_hz or 0.0) / speed.input_hz
        known = f"No speed could be measured: it is assumed, and right to ±{off:.1f} % only"
    else:
        others = ", ".join(f"{hz * 60:.1f} r/min ({chance:.0%})" for hz, chance, _ in _speeds(speed)[1:])
        known = f"The lines allow another speed too: {others}"
    if not rivals:
        return f"{known}."
    return f"{known}, so that these impacts may as well be those of {', '.join(rivals[:4])}."
