"""What a technician is told at the drive, beyond the quality of a channel: against the plan, the plate and the notes.

Every function gives reasons, each with its remedy; ``verdict`` makes one word of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from vibe.core.capture import Reason, Verdict
from vibe.core.drive import Drive

MOST_NAMED = 4
"""Tones named in a sentence; more are counted."""

Share = Annotated[float, Field(gt=0, lt=1)]


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class Retake(_Strict):
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


class SpotRules(_Strict):
    """The rules of ``configs/on_the_spot.toml``."""

    retake: Retake
    speed: SpeedRules
    time: TimeRules


def verdict(reasons: Sequence[Reason], rules: SpotRules) -> Literal["accepted", "limited", "retake"]:
    """Retake where nothing can be made of a capture, or where a second try mends it."""
    if any(r.verdict == "rejected" or (r.verdict == "limited" and r.code in rules.retake.codes) for r in reasons):
        return "retake"
    return "limited" if any(reason.verdict == "limited" for reason in reasons) else "accepted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting as it was taken and as it was planned; ``lost`` of the ``promised`` tones it cannot show."""

    taken: float
    planned: float
    lost: Sequence[str]
    promised: int


def settings(length_s: Setting, rate_hz: Setting, rules: SpotRules) -> list[Reason]:
    """Length and rate against the plan. Other settings that show as much are as good."""
    return [
        *_setting(length_s, "{:.3g} s", "", ("too_short", "short"), rules),
        *_setting(rate_hz, "{:.0f} Hz", "sampled at ", ("too_slow", "slow"), rules),
    ]


def _setting(one: Setting, form: str, lead: str, codes: tuple[str, str], rules: SpotRules) -> list[Reason]:
    """``codes``: where much is lost, which a second try mends, and where little is."""
    if not one.lost:
        return []
    much = len(one.lost) > rules.retake.lost_share * one.promised
    taken, planned = form.format(one.taken), form.format(one.planned)
    return [
        Reason(
            code=codes[0] if much else codes[1],
            text=f"{lead}{taken} instead of {planned}: it cannot show {_named(one.lost)}",
            remedy=f"Set {planned} and take it again." if much else f"Set {planned} next time.",
            verdict="limited",
        )
    ]


def _named(tones: Sequence[str]) -> str:
    shown = ", ".join(tones[:MOST_NAMED])
    return shown if len(tones) <= MOST_NAMED else f"{shown} and {len(tones) - MOST_NAMED} more"


def speed(
    drive: Drive, speed_hz: float | None, noted_rpm: float | None, rules: SpotRules, *, method: str = "the signal"
) -> list[Reason]:
    """The speed that was found against the drive's range, its plate, its motor, and what was noted by hand."""
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
                text=f"{method} says {rpm:.0f} rpm, nearly the {60 * _synchronous(drive):.0f} rpm of a motor "
                "without load",
                remedy="Damage speaks under load: load it, and take it again.",
                verdict="limited",
            )
        )
    elif abs(off) > rules.speed.plate_share:
        reasons.append(
            Reason(
                code="speed_off_plate",
                text=f"{method} says {rpm:.0f} rpm, {_beside(rpm, plate)}",
                remedy="Is it loaded as it should be? Note the load.",
                verdict="usable",
            )
        )
    if noted_rpm is not None and abs(noted_rpm / rpm - 1) > rules.speed.noted_share:
        reasons.append(
            Reason(
                code="noted_speed",
                text=f"{noted_rpm:.0f} rpm were noted, {method} says {rpm:.0f} rpm",
                remedy="Read the speed again, at this drive's input, and correct the note.",
                verdict="limited",
            )
        )
    return reasons


def out_of_range(drive: Drive, speed_hz: float, *, method: str = "the signal", verdict: Verdict = "rejected") -> Reason:
    """The drive turns outside the range of its file, where no diagnosis looks."""
    rpm = 60 * speed_hz
    low, high = (60 * edge for edge in drive.input.speed_range_hz)
    return Reason(
        code="speed_out_of_range",
        text=f"{method} says {rpm:.0f} rpm, {_beside(rpm, drive.input.speed_rpm)} and outside the {low:.0f} to "
        f"{high:.0f} rpm of its file",
        remedy="Is it loaded as usual, and is its supply right? If it is meant to run so, widen speed_range_rpm in the "
        "drive file; if not, take it again at the usual speed.",
        verdict=verdict,
    )


def _beside(rpm: float, plate: float) -> str:
    off = rpm / plate - 1
    return f"{abs(100 * off):.1f} % {'under' if off < 0 else 'over'} the plate"


def _synchronous(drive: Drive) -> float:
    return drive.motor.synchronous_hz if drive.motor is not None else 0.0


def _idle(drive: Drive, speed_hz: float, rules: SpotRules) -> bool:
    """Whether an induction motor that drives directly slips too little to carry a load.

    Only where the plate itself shows a slip: with a converter or a synchronous motor slip tells nothing.
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
        remedy=f"Was the sensor on {others}? Then file it there and take {claimed}; else check the drive file.",
        verdict="rejected",
    )


def exchanged(point: str, other: str, since: str) -> Reason:
    """Two points sound like one another's earlier captures."""
    return Reason(
        code="exchanged",
        text=f"{point!r} sounds as {other!r} did {since}, and the other way round: the two look exchanged",
        remedy="Follow both cables. Exchange the two names in the files, or take both again.",
        verdict="limited",
    )


def unusual_time(days: float) -> Reason:
    """The clock stands ``days`` from the rest of the round."""
    return Reason(
        code="unusual_time",
        text=f"its clock stands {abs(days):.0f} days {'after' if days > 0 else 'before'} the rest of this round",
        remedy="Set the logger's clock; if it is an old capture, take it out of the folder.",
        verdict="limited",
    )
