"""From a drive's tones to plain orders that samples can be asked for, and from the answers back to its tones.

Between two rooms that do not know one another: kinematics never sees a sample, spectra never know what a drive is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from vibe.core.tones import OUTSIDE
from vibe.flow.diagnose.outside_requests import SLOW, surroundings_of
from vibe.flow.diagnose.speed_orders import moved_orders, speed_orders

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.evidence import CombEvidence
    from vibe.core.health import Finding
    from vibe.core.tones import Tone, ToneTable, Visibility
    from vibe.spectra.analysis_request import AnalysisRequest
    from vibe.spectra.attribution.line_attribution import OwnedLines, Owner
    from vibe.spectra.identity.recognition import Candidate
    from vibe.spectra.signal_analysis import SignalAnalysis

FEWEST_REPEATS = 10.0
"""Repeats within a capture from which a comb can be distinguished from chance."""
SLOW_SHAFT_LINES = 12
"""Harmonics that a slow shaft may make in the envelope; more would own half of the axis."""
SHAFT_LINES = 60
"""Harmonics that the input, and a shaft about as fast, may make in the envelope (common practice)."""
STRIKING_LINES = 40
"""Harmonics of the drive's own parts that strike or mesh, and of a declared machine next to it (common practice)."""
LEAST_SLIP_HZ = 0.02
"""Slip of a motor, in turns per second, below which a capture of usual length cannot resolve its pole pass from the
twice line (common practice)."""
SHAFT_HARMONICS = 10
"""Multiples of a shaft that unbalance, misalignment and looseness make; half orders as far (common practice)."""
FIRST_PARTS = ("stage1.ring_pin", "stage1.lobe", "stage1.planet_tooth")
"""Parts of a first stage that come round about once a turn of the input or half as often. What slower stages come round
at divides all orders there are, and would excuse anything."""
MESH_HARMONICS = 5
"""Of a mesh, each with its sidebands (common practice)."""
SMOOTH_HARMONICS = 6
"""Of what takes the load in turn: pins, planets, a belt."""


def searchable(table: ToneTable, seen: Sequence[Visibility], drive: Drive, duration_s: float) -> set[str]:
    """Tones worth a search: those that can be seen, and those that repeat often enough to be found by luck.

    A tone of the second kind stays listed as not observable unless it is found: its silence means nothing.
    """
    turns = drive.input.speed_hz * duration_s
    return {v.tone for v in seen if v.seen or table.tone(v.tone).order * turns >= FEWEST_REPEATS}


def analysis_request_of(
    drive: Drive,
    table: ToneTable,
    seen: set[str],
    *,
    noted_hz: float | None,
    others: Mapping[str, Candidate] | None = None,
) -> AnalysisRequest:
    """The drive's tones, as plain orders that the samples can be asked for; ``others`` are known drives by tag."""
    from vibe.spectra.analysis_request import AnalysisRequest, FoldRequest
    from vibe.spectra.evidence.comb import CombRequest

    combs: list[CombRequest] = []
    folds: list[FoldRequest] = []
    for tone in table.tones:
        if not tone.damage or tone.id not in seen:
            continue
        if any(_same_order(tone, other.order, other.slip) for other in combs):
            continue
        twins = [other for other in table.tones if other.damage and _same_order(other, tone.order, tone.slip)]
        meetings = max(other.meetings for other in twins)
        combs.append(
            CombRequest(
                name=tone.id,
                order=tone.order,
                slip=tone.slip,
                sidebands=tuple(sorted({side.order for side in tone.sidebands}))[:2],
                carriers=(1, 2) if tone.family == "rolling element" else (1,),
                max_harmonic=_harmonics(drive, tone),
                often_short=tone.family == "cage",
                slower=_slower(drive, table, tone),
                meetings=meetings,
            )
        )
        if tone.fold is not None or any(other.fold is not None for other in twins):
            parts = min(other.fold.count for other in twins if other.fold is not None)
            folds.append(FoldRequest(tone=tone.id, order=_fold_order(twins), meetings=meetings, parts=parts))
    benign = {(1.0, SHAFT_LINES)}
    for tone in table.tones:
        if tone.family in ("ring pin", "lobe", "output pin", "gear tooth", "mesh", "planet pass", "output pin pass"):
            benign.add((tone.order, STRIKING_LINES))
        elif tone.family in OUTSIDE:
            benign.add((tone.order, STRIKING_LINES if tone.order >= SLOW else SLOW_SHAFT_LINES))
        elif tone.family == "shaft":
            benign.add((tone.order, SHAFT_LINES if tone.order >= SLOW else SLOW_SHAFT_LINES))
    lines = [("0.5x", 0.5), ("1.5x", 1.5), ("2.5x", 2.5)] + [(f"{k}x", float(k)) for k in range(1, 11)]
    for tone in table.tones:
        if tone.family == "mesh":
            lines += [(f"{tone.id} {k}", k * tone.order) for k in (1, 2, 3)]
    lines_hz: list[tuple[str, float, float]] = []
    if (motor := drive.motor) is not None:
        twice = 2 * motor.line_hz
        lines_hz.append(("twice line", twice, 0.0))
        if motor.coupling == "direct" and motor.synchronous_hz - drive.input.speed_hz > LEAST_SLIP_HZ:
            # Poles x slip, by the speed that is found: half a turn in a hundred moves it by many lines.
            at_rest_hz = motor.poles * motor.synchronous_hz
            lines_hz += [
                ("twice line - pole pass", twice - at_rest_hz, float(motor.poles)),
                ("twice line + pole pass", twice + at_rest_hz, -float(motor.poles)),
            ]
    return AnalysisRequest(
        range_hz=drive.input.speed_range_hz,
        nominal_hz=drive.input.speed_hz,
        speed_orders=speed_orders(drive, table),
        moved_orders=moved_orders(table),
        combs=tuple(combs),
        folds=tuple(folds),
        benign=tuple(sorted(benign)),
        lines=tuple(lines),
        lines_hz=tuple(lines_hz),
        fixed_speed_hz=noted_hz,
        surroundings=surroundings_of(drive, table, others or {}),
    )


