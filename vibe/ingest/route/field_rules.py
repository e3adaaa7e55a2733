"""What a technician must know at the drive, beyond the quality of a channel: against the plan, the plate and the notes.

Every function gives reasons, each with its remedy; ``verdict`` makes one word of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from vibe.core.capture import Reason, Verdict
from vibe.core.drive import Drive
from vibe.core.route.round_check import PointSeen
from vibe.ingest.quality.recording.sample_rate import Slip

MOST_NAMED = 4
"""Tones named in a sentence; more are counted."""

Share = Annotated[float, Field(gt=0, lt=1)]

_TAKE_TODAYS = "Copy today's capture from the logger; if the logger holds none, take the measurement."


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class RetakeRules(_Strict):
    """Which reasons a second try mends."""

    codes: list[str]
    lost_share: Share


class SpeedRules(_Strict):
    """How far speeds may lie apart."""

    noted_share: Share
    plate_share: Share
    idle_slip_share: Share


class TimeRules(_Strict):
    """How far from the others a capture may have been taken."""

    round_days: Annotated[float, Field(gt=0)]


class FieldRules(_Strict):
    """The rules of ``configs/on_the_spot.toml``."""

    retake: RetakeRules
    speed: SpeedRules
    time: TimeRules


def verdict(reasons: Sequence[Reason], rules: FieldRules) -> Literal["accepted", "limited", "retake"]:
    """Retake where nothing can be made of a capture, or where a second try mends it."""
    if any(r.verdict == "rejected" or (r.verdict == "limited" and r.code in rules.retake.codes) for r in reasons):
        return "retake"
    return "limited" if any(reason.verdict == "limited" for reason in reasons) else "accepted"


def with_reason(point: PointSeen, reason: Reason, rules: FieldRules) -> PointSeen:
    """``point`` with one more reason, in place of one of the same code, and the verdict that follows."""
    reasons = (*(one for one in point.reasons if one.code != reason.code), reason)
    return replace(point, reasons=reasons, verdict=verdict(reasons, rules))


def as_before(point: PointSeen, code: str, rules: FieldRules) -> PointSeen:
    """``point`` with what its reason ``code`` says as a caution: it was so in the earlier round, and would be again."""
    reasons = tuple(
        replace(
            reason,
            code=f"{code}_as_before",
            text=f"{reason.text}; the earlier round shows the same resonance, band by band, so it may be the "
            "casing's own",
            remedy="Nothing to repeat. See once that the mounting is the one that was planned.",
        )
        if reason.code == code
        else reason
        for reason in point.reasons
    )
    return replace(point, reasons=reasons, verdict=verdict(reasons, rules))


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting as it was taken and as it was planned; ``lost`` of the ``promised`` tones it cannot show, ``crowded``
    are those that it cannot part from a strong line."""

    taken: float
    planned: float
    lost: Sequence[str]
    promised: int
    crowded: Sequence[str] = ()


def settings(length_s: Setting, rate_hz: Setting, rules: FieldRules) -> list[Reason]:
    """Length and rate against the plan: a longer capture that shows as much is as good, a shorter one never is."""
    cut = length_s.taken < SHORTER * length_s.planned
    share = 0.0 if cut else rules.retake.lost_share
    return [
        *(_setting(length_s, "{:.3g} s", "", ("too_short", "short"), share) or (_shorter(length_s) if cut else [])),
        *_setting(rate_hz, "{:.0f} Hz", "sampled at ", ("too_slow", "slow"), rules.retake.lost_share),
    ]


SHORTER = 0.95
"""A logger may stop a little early, and filters cost their beginning (common practice)."""


