"""Is this the drive, and does it run? Silence means something only where the drive itself was detected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from vibe.core.health import OWN_PARTS
from vibe.flow.diagnose.motion import other_speeds

if TYPE_CHECKING:
    from vibe.core.capture import Reason
    from vibe.core.drive import Drive
    from vibe.core.evidence import CombEvidence, SpeedEstimate
    from vibe.core.health import Finding
    from vibe.core.outside_combs import SimilarMachine
    from vibe.core.tones import OwnLines, Tone, ToneTable
    from vibe.spectra.presence.axes import Axis
    from vibe.spectra.presence.families import Family
    from vibe.spectra.presence.presence import Presence
    from vibe.spectra.rivals.rival_drives import Rival
    from vibe.spectra.signal_analysis import SignalAnalysis

SPEAKS_FROM = 0.9
"""Probability from which a damaged part is proof enough that its drive was detected."""
NOT_AGAINST = -4.6
"""Log odds of the drive's own lines, ln 1/99, below which they count so much against it that damage is taken for
another machine's."""
FASTEST_SLOW = 0.5
"""Orders of turns that carry a part through its load fast enough for line and side line to be apart."""
NO_LINE_DB = -60.0
"""Height over the floor below which no line was read."""
EVIDENT = 1e-3
"""False-alarm probability of a comb up to which its multiples may stand in the spectrum (common practice: of thirty
parts one is seldom so clear by chance)."""
SLIP_SPREAD = 1e-3
"""Relative; so far the lines of a slipping bearing spread, and its order is known no closer (common practice)."""
LEAST_REPEAT_BINS = 8.0
"""Lines of impacts that repeat more slowly would be half of all (two bins either side of each)."""
MESHES_LISTED = 7
"""Multiples of the mesh up to which the drive's own lines are listed: one more than is looked for."""
HUM_MULTIPLES = 40
"""Multiples of the mains that power supplies make (the 40 that IEC 61000-3-2 limits, from memory)."""
PLACES_A_PIN = (2, 3)
"""Places for each pin of a ring in which every second or third one is left empty."""
SLOWER = 0.9
"""Order below which a shaft is slower than the input."""
MAYBE_ELSEWHERE, SURELY_ELSEWHERE = 1 / 3, 1e2
"""Odds of another speed, twice or half the stated one or the like, from which the drive is not detected at this one: of
16 sound drives of an outside world they were below 1e-4 under their own file, and beyond 5,000 under a file of two
thirds of the speed for the four that had passed until then. And odds from which damage that was named at this speed
says nothing either, since it lies in the best of some thousand places."""
OPEN_SPEED = "speed_open"
"""Code of the reason why a drive that is detected somewhere near an assumed speed is not assessed."""
FEWEST_TURNS = 100.0
"""Turns of the input below which silence of a mesh may be the shortness of the capture: its levels are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """``probability`` that the drive was detected (None: nothing could show it), and why its silence means nothing, if
    so; ``rivalled``: whether a drive of other counts explains clearly more; ``in_range``: the same probability if the
    drive turns within its range at all, where that was weighed too."""

    probability: float | None
    reason: Reason | None
    rivalled: bool = False
    in_range: float | None = None


def axis_of(reading: SignalAnalysis, drive: Drive) -> Axis:
    """The spectra of ``reading`` as all that follows asks them: how surprising each place is."""
    from vibe.spectra.presence.axes import spectrum_axis

    return spectrum_axis(reading.spectra, reading.law.mean_hz, _mains_hz(drive))


def gate(reading: SignalAnalysis, axis: Axis, drive: Drive, table: ToneTable, findings: Sequence[Finding]) -> Gate:
    """Whether the drive was detected in ``reading`` (``axis``: of its spectra), running all the time.

    A damaged part of its own, once named, proves that it was detected; a machine that is not this drive names none but
    by chance, unless it is a drive of another ratio, whose parts meet in places of their own."""
    from vibe.spectra.presence.axes import envelope_axis
    from vibe.spectra.presence.gaps import LONGEST_GAP_S, gap_s
    from vibe.spectra.presence.presence import presence
    from vibe.spectra.rivals.driven_lines import driven_orders
    from vibe.spectra.rivals.rival_drives import CERTAIN, SLIP, rivals
    from vibe.spectra.rivals.speed_multiples import odds_of_multiples
    from vibe.spectra.rivals.swung_lines import carriers, swung_lines

    speed = reading.speed
    families = families_of(drive, table)
    short = reading.law.total_turns < FEWEST_TURNS
    sigma = (speed.uncertainty_hz or 0.0) / speed.input_hz
    low, high = drive.input.speed_range_hz
    spread = min(3 * sigma, max(high / speed.input_hz - 1, 1 - low / speed.input_hz, 1e-6))
    axis = axis.passed()
    axes = [axis]
    if reading.looks:
        axes.append(envelope_axis(reading.looks[0].spectra, reading.law.mean_hz, _mains_hz(drive)))
    pulsed = speed.method == "tachometer"
    ask = partial(
        presence, axes, families, spread, pulsed=pulsed, guessed=speed.method == "nominal",
        outside_combs=[comb.order for comb in reading.outside_combs], covered=_covered(reading),
    )  # fmt: skip
    first = was = ask()
    speaks = any(f.component.startswith(OWN_PARTS) and f.damage_probability >= SPEAKS_FROM for f in findings)
    if first is None or was is None:
        return Gate(probability=None, reason=None if speaks else _without_families(reading, families, short))
    others: list[Rival] = []
    if was.detected or speaks:
        # What strikes more slowly than any shaft in question turns is nobody's lobe, nor are its multiples.
        strikes = [comb.order for comb in reading.outside_combs if comb.order < 1.0 - SLIP]
        own = [float(order) for family in families for order in family.own()]
        # Nor is a mesh what a damaged bearing of this drive makes: its slip brings multiples of it to whole ones of a
        # shaft of another speed.
        known = axis.without(strikes, kept=own).without_lines(_of_damage(reading, table, findings, axis.top), kept=own)
        reach = spread if pulsed else SLIP
        others = rivals(known, families, spread, reach)
        # A load that swings with the output's turn gives every line of the drive side lines at that turn.
        turn = _output_turn(table)
        if others and turn is not None and (swung := swung_lines(axis, turn, families[0])).size:
            known = known.without_lines(swung.tolist(), kept=[*own, *carriers(families[0]).tolist()])
            others = rivals(known, families, spread, reach)
        # Lines of what the drive turns are no other drive's, nor are those of a second drive of its kind.
        driven = driven_orders(axis, turn, own) if others and turn is not None else []
        if driven:
            known = known.without(driven, kept=own)
            others = rivals(known, families, spread, reach)
        alike = [order for other in others for order in other.sisters_lines(families[0], axis.top)]
        if alike:
            others = rivals(known.without_lines(alike, kept=own), families, spread, reach)
        taken = [*alike, *(float(order) for other in others for order in other.lines(axis.top))]
        was = ask(rival=taken, counted=not others) or was if taken else was
    elsewhere = 0.0
    if not pulsed and (was.detected or speaks):
        elsewhere = odds_of_multiples(axis, families, low / speed.input_hz, high / speed.input_hz)
    # In few turns lobes stand on the feet of shaft lines, and counts are not distinguished well enough.
    another = bool(others) and others[0].log_odds >= CERTAIN and not short
    # Where another mesh explains more and the drive's own lines speak against it, damage is that other machine's.
    against = first.log_odds < NOT_AGAINST or (first.better is not None and first.own < 0)
    if elsewhere >= (SURELY_ELSEWHERE if speaks else MAYBE_ELSEWHERE):
        return Gate(probability=was.probability / (1.0 + elsewhere), reason=_another_speed(reading))
    if speaks and not against and (was.detected or not another):
        return Gate(probability=max([was.probability, *(f.damage_probability for f in findings)]), reason=None)
    if not was.detected:
        better = others[0].count if another else was.better
        reason = _not_detected(first, was, better, reading, families, short, another)
        return Gate(probability=was.probability, reason=reason, rivalled=bool(others))
    probability = was.probability / (1.0 + elsewhere)
    if speed.method == "nominal":
        # Lines stand somewhere near an assumed speed; parts were asked for at that speed, where they need not be.
        return Gate(probability=probability, reason=_no_speed(speed, short), rivalled=bool(others))
    lobes = [f.difference / (f.count - f.difference) for f in families if f.difference and f.turn == f.unit == 1.0]
    gap = gap_s(list(reading.samples.values()), reading.law, [f.count * f.unit for f in families], lobes)
    if gap >= LONGEST_GAP_S:
        return Gate(probability=probability, reason=_not_steady(gap))
    return Gate(probability=probability, reason=None, rivalled=bool(others), in_range=was.probability)


def _output_turn(table: ToneTable) -> float | None:
    """Order of the shaft that turns another machine, where it is slower than the input."""
    turns = [abs(float(body.order)) for body in table.bodies if body.body == table.output]
    return turns[0] if turns and 0 < turns[0] < SLOWER else None


def _of_damage(reading: SignalAnalysis, table: ToneTable, findings: Sequence[Finding], top: float) -> list[float]:
    """Orders up to ``top`` of all lines that bearings of the drive make that are surely damaged: multiples of their
    impacts, each with two side lines either side at every turn that carries them."""
    names = _named([one for one in findings if one.damage_probability >= SPEAKS_FROM])
    combs = {one.tone: one for one in reversed(reading.combs)}
    lines: list[float] = []
    for tone in table.tones:
        comb = combs.get(tone.id)
        if tone.id not in names or comb is None or not any(tone.slip):
            continue
        order = comb.order if comb.place is None else comb.place
        shifts = {0.0, *(sign * times * side.order for side in tone.sidebands for sign in (-1, 1) for times in (1, 2))}
        lines += [k * order + shift for k in range(1, int(top / order) + 1) for shift in shifts]
    return [order for order in lines if 0 < order < top]


def of_one_of_two(finding: Finding) -> bool:
    """Whether a machine of the same kind next to this one would show the same."""
    from vibe.diagnosis.alternatives.outside_machines import ON_THE_SHAFT

    return finding.component.startswith((*OWN_PARTS, *ON_THE_SHAFT))


def similar_machines_in(
    reading: SignalAnalysis, drive: Drive, table: ToneTable, combs: Mapping[str, CombEvidence],
    findings: Sequence[Finding], *, declared: bool = False,
) -> tuple[SimilarMachine, ...]:  # fmt: skip
    """Other machines of the drive's kind that are detected in ``reading``, or by the comb of one of ``findings``;
    ``declared``: the drive file says that there is one."""
    from vibe.diagnosis.alternatives.similar_speeds import speeds_of_combs
    from vibe.flow.diagnose.speed_orders import speed_orders
    from vibe.spectra.rivals.other_course import machine_on_other_course
    from vibe.spectra.rivals.similar_machine import DECLARED_COMPANY, USUAL_COMPANY, similar_machines

    families = families_of(drive, table)
    if not families or reading.speed.method == "nominal" or not reading.spectra:
        return ()
    names = _named(findings)
    known = speeds_of_combs(table, combs, reading.speed, names)
    own = _own_lines(reading, drive, table, combs, families[0])
    found = similar_machines(
        reading.spectra, reading.law.mean_hz, families[0], own, known, declared=declared, further=families[1:]
    )
    # Lines of a part that slips are not among those that are taken out, and might pass for such a machine's.
    slips = any(any(tone.slip) for tone in table.tones if tone.id in names)
    if found or slips or reading.speed.method != "signal":
        return found
    other = machine_on_other_course(
        list(reading.samples.values()), reading.law, drive.input.speed_range_hz, speed_orders(drive, table),
        DECLARED_COMPANY if declared else USUAL_COMPANY,
    )  # fmt: skip
    return () if other is None else (other,)


def with_turns(
    reading: SignalAnalysis, table: ToneTable, combs: Mapping[str, CombEvidence], findings: Sequence[Finding]
) -> dict[str, CombEvidence]:
    """``combs``, those that ``findings`` rest on with the speed of the shaft that carries the part through its load."""
    from vibe.diagnosis.alternatives.similar_speeds import WITHIN_ERRORS
    from vibe.spectra.evidence.modulating_turn import modulating_turn

    found = dict(combs)
    names = _named(findings)
    looks = [look for look in reading.looks if not look.slow]
    rigid = sorted({1.0, *(tone.order for tone in table.tones if tone.family == "lobe")})
    for tone in table.tones if looks else ():
        comb = combs.get(tone.id)
        turn = next((s.order for s in tone.sidebands if s.order_exact is not None and s.order >= FASTEST_SLOW), None)
        if comb is None or turn is None or not any(tone.slip) or not names & {tone.id, comb.tone}:
            continue
        read = modulating_turn(
            looks[0].bands, comb.band_hz, comb.channels, comb.order if comb.place is None else comb.place, turn, rigid
        )
        # What grows and fades with the input is this drive's, and says nothing of the shaft that carries the part.
        own = read is not None and turn != 1.0 and abs(read.order - 1) < WITHIN_ERRORS * read.error * read.order
        if read is not None and not own:
            found[tone.id] = replace(comb, carried_at=read.order / turn, carried_error=read.error)
    return found


def with_courses(
    reading: SignalAnalysis, combs: Mapping[str, CombEvidence], findings: Sequence[Finding]
) -> dict[str, CombEvidence]:
    """``combs``, those that ``findings`` rest on with whether they keep to this drive's course of speed."""
    from vibe.spectra.evidence.own_course import evenly_rather

    found, names = dict(combs), _named(findings)
    looks = [look for look in reading.looks if not look.slow]
    for name, comb in combs.items() if looks else ():
        if names & {name, comb.tone}:
            # Lines that were left to others have no height.
            numbers = [round(line.order / comb.order) for line in comb.lines if line.over_floor_db > NO_LINE_DB]
            log_odds = evenly_rather(looks[0].bands, reading.law, comb.band_hz, comb.channels, comb.order, numbers)
            found[name] = replace(comb, evenly=log_odds)
    return found