def owners_of(drive: Drive, table: ToneTable) -> tuple[Owner, ...]:
    """Those who may cause a part of a level: shafts, meshes, pins, lobes, each bearing, the motor's field.

    Parts that share an order cannot be distinguished and are one owner, "stage1.lobe or stage1.output_pin".
    """
    from vibe.core.records.level_change import ELECTRICAL, SHAFT
    from vibe.spectra.attribution.line_attribution import OwnedLines, Owner

    half_orders = tuple(range(1, 2 * SHAFT_HARMONICS, 2))
    shaft = [OwnedLines(order=1.0, harmonics=_first(SHAFT_HARMONICS)), OwnedLines(order=0.5, harmonics=half_orders)]
    shaft += [
        OwnedLines(order=tone.order, harmonics=_first(3))
        for tone in table.tones
        if tone.family == "shaft" and abs(tone.order - 1.0) > 1e-9
    ]
    owners = [Owner(name=SHAFT, lines=tuple(shaft))]
    for tone in table.tones:
        if tone.family == "mesh":
            lines = OwnedLines(
                order=tone.order, harmonics=_first(MESH_HARMONICS), sidebands=_mesh_sidebands(tone, table)
            )
            owners.append(Owner(name=tone.id, lines=(lines,)))
        elif tone.family in ("output pin pass", "planet pass", "belt", *OUTSIDE):
            owners.append(
                Owner(name=tone.id, lines=(OwnedLines(order=tone.order, harmonics=_first(SMOOTH_HARMONICS)),))
            )
    local = [tone for tone in table.tones if tone.damage and not any(tone.slip)]
    for tone in local:
        twins = [other for other in local if _same_order(other, tone.order, tone.slip)]
        if twins[0] is tone:
            names = tuple(twin.id for twin in twins)
            every = OwnedLines(order=tone.order, harmonics=None)
            owners.append(Owner(name=" or ".join(names), lines=(every,), impacts=names))
    # A roller that slips has no line that is its own beforehand; its impacts are.
    owners += [Owner(name=tone.id, impacts=(tone.id,)) for tone in table.tones if tone.family == "roller"]
    for bearing in drive.bearing:
        head = f"bearing.{bearing.name}"
        parts = (t.id for t in table.tones if t.damage and t.id.rpartition(".")[0] == head)
        owners.append(Owner(name=head, impacts=tuple(parts)))
    if drive.motor is not None:
        owners.append(Owner(name=ELECTRICAL, lines=_field(drive)))
    return tuple(owners)


def believed_combs(findings: Sequence[Finding]) -> set[str]:
    """Names of the combs whose impacts are more likely damage than not."""
    from vibe.core.health import PART_DAMAGE

    return {
        name
        for finding in findings
        if finding.defect in PART_DAMAGE and finding.damage_probability >= 0.5
        for name in (finding.tone, *finding.seen_in)
        if name is not None
    }


def _first(count: int) -> tuple[int, ...]:
    return tuple(range(1, count + 1))


