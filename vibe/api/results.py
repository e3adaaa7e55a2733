"""The diagnosis of one drive, with all that it rests on."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from vibe.api.captures import AnyCapture, several
from vibe.api.curves import Curve, TurnMap, nearest
from vibe.api.drives import AnyPath, Drive, Tones, described
from vibe.api.tables import Table, fields
from vibe.core.errors import CallError
from vibe.core.evidence import Mark
from vibe.core.text import printable

if TYPE_CHECKING:
    from vibe.core.drive_report import DriveReport
    from vibe.core.evidence import CombEvidence
    from vibe.core.health import (
        DetectionLimit,
        Finding,
        Health,
        LevelReport,
        NotObservable,
        OutsideSource,
        SpeedReport,
        State,
    )
    from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
    from vibe.spectra.signal_analysis import SignalAnalysis


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """The verdict on one channel of one capture; ``error`` where the capture could not be read at all."""

    capture: str
    channel: str | None
    quality: str
    reasons: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedFiles:
    """What ``save`` wrote; None for what was not asked for. ``remarks`` say why a PDF could not be made."""

    json: Path
    html: Path | None
    pdf: Path | None
    remarks: tuple[str, ...] = ()


class Result:
    """The health of one drive as its captures show it. ``health`` is the whole report, the form of ``health.json``.

    Example:
        >>> import vibe
        >>> result = vibe.diagnose("TH-02.h5", "TH-02.toml")
        >>> curve = result.envelope_spectrum("input side radial")
        >>> curve.x_label, curve.y_label, curve.x.shape == curve.y.shape
        ('Order [events per input turn]', 'Envelope modulation [% of mean power]', True)
        >>> import matplotlib.figure
        >>> ax = curve.plot(ax=matplotlib.figure.Figure().subplots())
        >>> ax.get_xlabel()
        'Order [events per input turn]'
        >>> result.spectrum("input side radial", quantity="acceleration").y_unit
        'm/s²'
        >>> result.waveform("input side radial", start_s=1.0, duration_s=0.5).x.shape
        (12800,)
        >>> result.turn_map("stage1.lobe").count
        17
        >>> sorted(file.name for file in result.save("out", pdf=False).json.parent.iterdir())
        ['assets', 'health.html', 'health.json']
    """

    def __init__(self, drive: Drive, drive_report: DriveReport, judged: Sequence[CaptureDiagnosis]) -> None:
        self.drive = drive
        self.health: Health = drive_report.health
        self.tones = Tones(drive_report.tones, drive.input.speed_hz)
        self._drive_report = drive_report
        self._judged = tuple(judged)

    @property
    def state(self) -> State:
        """``sound``, ``watch``, ``plan``, ``act`` or ``unknown``; ``unknown`` is never to be read as sound."""
        return self.health.state

    @property
    def rule(self) -> str:
        """The rule that set the state."""
        return self.health.state_rule

    @property
    def sentence(self) -> str:
        """The state in one plain sentence."""
        return self.health.sentence

    @property
    def do_by(self) -> str:
        """What to do, and by when."""
        return self.health.do_by

    @property
    def cautions(self) -> tuple[str, ...]:
        """What must be minded before anybody acts on this."""
        return tuple(self.health.cautions)

    @property
    def speed(self) -> SpeedReport:
        """Input speed [Hz] with one standard deviation, and how it was had; None where no capture was fit."""
        return self.health.speed

    @property
    def findings(self) -> Table[Finding]:
        """What is wrong, gravest first; empty: nothing was found at the stated false-alarm rate. Last come those with
        ``weak_sign``, too improbable to set the state."""
        return Table(
            self.health.findings,
            fields(
                "component", "defect", "tone", "probability", "false_alarm_probability", "severity",
                "cannot_be_told_from", "why", "advice", "weak_sign",
            ),
        )  # fmt: skip

    @property
    def levels(self) -> Table[LevelReport]:
        """Broad-band levels of each point, each in its ``unit``, with zones where a limit applies."""
        return Table(
            self.health.levels,
            fields("point", "measure", "value", "unit", "band_hz", "zone", "by_analogy", "zone_source"),
        )

    @property
    def not_detectable(self) -> Table[NotObservable]:
        """Tones that these captures could not show, why, and what would show them."""
        return Table(self.health.not_observable, fields("tone", "why", "needs"))

    @property
    def detection_limits(self) -> Table[DetectionLimit]:
        """The smallest impact of each tone that would have been shown: peak [m/s²], and over the mean power [dB]."""
        return Table(self.health.detection_limits, fields("tone", "hit_m_s2", "over_floor_db"))

    @property
    def outside_sources(self) -> Table[OutsideSource]:
        """Combs of machines around the drive, strongest first."""
        return Table(
            self.health.outside_sources,
            fields("name", "order", "hz", "per_turn", "of", "strength_db", "points", "declared", "hides"),
        )

    @property
    def quality(self) -> Table[Quality]:
        """The verdict on every channel of every capture."""
        rows: list[Quality] = []
        for one in self.health.captures:
            if one.error is not None:
                rows.append(Quality(capture=one.file, channel=None, quality="unreadable", reasons=(one.error,)))
            rows += [
                Quality(
                    capture=one.file, channel=channel.name, quality=channel.quality,
                    reasons=tuple(channel.reasons), remedies=tuple(channel.remedies),
                )
                for channel in one.channels
            ]  # fmt: skip
        return Table(rows, fields("capture", "channel", "quality", "reasons", "remedies"))

    @property
    def remarks(self) -> tuple[str, ...]:
        """What was noticed of the captures, such as a speed that changes."""
        return tuple(f"{one.file}: {remark}" for one in self.health.captures for remark in one.remarks)

    @property
    def channel_names(self) -> tuple[str, ...]:
        """Channels that were analysed and whose curves can be asked for."""
        return tuple(dict.fromkeys(name for _, reading in self._readings() for name in reading.samples))

    def envelope_spectrum(
        self,
        channel: str | None = None,
        *,
        tone: str | None = None,
        band_hz: tuple[float, float] | None = None,
        capture: int | None = None,
    ) -> Curve:
        """The squared-envelope spectrum against order (events per input turn): amplitude of each line in % of the mean.

        Args:
            channel: its bands alone; the first channel unless given.
            tone: in the bands, of one channel or several together, that showed this tone's comb best; its harmonics
                and side lines are marked. With ``channel`` in the band nearest to those, of that channel alone.
            band_hz: in the band of ``channel`` nearest to this one [Hz]; the widest there is unless given.
            capture: number of the capture, from 0; the last one that holds the channel unless given.

        Without ``tone`` and ``band_hz`` the band is that of the gravest finding seen on this channel, if there is one.

        Raises:
            CallError: no such channel, tone or capture, or no bands because the capture was too short.
        """
        from vibe.spectra.plots.curves import envelope_curve

        judged, reading, name = self._asked(channel, capture)
        comb = self._comb(judged, reading, tone) if tone is not None else None
        if comb is None and band_hz is None:
            comb = self._gravest(judged, reading, name)
        alone = channel is not None or tone is None
        try:
            curve = envelope_curve(
                reading, name, comb=None if alone else comb,
                band_hz=comb.band_hz if band_hz is None and comb is not None else band_hz,
            )  # fmt: skip
        except LookupError:
            raise CallError(f"{name!r} has too few turns or too low a sample rate for an envelope spectrum") from None
        return Curve(
            title=f"Envelope spectrum, {' + '.join(curve.channels)}, {curve.band_hz[0]:.0f} to "
            f"{curve.band_hz[1]:.0f} Hz",
            channel=" + ".join(curve.channels),
            x=curve.order,
            y=curve.percent,
            floor=curve.floor_percent,
            x_name="Order",
            x_unit="events per input turn",
            y_name="Envelope modulation",
            y_unit="% of mean power",
            columns=("order", "modulation_percent"),
            marks=() if comb is None else _marks(comb),
        )

    def spectrum(
        self,
        channel: str | None = None,
        *,
        quantity: Literal["velocity", "acceleration"] = "velocity",
        capture: int | None = None,
    ) -> Curve:
        """r.m.s. velocity [mm/s] or acceleration [m/s²] of each line against frequency [Hz], from 2 Hz up.

        A Hann window over the whole capture, on an axis that follows the shaft. A line at a bin shows its own r.m.s.;
        noise depends on the length of the capture.

        Raises:
            CallError: no such channel or capture, another quantity.
        """
        from vibe.spectra.plots.curves import line_spectrum, velocity_mm_s

        if quantity not in ("velocity", "acceleration"):
            raise CallError(f"quantity {quantity!r} must be 'velocity' or 'acceleration'")
        _, reading, name = self._asked(channel, capture)
        frequency_hz, acceleration = line_spectrum(reading, name)
        fast = quantity == "acceleration"
        own = {line.name: line.frequency_hz for line in reading.lines if line.channel == name}
        return Curve(
            title=f"{quantity.capitalize()} spectrum, {name}",
            channel=name,
            x=frequency_hz,
            y=acceleration if fast else velocity_mm_s(frequency_hz, acceleration),
            x_name="Frequency",
            x_unit="Hz",
            y_name=f"{quantity.capitalize()}, r.m.s.",
            y_unit="m/s²" if fast else "mm/s",
            columns=("frequency_hz", "acceleration_m_s2" if fast else "velocity_mm_s"),
            marks=tuple(Mark(at=own[label], label=label, kind="owner") for label in ("1x", "2x") if label in own),
            log_y=True,
        )

    def waveform(
        self,
        channel: str | None = None,
        *,
        start_s: float = 0.0,
        duration_s: float | None = None,
        capture: int | None = None,
    ) -> Curve:
        """Acceleration [m/s²] against time [s] as it was analysed: offset and missing samples dealt with.

        Args:
            channel: the first one unless given.
            start_s: from here on.
            duration_s: so long; to the end unless given. Of a recording too long to be held the first piece is there.
            capture: as in ``envelope_spectrum``.

        Raises:
            CallError: no such channel or capture, or no sample in that time.
        """
        _, reading, name = self._asked(channel, capture)
        samples, rate_hz = reading.samples[name]
        first = max(0, round(start_s * rate_hz))
        last = samples.size if duration_s is None else min(samples.size, first + round(duration_s * rate_hz))
        if first >= last:
            raise CallError(
                f"{name!r} has {samples.size / rate_hz:g} s of samples: none in the time that was asked for"
            )
        return Curve(
            title=f"Waveform, {name}",
            channel=name,
            x=np.arange(first, last) / rate_hz,
            y=samples[first:last].astype(np.float64),
            x_name="Time",
            x_unit="s",
            y_name="Acceleration",
            y_unit="m/s²",
            columns=("time_s", "acceleration_m_s2"),
        )

    def turn_map(self, tone: str | None = None, *, capture: int | None = None) -> TurnMap:
        """The envelope laid on one turn of the body that carries the part of ``tone``, with its pins or lobes.

        Args:
            tone: one whose part stands on a body that is counted, such as ``stage1.ring_pin``; the gravest finding's
                that has a map unless given, else the one whose comb is surest.
            capture: as in ``envelope_spectrum``.

        Raises:
            CallError: no such tone or capture, or no map of it; the message lists the tones that have one.
        """
        judged, reading, _ = self._asked(None, capture)
        folds = {one.id: one.fold for one in self.tones if one.fold is not None and one.id in reading.turns}
        if tone is None:
            surest = sorted(reading.combs, key=lambda comb: comb.false_alarm_probability)
            named = [*(finding.tone for finding in self.health.findings), *(comb.tone for comb in surest)]
            tone = next((name for name in named if name in folds), None)
        if tone is None or tone not in folds:
            asked = "any tone" if tone is None else repr(tone)
            raise CallError(f"there is no map of {asked}; there are maps of {nearest(list(folds))}")
        from vibe.spectra.plots.plot_data import polar_plot

        fold, turn = folds[tone], reading.turns[tone]
        comb = judged.combs.get(tone)
        place = None if comb is None else comb.localisation
        assert fold is not None
        shown = polar_plot(
            turn, part=fold.part, count=fold.count, peaks_deg=() if place is None else place.peaks_deg,
            absolute=reading.absolute, title=f"One turn by {fold.part}", caption="",
        )  # fmt: skip
        return TurnMap(
            title=shown.title, tone=tone, part=shown.part, count=shown.count,
            angle_deg=shown.angle_deg.astype(np.float64), level=shown.level.astype(np.float64), marked=shown.marked,
            absolute=shown.absolute, turns=float(turn.turns),
        )  # fmt: skip

    def to_json(self) -> str:
        """The text of ``health.json``; unknown values are null."""
        from vibe.report.health_text import health_json

        return health_json(self.health)

    def save(self, folder: AnyPath, *, html: bool = True, pdf: bool = True, force: bool = False) -> SavedFiles:
        """Write ``health.json`` into ``folder``, which is made if missing, and the report as a page and as a PDF.

        Each file appears whole or not at all. A PDF that cannot be made here is a remark, not an error.

        Raises:
            OutputError: a file is there already and ``force`` is not given, or the folder cannot be written.
        """
        from vibe.report.pages.drive_page import write_alone

        files = write_alone(self._drive_report, Path(folder), force=force, html=html, pdf=pdf)
        return SavedFiles(json=files.json, html=files.html if html else None, pdf=files.pdf, remarks=files.remarks)

    def __repr__(self) -> str:
        return f"{self.drive.tag}: {self.state}. {self.sentence}"

    def _repr_html_(self) -> str:
        return (
            f"<h3>{html.escape(printable(self.drive.tag))}: {self.state}</h3>"
            f"<p>{html.escape(printable(self.sentence))}</p><p>{html.escape(printable(self.do_by))}</p>"
            + (self.findings._repr_html_() if self.findings else "<p>No findings.</p>")
        )

    def _readings(self) -> list[tuple[CaptureDiagnosis, SignalAnalysis]]:
        return [(one, one.reading) for one in self._judged if one.reading is not None]

    def _asked(self, channel: str | None, capture: int | None) -> tuple[CaptureDiagnosis, SignalAnalysis, str]:
        """The capture, its analysis and the channel that a call means."""
        if capture is not None and not 0 <= capture < len(self._judged):
            raise CallError(f"capture {capture} must be from 0 to {len(self._judged) - 1}")
        wanted = self._judged if capture is None else self._judged[capture : capture + 1]
        there = [(one, one.reading) for one in wanted if one.reading is not None]
        if not there:
            why = next((reason for row in self.quality for reason in row.reasons), "its quality")
            raise CallError(f"nothing was analysed: {why}")
        for judged, reading in reversed(there):
            if channel is None:
                return judged, reading, next(iter(reading.samples))
            if channel in reading.samples:
                return judged, reading, channel
        names = list(dict.fromkeys(name for _, reading in there for name in reading.samples))
        raise CallError(f"channel {channel!r} was not analysed; there are {nearest(names)}")

    def _comb(self, judged: CaptureDiagnosis, reading: SignalAnalysis, tone: str) -> CombEvidence:
        known = {**judged.combs, **{one.evidence.tone: one.evidence for one in reading.outside_combs}}
        if tone not in known:
            raise CallError(f"no comb of {tone!r} was searched for; there are those of {nearest(list(known))}")
        return known[tone]

    def _gravest(self, judged: CaptureDiagnosis, reading: SignalAnalysis, channel: str) -> CombEvidence | None:
        known = {**judged.combs, **{one.evidence.tone: one.evidence for one in reading.outside_combs}}
        for finding in judged.findings:
            names = finding.seen_in or ([] if finding.tone is None else [finding.tone])
            for name in names:
                if name in known and channel in known[name].channels:
                    return known[name]
        return None


def _marks(comb: CombEvidence) -> tuple[Mark, ...]:
    """Harmonics of a comb with their numbers, and side lines that stand out."""
    # A damaged element meets both races: its comb may lie at twice its order.
    carrier = 2 if comb.lines and comb.lines[0].order > 1.5 * comb.order else 1
    harmonics = tuple(Mark(at=line.order, label=f"{k * carrier}") for k, line in enumerate(comb.lines, start=1))
    return harmonics + tuple(
        Mark(at=line.order, label="", kind="sideband") for line in comb.sideband_lines if line.over_floor_db > 6
    )


def diagnose(
    captures: AnyCapture | Iterable[AnyCapture], drive: Drive | AnyPath, *, limits: AnyPath | None = None
) -> Result:
    """The health of one drive from one or more captures, as ``vibe diagnose`` gives it.

    Args:
        captures: in memory or as paths; the last one measured gives speed and levels. A file that cannot be read is
            stated in ``quality``, as long as another one can.
        drive: the drive, or its file.
        limits: file of zone limits in place of the built-in one.

    Raises:
        ConfigError: the drive or the limits are wrong. CaptureError: not one capture could be read. CallError: no
        capture was given.

    Example:
        >>> import vibe
        >>> result = vibe.diagnose(vibe.read("TH-02.h5"), vibe.read_drive("TH-02.toml"))
        >>> result.state
        'plan'
        >>> result.findings.to_frame()[["component", "defect", "severity"]].to_dict("records")
        [{'component': 'stage1.lobe', 'defect': 'local damage', 'severity': 'moderate'}]
        >>> result.findings[0].cannot_be_told_from
        ['stage1.output_pin']
        >>> result.levels.to_frame()["measure"].iloc[0], result.not_detectable[0].needs
        ('velocity_rms', 'a capture of at least 17 s at steady speed')
    """
    from vibe.flow.diagnose.drive_diagnosis import diagnosed_captures, drive_report_from, refuse_unread
    from vibe.flow.settings import load_settings

    known, table = described(drive)
    given = several(captures)
    settings = load_settings(None if limits is None else Path(limits))
    judged = diagnosed_captures(known, table, given, settings)
    drive_report = drive_report_from(known, table, judged, settings)
    refuse_unread(drive_report.health.captures, given)
    return Result(known, drive_report, judged)