def with_blades(
    reading: SignalAnalysis,
    drive: Drive,
    table: ToneTable,
    combs: Mapping[str, CombEvidence],
    findings: Sequence[Finding],
) -> dict[str, CombEvidence]:
    """``combs``, those of bearings that ``findings`` rest on with the rotor whose blades may pass as often."""
    from vibe.kinematics.own_lines import own_lines
    from vibe.spectra.evidence.blade_rotor import blade_rotor

    found, names = dict(combs), _named(findings)
    asked = [
        tone for tone in table.tones
        if any(tone.slip) and tone.id in combs and tone.family != "cage" and names & {tone.id, combs[tone.id].tone}
    ]  # fmt: skip
    if not asked:
        return found
    input_hz = reading.law.mean_hz
    top = max(combs[tone.id].lines[0].order for tone in asked)
    hum = [k * mains / input_hz for mains in _mains_hz(drive) for k in range(1, HUM_MULTIPLES + 1)]
    turning = [order for kind in own_lines(table, 2 * top) if not any(kind.spread) for order in kind.orders]
    turning += hum
    for tone in asked:
        comb = combs[tone.id]
        order = comb.lines[0].order * (1.0 if comb.place is None else comb.place / comb.order)
        elements = next((one.elements for one in drive.bearing if tone.id.startswith(f"bearing.{one.name}.")), None)
        rotor = blade_rotor(reading.spectra, input_hz, order, turning, none_of=elements)
        if rotor is not None:
            found[tone.id] = replace(comb, blades=(rotor.count, rotor.odds))
    return found