def _shorter(length_s: Setting) -> list[Reason]:
    """A capture cut short that still holds every planned tone: what it cannot show as well.

    The floor of an averaged spectrum falls with the root of the length, and the smallest impact that stands above it.
    """
    larger = (length_s.planned / max(length_s.taken, 1e-9)) ** 0.5
    parted = f", and it cannot part {_named(length_s.crowded)} from a strong line" if length_s.crowded else ""
    return [
        Reason(
            code="short",
            text=f"{length_s.taken:.3g} s instead of {length_s.planned:.3g} s: an impact must be {larger:.2g} times as "
            f"large to be found{parted}",
            remedy=f"Set {length_s.planned:.3g} s and repeat if time allows.",
            verdict="limited",
        )
    ]


def _setting(one: Setting, form: str, lead: str, codes: tuple[str, str], share: float) -> list[Reason]:
    """``codes``: where much is lost, which a second try mends, and where little is."""
    if not one.lost:
        return []
    much = len(one.lost) > share * one.promised
    taken, planned = form.format(one.taken), form.format(one.planned)
    return [
        Reason(
            code=codes[0] if much else codes[1],
            text=f"{lead}{taken} instead of {planned}: it cannot show {_named(one.lost)}",
            remedy=f"Set {planned} and repeat the measurement." if much else f"Set {planned} next time.",
            verdict="limited",
        )
    ]


def _named(tones: Sequence[str]) -> str:
    shown = ", ".join(tones[:MOST_NAMED])
    return shown if len(tones) <= MOST_NAMED else f"{shown} and {len(tones) - MOST_NAMED} more"


def speed(
    drive: Drive,
    speed_hz: float | None,
    noted_rpm: float | None,
    rules: FieldRules,
    *,
    method: str = "the signal",
    slip: Slip = "open",
) -> list[Reason]:
    """The speed that was found against the drive's range, its plate, its motor, and what was noted by hand.

    ``slip``: what the lines of the mains say of a difference from the note.
    """
    reasons: list[Reason] = []
    if speed_hz is None:
        return reasons
    rpm, plate = 60 * speed_hz, drive.input.speed_rpm
    low, high = (60 * edge for edge in drive.input.speed_range_hz)
    off = rpm / plate - 1
    if not 0.999 * low <= rpm <= 1.001 * high:
        reasons.append(out_of_range(drive, speed_hz, method=method, verdict="limited"))
    elif _idle(drive, speed_hz, rules):
        reasons.append(
            Reason(
                code="no_load",
                text=f"{method} gives {rpm:.0f} r/min, nearly the {60 * _synchronous(drive):.0f} r/min of a motor "
                "without load",
                remedy="Damage shows under load: repeat the measurement at load.",
                verdict="limited",
            )
        )
    elif abs(off) > rules.speed.plate_share:
        reasons.append(
            Reason(
                code="speed_off_plate",
                text=f"{method} gives {rpm:.0f} r/min, {_off_nameplate(rpm, plate)}",
                remedy="Is it loaded as it should be? Note the load.",
                verdict="usable",
            )
        )
    if noted_rpm is not None and (slip == "rate" or abs(noted_rpm / rpm - 1) > rules.speed.noted_share):
        # A wrong rate moves the speed out of its range too, and to that of a motor without load.
        idle = any(reason.code == "no_load" for reason in reasons)
        usual = 0.999 * low <= noted_rpm <= 1.001 * high
        doubtful = {"no_load"} | ({"speed_out_of_range"} if usual else set())
        doubted = [reason for reason in reasons if slip == "note" or (slip == "open" and reason.code not in doubtful)]
        reasons = [*doubted, _unlike_note(noted_rpm, rpm, method, slip, idle=idle)]
    return reasons