def _mesh_sidebands(mesh: Tone, table: ToneTable) -> tuple[float, ...]:
    """One and two turns of what carries the meshing parts past each other: wear is uneven along a turn."""
    row = mesh.id.removesuffix("mesh").removesuffix("gear_")
    turns = {tone.order for tone in table.tones if tone.id in (f"{row}ring_pin", f"{row}lobe")}
    if mesh.sidebands or not turns:
        turns = {side.order for side in mesh.sidebands}
    return tuple(sorted({times * turn for turn in turns for times in (1, 2)}))


def _field(drive: Drive) -> tuple[OwnedLines, ...]:
    """Line and twice line frequency; next to the latter the pole pass, which moves with the slip."""
    from vibe.spectra.attribution.line_attribution import OwnedLines

    motor = drive.motor
    if motor is None:
        return ()
    lines = [OwnedLines(hz=motor.line_hz, harmonics=(1,)), OwnedLines(hz=2 * motor.line_hz, harmonics=(1, 2))]
    if motor.coupling == "direct" and motor.synchronous_hz > drive.input.speed_hz:
        for sign in (-1, 1):
            # twice line ± poles x (synchronous - input)
            at_hz = 2 * motor.line_hz + sign * motor.poles * motor.synchronous_hz
            lines.append(OwnedLines(order=-sign * float(motor.poles), hz=at_hz))
    return tuple(lines)


def candidate_of(drive: Drive, table: ToneTable) -> Candidate:
    """The drive as one whose lines a capture may hold."""
    from vibe.spectra.identity.recognition import Candidate

    return Candidate(
        range_hz=drive.input.speed_range_hz,
        nominal_hz=drive.input.speed_hz,
        orders=speed_orders(drive, table),
        turns=tuple(sorted({tone.order for tone in table.tones if tone.id in FIRST_PARTS})),
    )


def _harmonics(drive: Drive, tone: Tone) -> int:
    """Harmonics that show a tone: all that can be seen where it cannot slip, few of what random slip smears.

    Of a cage only those that no race owns: as many lines as elements make the outer race's own, or the inner race's
    where the cage is seen from the inner ring or from a load that turns with it.
    """
    from vibe.spectra.evidence.comb import HARMONIC_SETS, SLIPPING_HARMONICS

    if not any(tone.slip):
        return max(HARMONIC_SETS)
    if tone.family != "cage":
        return SLIPPING_HARMONICS
    elements = next((b.elements for b in drive.bearing if tone.component == f"bearing.{b.name}.cage"), None)
    return 5 if elements is None else max(2, min(12, elements - 1))


def _slower(drive: Drive, table: ToneTable, tone: Tone) -> tuple[tuple[float, tuple[float, float]], ...]:
    """Orders below a slipping tone's own at which its part repeats as well, and the slip of each: shafts have none.
    A race has no second place, and an element meets nothing every other spin only; but the factor of a bearing table
    may count its strikes, two per spin, where nothing else is known to tell."""
    from vibe.kinematics.families.bearing_multiples import multiples

    if not any(tone.slip) or tone.family == "cage":
        return ()
    head = tone.id.rpartition(".")[0]
    cages = [other for other in table.tones if other.family == "cage" and other.id.startswith(f"{head}.")]
    untold = any(f"bearing.{one.name}" == head and multiples(one).k is None for one in drive.bearing)
    slips = {tone.order / 2: tone.slip} if tone.family == "rolling element" and untold else {}
    slips |= {side.order: (0.0, 0.0) for side in tone.sidebands}
    slips |= {cage.order: cage.slip for cage in cages}
    return tuple(sorted((order, slip) for order, slip in slips.items() if order < 0.99 * tone.order))


def _fold_order(twins: Sequence[Tone]) -> float:
    """Signed turns of the frame per input turn, of the first tone that has one."""
    return next(float(tone.fold.order) for tone in twins if tone.fold is not None)


def _same_order(tone: Tone, order: float, slip: tuple[float, float]) -> bool:
    """Whether a tone and an order already asked for are one and the same place."""
    return abs(tone.order / order - 1.0) < 1e-9 and tone.slip == slip


def by_tone(reading: SignalAnalysis, table: ToneTable, analysis_request: AnalysisRequest) -> dict[str, CombEvidence]:
    """The comb of every tone; those that share an order share it."""
    slips = {request.name: request.slip for request in analysis_request.combs}
    orders = {request.name: request.order for request in analysis_request.combs}
    return {
        tone.id: comb
        for comb in reading.combs
        for tone in table.tones
        if tone.damage and _same_order(tone, orders[comb.tone], slips[comb.tone])
    }