def _named(findings: Sequence[Finding]) -> set[str]:
    """Tones on which findings on the drive's own parts rest."""
    own = [one for one in findings if one.component.startswith(OWN_PARTS)]
    return {name for one in own for name in (one.tone, *one.seen_in) if name is not None}


def _own_lines(
    reading: SignalAnalysis, drive: Drive, table: ToneTable, combs: Mapping[str, CombEvidence], family: Family
) -> list[OwnLines]:
    """All lines that the drive makes at the speed found, those of impacts that are evident with their multiples, and
    what is known of other machines."""
    from vibe.core.tones import OwnLines
    from vibe.kinematics.own_lines import multiples_of, own_lines

    input_hz = reading.law.mean_hz
    steps = [one.bin_hz / input_hz for one in reading.spectra]
    measured = max(one.power.size * step for one, step in zip(reading.spectra, steps, strict=True))
    top, apart = min(measured, MESHES_LISTED * family.count * family.unit), LEAST_REPEAT_BINS * min(steps)
    found = list(own_lines(table, top))
    for tone in table.tones:
        comb = combs.get(tone.id)
        evident = tone.damage and comb is not None and comb.false_alarm_probability <= EVIDENT
        # What cannot slip lies at its own multiples, which are there already.
        if comb is not None and evident and any(tone.slip) and comb.order > apart:
            sides = [one.order for one in tone.sidebands if one.order > apart / 4]
            order = _by_all_lines(comb, reading)
            found += multiples_of(tone.id, order, SLIP_SPREAD, sides, top, struck=True)
    for outside in reading.outside_combs:
        if outside.order > apart:
            found += multiples_of("outside", outside.order, max(outside.spread, SLIP_SPREAD / 2), (), top)
    hum = [k * mains / input_hz for mains in _mains_hz(drive) for k in range(1, HUM_MULTIPLES + 1)]
    hum = [order for order in hum if order < top]
    return [*found, OwnLines(what="mains", orders=tuple(hum), spread=(0.0,) * len(hum))]


