"""Made-up drive reports: a drive with two findings, a sound one, one that could not be judged, and hostile names."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from vibe.core.drive import Bearing, Drive, Input, Motor
from vibe.core.drive_report import DriveReport
from vibe.core.evidence import Mark, PolarPlot, SpectrumPlot, WaveformPlot
from vibe.core.health import (
    CaptureReport,
    ChannelReport,
    DetectionLimit,
    EvidenceItem,
    Finding,
    Health,
    LevelReport,
    NotObservable,
    SpeedReport,
)
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.tones import (
    BodySpeed,
    CapturePlan,
    Coincidence,
    Fold,
    Phasing,
    Sideband,
    Tone,
    ToneTable,
    Visibility,
)

CAUTIONS = [
    "Rotating machinery: guards stay on, cables keep clear of couplings.",
    "Lock out before touching; surfaces may be hot.",
    "This report supports a decision and does not make it; local rules, the maker's manual and qualified people first.",
    "Never run past a trip on the strength of a report.",
]


def make_drive(tag: str = "TH-02", name: str = "Thickener rake") -> Drive:
    return Drive(
        tag=tag,
        name=name,
        input=Input(speed_rpm=1458.0, speed_range_rpm=[1430.0, 1500.0], power_kw=2.2),
        motor=Motor(poles=4, line_hz=50.0),
        stage=[CycloidalStage(kind="cycloidal", lobes=17, ring_pins=18, output_pins=8, discs=2)],
        bearing=[
            Bearing(
                name="eccentric bearing", inner="stage1.eccentric", outer="stage1.disc", load="stage1.eccentric",
                elements=11, element_diameter_mm=9.0, pitch_diameter_mm=36.0,
            )
        ],
    )  # fmt: skip


def make_tones(tag: str = "TH-02") -> ToneTable:
    carried = Sideband(order=1 / 17, order_exact=Fraction(1, 17), why="carried past the sensor at output speed")

    def tone(tone_id: str, order: Fraction | float, family: str, made_by: str, **more: object) -> Tone:
        exact = order if isinstance(order, Fraction) else None
        base = {"component": tone_id, "defect": "local damage", "damage": True, "source": "design", "sidebands": ()}
        return Tone(id=tone_id, order=float(order), order_exact=exact, family=family, made_by=made_by, **(base | more))  # type: ignore[arg-type]

    tones = (
        tone("input.shaft", Fraction(1), "shaft", "the input turns once", damage=False),
        tone("stage1.output", Fraction(1, 17), "shaft", "the output turns once", damage=False),
        tone("stage1.mesh", Fraction(18), "mesh", "lobes pass ring pins", damage=False),
        tone("stage1.ring_pin", Fraction(1), "ring pin", "each disc meets one ring pin once per turn", meetings=2),
        tone(
            "stage1.lobe", Fraction(18, 17), "lobe", "one lobe meets the next ring pin", sidebands=(carried,),
            fold=Fold(part="lobe", count=17, order=Fraction(-1, 17)),
        ),
        tone("stage1.output_pin", Fraction(18, 17), "output pin", "one output pin is loaded once per disc turn"),
        tone("stage1.output_pin_pass", Fraction(144, 17), "output pin pass", "all output pins in turn", damage=False),
        tone("bearing.eccentric bearing.outer_race", 4.3676, "outer race", "rollers pass a place on the outer ring"),
        tone("bearing.eccentric bearing.inner_race", 7.2794, "inner race", "rollers pass a place on the inner ring"),
        tone("bearing.eccentric bearing.rolling_element", 3.9706, "rolling element", "a roller meets both rings"),
        tone("bearing.eccentric bearing.cage", 0.3971, "cage", "the cage turns once"),
    )  # fmt: skip
    return ToneTable(
        drive=tag,
        bodies=(
            BodySpeed(body="housing", order=Fraction(0), what="stands on the floor"),
            BodySpeed(body="input", order=Fraction(1), what="motor side shaft"),
            BodySpeed(body="stage1.eccentric", order=Fraction(1), what="eccentric on the input"),
            BodySpeed(body="stage1.disc", order=Fraction(-1, 17), what="cycloidal disc"),
            BodySpeed(body="stage1.output", order=Fraction(-1, 17), what="output flange"),
        ),
        tones=tones,
        coincidences=(
            Coincidence(
                tone_a="stage1.lobe", tone_b="stage1.output_pin", harmonic_a=1, harmonic_b=1, relative_difference=0.0,
                exact=True, what="same order",
            ),
            Coincidence(
                tone_a="stage1.ring_pin", tone_b="input.shaft", harmonic_a=1, harmonic_b=1, relative_difference=0.0,
                exact=True, what="same order",
            ),
            Coincidence(
                tone_a="bearing.eccentric bearing.rolling_element", tone_b="input.shaft", harmonic_a=1, harmonic_b=4,
                relative_difference=-0.00735, exact=False, what="near",
            ),
        ),
        phasing=(Phasing(stage="stage1", harmonic=1, effect="torque", order=Fraction(18)),),
        ratio=Fraction(-17),
        output="stage1.output",
    )  # fmt: skip


def envelope_spectrum(order: float = 18 / 17, *, damaged: bool = True, label: str = "") -> SpectrumPlot:
    """A comb at ``order`` with sidebands over a noise floor that falls with order."""
    rng = np.random.default_rng(7)
    x = np.arange(0, 16, 1 / 250, dtype=np.float32)
    floor = (0.004 + 0.004 * np.exp(-x / 5)).astype(np.float32)
    y = floor * np.sqrt(rng.exponential(size=x.size)).astype(np.float32)
    marks = []
    for k in range(1, int(15.5 / order) + 1):
        if damaged:
            y[round(k * order * 250)] += 0.09 * np.exp(-k / 6)
            for side in (-1, 1):
                y[round((k * order + side / 17) * 250)] += 0.03 * np.exp(-k / 6)
        marks.append(Mark(at=k * order, label=f"{k}×{label}"))
        marks += [
            Mark(at=k * order + s / 17, label=f"{k}× {'+' if s > 0 else '−'} output", kind="sideband") for s in (-1, 1)
        ]
    for k in (1, 2, 3):
        y[k * 250] += 0.05 / k
        marks.append(Mark(at=float(k), label=f"{k}× input", kind="owner"))
    return SpectrumPlot(
        title="Envelope spectrum, output bearing housing",
        caption="The comb of the lobe stands well over the local floor and keeps its sidebands at output speed.",
        x=x, y=y, floor=floor, marks=tuple(marks), x_label="Order of the input [-]", y_label="Envelope [m/s²]",
    )  # fmt: skip


def velocity_spectrum() -> SpectrumPlot:
    rng = np.random.default_rng(3)
    x = np.linspace(0, 1000, 60_000, dtype=np.float32)
    y = (0.002 * np.sqrt(rng.exponential(size=x.size)) * (1 + 20 / (x + 5))).astype(np.float32)
    for place, height in ((24.31, 0.9), (48.62, 0.2), (100.0, 0.12), (437.6, 0.35), (875.2, 0.08)):
        y[np.argmin(abs(x - place))] += height
    marks = (
        Mark(at=24.31, label="input", kind="owner"),
        Mark(at=48.62, label="2× input", kind="owner"),
        Mark(at=100.0, label="twice line frequency", kind="owner"),
        Mark(at=437.6, label="mesh", kind="owner"),
        Mark(at=875.2, label="2× mesh", kind="owner"),
    )
    return SpectrumPlot(
        title="Velocity spectrum, input side radial",
        caption="Running speed and mesh lead; nothing else rises far from the floor.",
        x=x, y=y, x_label="Frequency [Hz]", y_label="Velocity r.m.s. [mm/s]", marks=marks, log_y=True,
        floor=(0.0018 * (1 + 20 / (x + 5))).astype(np.float32),
    )  # fmt: skip


def turn_map(
    count: int = 17, marked: tuple[int, ...] = (4,), *, absolute: bool = False, part: str = "lobe"
) -> PolarPlot:
    rng = np.random.default_rng(5)
    angle = np.arange(0, 360, 360 / (count * 8), dtype=np.float32)
    level = 1 + 0.15 * rng.standard_normal(angle.size).astype(np.float32)
    for place in marked:
        away = (angle - place * 360 / count + 180) % 360 - 180
        level += 4 * np.exp(-((away / (130 / count)) ** 2)).astype(np.float32)
    return PolarPlot(
        title="One turn of the disc, lobe by lobe",
        caption="One lobe speaks louder than all others: short, single and repeatable.",
        part=part, count=count, angle_deg=angle, level=level, marked=marked, absolute=absolute,
    )  # fmt: skip


def waveform() -> WaveformPlot:
    rng = np.random.default_rng(11)
    time = np.linspace(0, 0.4, 1200, dtype=np.float32)
    noise = abs(rng.standard_normal((2, time.size))).astype(np.float32)
    ring = np.zeros(time.size, dtype=np.float32)
    impacts = np.arange(0.02, 0.4, 1 / 25.74)
    for impact in impacts:
        after = time - impact
        ring += np.where(after >= 0, 9 * np.exp(-np.clip(after, 0, None) / 0.003), 0).astype(np.float32)
    return WaveformPlot(
        title="Waveform in the band of the hits",
        caption="Short hits come back every turn of the lobe.",
        time_s=time, low=-(noise[0] + ring), high=noise[1] + ring, y_label="Acceleration [m/s²]",
        marks=tuple(Mark(at=float(h), label=f"hit {i + 1}") for i, h in enumerate(impacts)),
    )  # fmt: skip


def damaged_drive_report(tag: str = "TH-02", name: str = "Thickener rake") -> DriveReport:
    findings = [
        Finding(
            tone="stage1.lobe", component="stage1.lobe", defect="local damage", probability=0.984,
            false_alarm_probability=1e-5, severity="moderate", growth_db=None,
            cannot_be_told_from=["stage1.output_pin"],
            why="A comb at order 1.0588 with 14 harmonics stands 19 dB over the floor, with sidebands at output speed.",
            evidence=[
                EvidenceItem(kind="comb", text="Comb score against 400 decoy orders", value=41.2, channel="radial"),
                EvidenceItem(kind="hit", text="Size of one hit", value=8.7, unit="m/s²", channel="output radial"),
                EvidenceItem(kind="localisation", text="Place of the hit on the disc, width", value=9.2, unit="°"),
                EvidenceItem(kind="impulse", text="Kurtosis in 4 kHz to 6 kHz", value=9.6, channel="output radial"),
                EvidenceItem(kind="sideband", text="Sidebands at 1/17 order found", value=11, channel="output radial"),
            ],
            advice="Inspect disc lobes and output rollers at the next planned stop; order a disc set now.",
        ),
        Finding(
            tone=None, component="input.shaft", defect="unbalance", probability=0.61, false_alarm_probability=None,
            severity="slight", growth_db=3.4,
            why="Running speed is 0.9 mm/s radial and 5 times the axial line.",
            advice="Check the coupling half and the fan.",
        ),
    ]  # fmt: skip
    health = Health(
        drive=tag, name=name, state="plan",
        state_rule="A local defect with probability over 95 % and moderate severity: plan the repair.",
        sentence="One lobe of the disc is damaged; the drive still runs well, but the damage will grow.",
        do_by="Plan an inspection within 6 weeks; measure again in 2 weeks.",
        false_alarm_rate=0.01,
        captures=[
            CaptureReport(
                file="th02_output.h5", sha256="9f" * 32, measured_at="2026-03-14T09:26:53+02:00", duration_s=20.0,
                channels=[
                    ChannelReport(name="output radial", quality="usable"),
                    ChannelReport(
                        name="input axial", quality="limited", reasons=["Sensor was still settling for 1.2 s."],
                        remedies=["Wait 10 s after mounting before recording."],
                    ),
                ],
            ),
            CaptureReport(file="th02_old.csv", error="the file ends in the middle of a line"),
        ],
        speed=SpeedReport(input_hz=24.31, uncertainty_hz=0.002, method="signal", note="nameplate says 24.3 Hz"),
        findings=findings,
        levels=[
            LevelReport(
                point="output radial", measure="velocity_rms", value=1.9, unit="mm/s", band_hz=[10, 1000], zone="B",
                zone_source="ISO 20816-3:2022, group 2, rigid", by_analogy=True,
            ),
            LevelReport(
                point="output radial", measure="acceleration_peak", value=41.7, unit="m/s²",
                band_hz=[10, 10000],
            ),
            LevelReport(point="output radial", measure="kurtosis", value=6.31, unit=""),
        ],
        not_observable=[
            NotObservable(
                tone="bearing.eccentric bearing.cage", why="14 turns of the cage are too few",
                needs="a capture of at least 60 s",
            ),
            NotObservable(tone="stage1.ring_pin", why="shares a line with the input", needs="a once-per-turn pulse"),
        ],
        detection_limits=[
            DetectionLimit(tone="stage1.lobe", hit_m_s2=0.8, over_floor_db=3.0),
            DetectionLimit(tone="bearing.eccentric bearing.outer_race", hit_m_s2=None, over_floor_db=4.2),
        ],
        cautions=CAUTIONS, software="vibe 0.1.0",
    )  # fmt: skip
    return DriveReport(
        drive=make_drive(tag, name), health=health, tones=make_tones(tag),
        finding_plots=((envelope_spectrum(), turn_map(), waveform()), (velocity_spectrum(),)),
        overview_plots=(velocity_spectrum(), envelope_spectrum(damaged=False)),
        plan=make_plan(tag),
    )  # fmt: skip


def make_plan(tag: str = "TH-02") -> CapturePlan:
    return CapturePlan(
        drive=tag, sample_rate_hz=25_600.0, duration_s=60.0, captures=2, sensor_range_m_s2=500.0,
        mounting="stud or strong magnet on the ring housing, radial, near the loaded side",
        resolution_hz=0.025,
        reasons=("60 s hold 85 turns of the output.", "25.6 kHz hold the casing's resonances to 10 kHz."),
        visibility=tuple(
            Visibility(
                tone=t.id, seen=False, reach="other settings", why="shares its line with running speed",
                needs="a once-per-turn pulse",
            )
            if t.id == "stage1.ring_pin"
            else Visibility(tone=t.id, seen=True, reach="seen")
            for t in make_tones().tones
        ),
    )  # fmt: skip


def sound_drive_report(tag: str = "MX-07") -> DriveReport:
    base = damaged_drive_report(tag, "Flash mixer")
    health = base.health.model_copy(
        update={
            "state": "sound",
            "state_rule": "No finding over 50 %, all levels in zone A or B.",
            "sentence": "Nothing wrong was found.",
            "do_by": "Measure again in 3 months.",
            "findings": [],
        }
    )
    return DriveReport(
        drive=base.drive, health=health, tones=base.tones, finding_plots=(),
        overview_plots=(envelope_spectrum(damaged=False),), plan=base.plan,
    )  # fmt: skip


def unknown_drive_report(tag: str = "AE-11") -> DriveReport:
    """A rejected capture: no speed, no levels, nothing to show."""
    health = Health(
        drive=tag, state="unknown", state_rule="No usable channel.",
        sentence="The drive could not be judged: the sensor was clipped.",
        do_by="Take the capture again this week, with the settings below.",
        captures=[
            CaptureReport(
                file="ae11.wav",
                channels=[
                    ChannelReport(
                        name="ch 1", quality="rejected", reasons=["2.1 % of the samples are clipped."],
                        remedies=["Use a sensor or range of 500 m/s²."],
                    )
                ],
            )
        ],
        speed=SpeedReport(input_hz=None, uncertainty_hz=None, method=None),
        findings=[], levels=[], not_observable=[], cautions=CAUTIONS, software="vibe 0.1.0",
    )  # fmt: skip
    return DriveReport(
        drive=make_drive(tag, "Aerator"), health=health, tones=make_tones(tag), finding_plots=(),
        overview_plots=(), plan=make_plan(tag),
    )  # fmt: skip
