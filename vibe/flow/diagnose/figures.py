"""Which pictures show a finding, with the words that go under them. Spectra draw the curves, report draws the page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.evidence import CombEvidence, PlotData
    from vibe.core.health import Finding
    from vibe.core.tones import Tone, ToneTable
    from vibe.spectra.signal_analysis import SignalAnalysis

HIGHEST_HZ = 1000.0
"""The overview ends where the band of the zone standards does: 10 Hz to 1 kHz (ISO 20816-1:2016)."""


def finding_plots(
    finding: Finding, reading: SignalAnalysis, combs: Mapping[str, CombEvidence], table: ToneTable
) -> tuple[PlotData, ...]:
    """The pictures behind a finding, best first: comb, map and waveform, or the lines of the velocity spectrum."""
    known = {**combs, **{one.evidence.tone: one.evidence for one in reading.outside_combs}}
    names = finding.seen_in or ([finding.tone] if finding.tone is not None else [])
    shown = [known[name] for name in names if name in known]
    if not shown:
        return _line_plots(finding, reading)
    pictures: list[PlotData] = []
    for comb in shown:
        pictures += _comb_plots(finding, comb, reading, combs, table)
    return tuple(pictures)


def _comb_plots(
    finding: Finding, comb: CombEvidence, reading: SignalAnalysis, combs: Mapping[str, CombEvidence], table: ToneTable
) -> list[PlotData]:
    """Comb, map and waveform of one comb; the map belongs to the tone that the finding names."""
    from vibe.core.evidence import Mark
    from vibe.health.state.finding_names import part_in_words
    from vibe.spectra.plots import plot_data

    # A damaged element meets both races: its comb may lie at twice its order.
    carrier = 2 if comb.lines and comb.lines[0].order > 1.5 * comb.order else 1
    marks = [Mark(at=line.order, label=f"{k * carrier}", kind="comb") for k, line in enumerate(comb.lines, start=1)] + [
        Mark(at=line.order, label="", kind="sideband") for line in comb.sideband_lines if line.over_floor_db > 6
    ]
    highest = 1.08 * max(line.order for line in comb.lines)
    tone = table.tone(finding.tone) if finding.tone is not None else None
    about = named_by(finding, comb, combs, table)
    what = f"the comb of {part_in_words(about.component)} ({about.defect})" if about is not None else "a comb"
    shown: list[PlotData] = [
        plot_data.comb_plot(
            reading, comb, marks, highest=max(highest, 3.2 * comb.order),
            title=f"Envelope spectrum, {' + '.join(comb.channels)}, {comb.band_hz[0]:.0f} to {comb.band_hz[1]:.0f} Hz",
            caption=f"Marked: {what} at order {comb.order:.4g} and its harmonics; dashed: the local floor.",
        )
    ]  # fmt: skip
    turn = reading.turns.get(comb.tone)
    if turn is not None and tone is not None and tone.fold is not None and comb.localisation is not None:
        shown.append(
            plot_data.polar_plot(
                turn, part=tone.fold.part, count=tone.fold.count, peaks_deg=comb.localisation.peaks_deg,
                absolute=reading.absolute,
                title=f"Polar map by {tone.fold.part}",
                caption="Mean envelope by place, averaged over "
                f"{turn.turns:.0f} turns; "
                + ("angles count from the pulse." if reading.absolute else "angles count from an arbitrary start."),
            )
        )  # fmt: skip
    shown.append(
        plot_data.waveform_plot(
            reading, comb, title=f"Waveform in the band, {comb.channels[0]}",
            caption=f"About eight repeats, {comb.band_hz[0]:.0f} to {comb.band_hz[1]:.0f} Hz.",
        )
    )  # fmt: skip
    return shown


def named_by(finding: Finding, comb: CombEvidence, combs: Mapping[str, CombEvidence], table: ToneTable) -> Tone | None:
    """The tone by which a comb of a finding is called: the finding's own where it shares the comb, as a lobe and an
    output pin do, else the comb's."""
    own = finding.tone
    if own is not None and combs.get(own) is comb:
        return table.tone(own)
    named = next((tone for tone in table.tones if tone.id == comb.tone and combs.get(tone.id) is comb), None)
    return named if named is not None or own is None else table.tone(own)


def _line_plots(finding: Finding, reading: SignalAnalysis) -> tuple[PlotData, ...]:
    """For faults read in single lines: the velocity spectrum with those lines marked."""
    from vibe.core.evidence import Mark
    from vibe.spectra.plots import plot_data

    channel = next((item.channel for item in finding.evidence if item.channel in reading.samples), None)
    if channel is None or finding.component == "sensor":
        return ()
    names = {line.name: line for line in reading.lines if line.channel == channel}
    marks = [
        Mark(at=names[name].frequency_hz, label=name.rsplit(" ", 1)[-1], kind="comb")
        for name in shown_by(finding, names)
    ]
    if not marks:
        return ()
    highest = max([3 * mark.at for mark in marks if mark.label == "1x"] + [1.3 * mark.at for mark in marks])
    return (
        plot_data.velocity_plot(
            reading, channel, marks, highest_hz=highest, title=f"Velocity spectrum, {channel}",
            caption=f"Marked: the lines that show {finding.defect}.",
        ),
    )  # fmt: skip


def shown_by(finding: Finding, names: Iterable[str]) -> list[str]:
    """Of the lines that were read, those that show a fault: no half orders for unbalance, which makes none, and none at
    all for what was not read in lines."""
    if finding.component == "motor":
        return [name for name in names if name.startswith("twice line")]
    read = {item.text for item in finding.evidence if item.kind == "line"}
    return (
        [name for name in names if finding.tone is not None and name.startswith(finding.tone)]
        or [name for name in names if name in read]
        or [name for name in names if read and name in ("1x", "2x")]
    )


def overview_plots(reading: SignalAnalysis) -> tuple[PlotData, ...]:
    """What is shown whatever was found: velocity spectrum and impulsiveness, per channel."""
    from vibe.core.evidence import Mark
    from vibe.spectra.plots import plot_data

    shown: list[PlotData] = []
    for spectrum in reading.spectra:
        names = {line.name: line for line in reading.lines if line.channel == spectrum.channel}
        marks = [
            Mark(at=names[name].frequency_hz, label=label, kind="owner")
            for name, label in [("1x", "1x"), ("2x", "2x")]
            + [(n, n.replace(" 1", "")) for n in names if n.endswith(".mesh 1")]
            if name in names and names[name].frequency_hz <= HIGHEST_HZ
        ]
        mesh = any("mesh" in mark.label for mark in marks)
        shown.append(
            plot_data.velocity_plot(
                reading, spectrum.channel, marks, highest_hz=HIGHEST_HZ,
                title=f"Velocity spectrum, {spectrum.channel}",
                caption=f"Marked for orientation: running speed{' and lobe-pin mesh' if mesh else ''}.",
            )
        )  # fmt: skip
        shown.append(
            plot_data.packet_plot(
                reading, spectrum.channel, title=f"Impulsiveness by band, {spectrum.channel}",
                caption="Wavelet packets: 0 is noise, a peak shows where impacts ring; "
                "noise seldom exceeds the dashed line.",
            )
        )  # fmt: skip
    return tuple(shown)