def _by_all_lines(comb: CombEvidence, reading: SignalAnalysis) -> float:
    """Order of a comb that slips: by all its lines together, since its own is one of a grid of half bins, unless these
    are those of another comb next to it."""
    from vibe.core.outside_combs import LINE_BINS

    near = LINE_BINS / reading.law.total_turns
    return comb.order if comb.place is None or abs(comb.place - comb.order) > near else comb.place


def _covered(reading: SignalAnalysis) -> list[int]:
    """Those of the shaft's first three multiples whose place another, stronger line covers at every point."""
    found = []
    for multiple in (1, 2, 3):
        lines = [line for line in reading.lines if line.name == f"{multiple}x"]
        if lines and all(line.is_another for line in lines):
            found.append(multiple)
    return found


def _mains_hz(drive: Drive) -> tuple[float, ...]:
    return (50.0, 60.0) if drive.motor is None else (drive.motor.line_hz,)


def families_of(drive: Drive, table: ToneTable) -> list[Family]:
    """The meshes of every stage as counts of parts, so that other counts can be tried in their place."""
    from vibe.core.stages.cycloidal import CycloidalStage
    from vibe.core.stages.rv import RvStage
    from vibe.kinematics.phasing import left_of_discs
    from vibe.spectra.presence.families import Family

    tones = {tone.id: tone for tone in table.tones}
    found = []
    for number, stage in enumerate(drive.stage, 1):
        mesh, pin = tones.get(f"stage{number}.mesh"), tones.get(f"stage{number}.ring_pin")
        if mesh is not None and pin is not None and isinstance(stage, CycloidalStage | RvStage):
            passing, past = (tones.get(f"stage{number}.{what}") for what in ("output_pin_pass", "output_pin"))
            found.append(
                Family(
                    count=round(mesh.order / pin.order),
                    unit=pin.order,
                    difference=(stage.ring_pins - stage.lobes) * stage.pins_fitted / stage.ring_pins,
                    passes=round(passing.order / past.order) if passing and past else 0,
                    ring_turns=stage.fixed != "ring",
                    left=left_of_discs(stage),
                )
            )
        gear = tones.get(f"stage{number}.gear_mesh")
        if gear is not None:
            found.append(_gears(gear, stage))
    return found