def _unlike_note(noted_rpm: float, rpm: float, method: str, slip: Slip, *, idle: bool = False) -> Reason:
    off = f"{abs(100 * (rpm / noted_rpm - 1)):.1f} %"
    if slip == "rate":
        return Reason(
            code="sample_rate",
            text=f"the sample rate in the file looks {off} {'low' if rpm < noted_rpm else 'high'}: {method} gives "
            f"{rpm:.0f} r/min, {noted_rpm:.0f} r/min were noted, and the mains lines are shifted by as much",
            remedy="Look up the sample rate in the logger and write it into the sidecar as sample_rate_hz; no new "
            "capture is needed.",
            verdict="limited",
        )
    if slip == "note":
        remedy = "Read the speed again, at this drive's input, and correct the note."
    else:
        remedy = (
            f"The note or the sample rate in the file is wrong by {off}. Look the rate up in the logger first and "
            "correct it in the sidecar; if it is right, correct the note of the speed."
        )
        if idle:
            remedy += " If both are right, the drive has lost its load since: damage shows under load."
    return Reason(
        code="noted_speed",
        text=f"{noted_rpm:.0f} r/min were noted, {method} gives {rpm:.0f} r/min",
        remedy=remedy,
        verdict="limited",
    )


def ran_for_a_part(ran_s: float, length_s: float) -> Reason:
    """The pulses begin or end within the capture."""
    return Reason(
        code="ran_for_a_part",
        text=f"the drive ran for {ran_s:.3g} s of the {length_s:.3g} s only: its pulses begin or end meanwhile",
        remedy="If it tripped or was started too late, repeat the measurement while it runs on.",
        verdict="limited",
    )


def out_of_range(drive: Drive, speed_hz: float, *, method: str = "the signal", verdict: Verdict = "rejected") -> Reason:
    """The drive turns outside the range of its file, where no diagnosis looks."""
    rpm = 60 * speed_hz
    low, high = (60 * edge for edge in drive.input.speed_range_hz)
    return Reason(
        code="speed_out_of_range",
        text=f"{method} gives {rpm:.0f} r/min, {_off_nameplate(rpm, drive.input.speed_rpm)} and outside the "
        f"{low:.0f} to {high:.0f} r/min of its file",
        remedy="Is it loaded as usual, and is its supply right? If it is meant to run so, widen speed_range_rpm in the "
        "drive file; if not, repeat the measurement at the usual speed.",
        verdict=verdict,
    )


def _off_nameplate(rpm: float, plate: float) -> str:
    off = rpm / plate - 1
    return f"{abs(100 * off):.1f} % {'below' if off < 0 else 'above'} the nameplate speed"


def _synchronous(drive: Drive) -> float:
    return drive.motor.synchronous_hz if drive.motor is not None else 0.0


def _idle(drive: Drive, speed_hz: float, rules: FieldRules) -> bool:
    """Whether an induction motor that drives directly slips too little to carry a load.

    Only where the plate itself shows a slip: with a converter or a synchronous motor slip says nothing.
    """
    if drive.motor is None or drive.motor.coupling != "direct":
        return False
    synchronous = drive.motor.synchronous_hz
    rated = 1 - drive.input.speed_hz / synchronous
    return 0.005 < rated < 0.1 and -0.002 < 1 - speed_hz / synchronous < rules.speed.idle_slip_share * rated


def wrong_drive(claimed: str, likely: Sequence[str]) -> Reason:
    """The lines are those of other drives; ``likely`` has at least one."""
    others = " or ".join(likely[:MOST_NAMED])
    return Reason(
        code="wrong_drive",
        text=f"filed under {claimed}, but its lines are those of {others}",
        remedy=f"Was the sensor on {others}? Then file it there and take {claimed}. Did {claimed} stand while {others} "
        "ran? Then repeat the measurement while it runs; else check the drive file.",
        verdict="rejected",
    )


def exchanged(point: str, other: str, since: str) -> Reason:
    """Two points sound like one another's earlier captures."""
    return Reason(
        code="exchanged",
        text=f"{point!r} sounds as {other!r} did {since}, and the other way round: the two look exchanged",
        remedy="Follow both cables. Exchange the two names in the files, or repeat both measurements.",
        verdict="limited",
    )


def too_much_alike(point: str, other: str) -> str:
    """Of two points that have nothing to part them by, nobody can say whether they were exchanged."""
    return (
        f"{point!r} and {other!r} are too much alike, now or in the earlier round, for an exchange of the two to be "
        "noticed; to be sure, unplug one of the two sensors and see which channel falls silent"
    )


