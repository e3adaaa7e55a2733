"""Drive -> the speed of every body, as exact signed orders of the input."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.core.tones import BodySpeed
from vibe.kinematics.relations import ONE, ZERO, Relation, Speeds, held, solve
from vibe.kinematics.stages import kind_of

RATIO_TOLERANCE = 0.006
"""A plate rounds its ratio by up to about half a per cent (common practice); more is another drive."""


@dataclass(frozen=True, slots=True)
class Train:
    """A solved drive: what each body is, how fast it turns, and where power leaves."""

    what: dict[str, str]
    speeds: Speeds
    outputs: tuple[str, ...]
    """The output body of each stage, in the order of power flow."""

    @property
    def ratio(self) -> Fraction | None:
        """Signed input turns per output turn; None without stages."""
        return ONE / self.speeds[self.outputs[-1]] if self.outputs else None


def solve_train(drive: Drive, *, slipping: bool = False) -> Train:
    """Link all stages in the order of power flow and solve; ``slipping``: belts lag by as much as they may.

    Raises:
        ConfigError: the train is locked or free, a belt is too short, or a stated ratio contradicts the stages.
    """
    what = {
        "housing": "housing, the frame of a fixed sensor",
        "input": "input shaft"
        + (", the motor's own shaft" if drive.motor and drive.motor.coupling == "direct" else ""),
    }
    relations: list[Relation] = [held("housing"), held("input", ONE)]
    outputs: list[str] = []
    for number, stage in enumerate(drive.stage, start=1):
        kind = kind_of(stage)
        slip = kind.most_slip if slipping else ZERO
        linkage = kind.link(stage, f"stage{number}", outputs[-1] if outputs else "input", slip)
        what |= linkage.bodies
        relations += linkage.relations
        outputs.append(linkage.output)
    train = Train(what, solve(tuple(what), relations), tuple(outputs))
    if not slipping:
        _check_ratios(drive, train)
    return train


def body_speeds(drive: Drive) -> dict[str, BodySpeed]:
    """Speed of every body as a signed, exact order of the input (negative: turns against it).

    Bodies: ``housing`` (0), ``input`` (1), and per stage ``stageN.<part>``: eccentric, ring, disc, output
    (cycloidal); sun, planet, crank, eccentric, carrier, disc, ring, output (RV); sun, planet, carrier, ring, output
    (planetary); eccentric, ring, disc, second_ring, output (stepped discs); driver, driven, output (gear and bevel
    pair, worm) and, with a length or links, belt or chain (belt, chain).
    Stage N+1 is driven by ``stageN.output``. Beyond a belt the orders hold for a belt that does not slip.

    Raises:
        ConfigError: see ``solve_train``.
    """
    train = solve_train(drive)
    return {
        body: BodySpeed(body=body, order=order, what=f"{train.what[body]}{_sense(body, order, train.what[body])}")
        for body, order in train.speeds.items()
    }


def _sense(body: str, order: Fraction, what: str) -> str:
    if body in ("housing", "input") or (not order and "fixed" in what) or "convention" in what:
        return ""
    if not order:
        return "; stands still"
    return "; turns with the input" if order > 0 else "; turns against the input"


def _check_ratios(drive: Drive, train: Train) -> None:
    slips = [float(kind_of(stage).most_slip) for stage in drive.stage]
    feeds = ("input", *train.outputs)
    for number, stage in enumerate(drive.stage, start=1):
        ratio = train.speeds[feeds[number - 1]] / train.speeds[feeds[number]]
        _check_ratio(f"stage{number}: ratio", stage.ratio, ratio, slips[number - 1])
    if drive.ratio is not None and train.ratio is None:
        raise ConfigError(f"ratio {drive.ratio:g} is stated, but the drive has no stage that makes one")
    if train.ratio is not None:
        _check_ratio("ratio", drive.ratio, train.ratio, sum(slips))


def _check_ratio(where: str, stated: float | None, computed: Fraction, slip: float) -> None:
    """A ratio measured over a belt holds its slip."""
    if stated is None:
        return
    off = stated / float(abs(computed)) - 1.0
    if not -RATIO_TOLERANCE <= off <= RATIO_TOLERANCE + slip:
        raise ConfigError(
            f"{where} {stated:g} is stated, but the parts as counted make {float(abs(computed)):.6g} "
            f"({'same' if computed > 0 else 'opposite'} sense): one of them is wrong"
        )