def _gears(mesh: Tone, stage: object) -> Family:
    from vibe.spectra.presence.families import Family

    teeth = getattr(stage, "sun_teeth", None) or getattr(stage, "driver_teeth", None) or max(1, round(mesh.order))
    return Family(count=teeth, unit=mesh.order / teeth, sides=tuple(sorted({s.order for s in mesh.sidebands}))[:2])


def _without_families(reading: SignalAnalysis, families: Sequence[Family], short: bool) -> Reason | None:
    """Of a shaft with bearings no mesh can be detected; that something turns at its speed is all that can be asked."""
    if families:
        return _reason(
            "the band measured holds none of this drive's meshes, so nothing shows that it is this drive",
            "Repeat the measurement with a sample rate of at least three times the mesh frequency.",
            short=short,
        )
    if reading.speed.method != "nominal":
        return None
    return _reason(
        "no speed is evident, so nothing shows that the machine runs",
        "Check that the drive runs and that the sensor sits on it; repeat the measurement with a pulse sensor, or "
        "for longer.",
        short=short,
    )


def _detected_of_it(first: Presence, was: Presence, families: Sequence[Family], at: str) -> str:
    """What of the drive's own lines was detected ``at`` its speed, how surely, and what was not; ``first``: with the
    lines that a drive of another ratio makes too, ``was``: without."""
    from vibe.spectra.presence.presence import DETECTED_FROM, LEAST_OWN, sure

    meshes = " or ".join(f"{family.count * family.unit:.4g}" for family in families)
    if first.detected:
        own = f"this drive has its own (mesh: {meshes} per input turn)"
        return f"lines stand out {at} where {own}, but those of a drive of another ratio stand there too"
    mesh = f"of its mesh at {meshes} per input turn"
    names = (mesh, "of its output pins", "of its lobes")
    seen = [(name, odds) for name, odds in zip(names, first.by_part, strict=True) if odds >= DETECTED_FROM]
    if seen:
        missing = "" if seen[0][0] == mesh else f", but not those {mesh}"
        text = (
            f"lines {' and '.join(f'{name} ({_percent(sure(odds))})' for name, odds in seen)} stand out {at}{missing}"
        )
    elif was.probability >= 0.5:
        text = f"this drive's own lines stand out only faintly {at}, those {mesh} among them"
    else:
        return f"nothing of this drive's own mesh ({meshes} per input turn) stands out {at}"
    needed = sure(LEAST_OWN if was.own < LEAST_OWN else DETECTED_FROM)
    return f"{text}: {_percent(was.probability)} sure that it is this drive, where {100 * needed:.0f} % is needed"