def delivered_before(name: str) -> Reason:
    """The samples of an earlier round's file under today's name or date: no two recordings are equal."""
    return Reason(
        code="delivered_before",
        text=f"its samples are those of {name} in the earlier round, so nothing of today is in it",
        remedy=_TAKE_TODAYS,
        verdict="rejected",
    )


def copied_before(name: str, how: str) -> Reason:
    """The noise between the machine's lines is that of an earlier round's file: it never comes twice."""
    return Reason(
        code="copied_before",
        text=f"it is {name} of the earlier round again ({how}), so nothing of today is in it",
        remedy=_TAKE_TODAYS,
        verdict="rejected",
    )


def unusual_time(days: float) -> Reason:
    """The clock stands ``days`` from the rest of the round."""
    return Reason(
        code="unusual_time",
        text=f"its clock stands {abs(days):.0f} days {'after' if days > 0 else 'before'} the rest of this round",
        remedy="Set the logger's clock; if it is an old capture, take it out of the folder.",
        verdict="limited",
    )


ROUND_FACTORS = {
    10.0: "a range or sensitivity set ten times wrong",
    30.0: "a sensitivity that is wrong, or another sensor",
    100.0: "a sensitivity set a hundred times wrong",
    1000.0: "mV for V, or mm for m",
    9.80665: "g where it is m/s², or the other way round",
    9806.65: "mg where it is m/s², or the other way round",
}
"""Slips that happen, by their factor (common practice)."""
ROUND_SHARE = 0.12
"""1 dB: how well a floor repeats, for a factor to be called by its name."""


def scaled(factor: float, since: str) -> Reason:
    """All bands of a point moved by one factor: no machine does that."""
    times = max(factor, 1 / factor)
    near = min(ROUND_FACTORS, key=lambda known: abs(times / known - 1))
    slip = f", as by {ROUND_FACTORS[near]}" if abs(times / near - 1) < ROUND_SHARE else ""
    return Reason(
        code="scaled",
        text=f"unit or sensitivity? All bands are {times:.2g} times {'higher' if factor > 1 else 'lower'} than "
        f"{since}, alike{slip}",
        remedy="Compare sensor, sensitivity, unit and range with the earlier round. If the settings were wrong, "
        "correct them and repeat, or write the right ones into the sidecar.",
        verdict="limited",
    )


def fallen(fell_db: float, since: str) -> Reason:
    """The floor of a point lies far below what it was, though not alike in all bands."""
    return Reason(
        code="fallen",
        text=f"its floor lies {fell_db:.0f} dB below that {since}, not alike in all bands as with a wrong scale: a "
        "drive that stands, or runs idle, or a sensor that has come loose",
        remedy="See that the drive runs under its usual load and that the sensor is seated and plugged in; repeat the "
        "measurement.",
        verdict="limited",
    )


def other_quantity(kind: str, since: str) -> Reason:
    """The spectrum leans against the earlier one as one quantity does against the other."""
    now, then = ("velocity", "acceleration") if kind == "integrated" else ("acceleration", "velocity")
    return Reason(
        code="quantity",
        text=f"against {since} the spectrum leans by 20 dB a decade, as {now} does against {then}",
        remedy="Look up what the logger wrote, and set quantity and unit of the channel; no new capture is needed.",
        verdict="limited",
    )


def softer_mount(rings_hz: float, since: str) -> Reason:
    """The sensor rings lower than before, and passes less above."""
    return Reason(
        code="loose_mount",
        text=f"softer mount than {since}: the sensor resonates at about {rings_hz:.0f} Hz and is not reliable above "
        f"{rings_hz / 3:.0f} Hz",
        remedy="Clean the spot to bare metal, use the mounting that was planned, tighten the stud or seat the magnet "
        "flat, and repeat the measurement.",
        verdict="limited",
    )
