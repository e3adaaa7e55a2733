"""What a drive file declares around the drive, as plain orders for the search in the samples."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING

from vibe.core.tones import OUTSIDE

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.health import Finding, NotObservable
    from vibe.core.outside_combs import DeclaredNeighbour, OutsideComb, Surroundings
    from vibe.core.surroundings import Neighbour
    from vibe.core.tones import ToneTable
    from vibe.diagnosis.alternatives.outside_sources import Outside
    from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
    from vibe.spectra.analysis_request import AnalysisRequest
    from vibe.spectra.identity.recognition import Candidate
    from vibe.spectra.signal_analysis import SignalAnalysis

SLOW = 0.9
"""Orders below which a shaft's turn is distinguished from the input's: its multiples are no harmonics of the input."""


def surroundings_of(drive: Drive, table: ToneTable, others: Mapping[str, Candidate]) -> Surroundings:
    """Declared sources, neighbours, and the slow shafts that turn other machines.

    A neighbour named by a tag that is not in ``others`` (nor has a file of its own) is left out: it is not known.
    """
    from vibe.core.outside_combs import DeclaredSource, Surroundings

    turns = {body.body: abs(float(body.order)) for body in table.bodies}
    driving = {machine.on or table.output or "input" for machine in drive.driven}
    if table.output is not None:
        driving.add(table.output)
    bodies = {f"driven.{machine.name}": machine.on or table.output or "input" for machine in drive.driven}
    bodies |= {f"fitted.{part.name}": part.on for part in drive.fitted}
    sources = [
        DeclaredSource(
            name=tone.id, order=tone.order, turn_order=turns[bodies[_source(tone.id, bodies)]], slip=tone.slip
        )
        for tone in table.tones
        if tone.family in OUTSIDE
    ]
    neighbours = [_neighbour(neighbour, others) for neighbour in drive.neighbour]
    return Surroundings(
        sources=tuple(sources),
        neighbours=tuple(neighbour for neighbour in neighbours if neighbour is not None),
        slow_turns=tuple(sorted({turns[body] for body in driving if turns[body] < SLOW})),
    )


def declared_alike(drive: Drive, table: ToneTable, around: Surroundings) -> tuple[str, ...]:
    """Names of the declared neighbours of the drive's own type: the same lines per turn, at speeds that overlap."""
    from vibe.flow.diagnose.speed_orders import speed_orders

    own = {round(order, 6) for order in speed_orders(drive, table)}
    low, high = drive.input.speed_range_hz
    return tuple(
        one.name
        for one in around.neighbours
        if drive.stage
        and {round(order, 6) for order in one.per_turn} == own
        and one.range_hz[0] <= high
        and low <= one.range_hz[1]
    )


def outside_of(
    reading: SignalAnalysis,
    findings: Sequence[Finding],
    instead: Sequence[OutsideComb],
    table: ToneTable,
    analysis_request: AnalysisRequest,
) -> Outside:
    """What the report says of combs that no finding explains; those of ``instead``, where parts strike, are known more
    closely than as they were met first."""
    from vibe.diagnosis.alternatives.outside_sources import outside_sources

    explained = {name for finding in findings for name in finding.seen_in}
    combs = [one for one in reading.outside_combs if one.evidence.tone not in explained]
    known = {one.per_turn for one in instead if one.per_turn is not None}
    combs = [*instead, *(one for one in combs if not (one.ambiguous and one.per_turn in known))]
    return outside_sources(combs, table, analysis_request.surroundings, input_hz=reading.speed.input_hz)


def hidden_in_all(
    latest: CaptureDiagnosis, judged: Sequence[CaptureDiagnosis], found: Collection[str | None]
) -> list[NotObservable]:
    """Tones that a comb of others hides in the latest capture, and that no other capture shows free of it.

    A tone that was found in spite of it, or was listed as not observable before, is left out.
    """
    if latest.outside is None:
        return []
    shown = {
        v.tone
        for one in judged
        if one is not latest and one.outside is not None
        for v in one.visibility
        if v.seen and v.tone not in {entry.tone for entry in one.outside.hidden}
    }
    unseen = {v.tone for v in latest.visibility if not v.seen}
    return [entry for entry in latest.outside.hidden if entry.tone not in {*shown, *unseen, *found}]


def _source(tone_id: str, bodies: Mapping[str, str]) -> str:
    """``driven.chain.flights`` -> ``driven.chain``: a name has no dot."""
    return tone_id if tone_id in bodies else tone_id.rpartition(".")[0]


def _neighbour(neighbour: Neighbour, others: Mapping[str, Candidate]) -> DeclaredNeighbour | None:
    from vibe.core.outside_combs import DeclaredNeighbour
    from vibe.flow.diagnose.speed_orders import speed_orders
    from vibe.kinematics.tone_table import tone_table

    described = neighbour.described
    if described is not None:
        table = tone_table(described)
        return DeclaredNeighbour(
            name=neighbour.name,
            range_hz=described.input.speed_range_hz,
            per_turn=speed_orders(described, table),
            damage=tuple((tone.id, tone.order) for tone in table.tones if tone.damage),
        )
    if neighbour.speed_range_rpm is not None:
        low, high = neighbour.speed_range_rpm
        return DeclaredNeighbour(
            name=neighbour.name, range_hz=(low / 60.0, high / 60.0), per_turn=tuple(sorted(neighbour.per_turn)),
            strikes=True,
        )  # fmt: skip
    known = others.get(neighbour.drive or "")
    if known is None:
        return None
    return DeclaredNeighbour(name=neighbour.name, range_hz=known.range_hz, per_turn=known.orders)