def _percent(value: float) -> str:
    """Never more than it is, so that what is not enough does not look like it."""
    return f"{min(int(100 * value), 99)} %"


def _not_detected(
    first: Presence,
    was: Presence,
    better: int | None,
    reading: SignalAnalysis,
    families: Sequence[Family],
    short: bool,
    another: bool,
) -> Reason:
    """``better``: the count of a mesh that explains more; ``another``: a whole drive with it does."""
    at = f"at {reading.speed.input_hz * 60:.0f} r/min"
    if short:
        at += f" in {reading.law.total_turns:.0f} turns"
    text = _detected_of_it(first, was, families, at)
    if reading.speed.method == "nominal" and not short:
        text += ", and no speed is evident in the signal"
    elif another and not first.detected:
        text += "; the lines of a drive of another ratio would fit better"
    elif better is not None and not short:
        text += f"; a mesh of {better} parts would fit better"
    if reading.speed.method == "signal" and (others := other_speeds(reading.speed)):
        text += f"; no clearer at the other speeds that the lines allow, {others}"
    if short:
        remedy = "Measure for longer, so that the drive's own lines can be distinguished from others."
        return _reason(text, remedy, short=True)
    remedy = (
        "Check that the drive runs, that this is its measuring point and its drive file (ratio); repeat the "
        "measurement, longer and under load."
    )
    if better is not None and any(better * each == families[0].count for each in PLACES_A_PIN):
        remedy += (
            f" If the ring holds only {better} pins in its {families[0].count} places, say so in the drive file "
            f"(fitted_pins = {better})."
        )
    return _reason(text, remedy, short=False)


def _another_speed(reading: SignalAnalysis) -> Reason:
    return _reason(
        f"the lines of the drive fit as well or better where it turns at twice, half or another simple multiple of "
        f"{reading.speed.input_hz * 60:.0f} r/min, outside its range",
        "Check speed and range in the drive file (poles of the motor, converter); repeat the measurement with a pulse "
        "sensor.",
        short=False,
    )


def _no_speed(speed: SpeedEstimate, short: bool) -> Reason:
    within = 200 * (speed.uncertainty_hz or 0.0) / speed.input_hz
    reason = _reason(
        f"lines like the drive's stand somewhere within {within:.1f} % of {speed.input_hz * 60:.0f} r/min, which was "
        "assumed, but no one speed fits them all: parts that are silent there may speak at the true one",
        "Measure while the speed holds, for longer, or with a pulse sensor.",
        short=short,
    )
    return replace(reason, code=OPEN_SPEED)


def _not_steady(gap_s: float) -> Reason:
    from vibe.core.capture import Reason

    return Reason(
        code="not_steady",
        verdict="rejected",
        text=f"for {gap_s:.1f} s the drive's lines are not where its speed puts them: a start, a stop or a pause",
        remedy="Repeat the measurement while it runs steadily.",
    )


def _reason(text: str, remedy: str, *, short: bool) -> Reason:
    from vibe.core.capture import Reason

    return Reason(code="not_heard", verdict="limited" if short else "rejected", text=text, remedy=remedy)
