"""Acceptances made by hand: one that passes, one that fails, one left open, and one whose texts are hostile."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone

from vibe.core.records.acceptance import (
    Acceptance,
    Answer,
    CommissionedRun,
    Contribution,
    Instrument,
    Outcome,
    Quantity,
    Requirement,
    SearchedPart,
)
from vibe.core.records.commissioning import CaptureFacts, EarlierAttempt, Issue, NamePlate, SpeedCurve

ZONE = timezone(timedelta(hours=1))
HOSTILE = '</script><script>alert(1)</script> "a" & <b>\u202e\x00\u2028 ]]> {{ 7 * 7 }} \udcff'
CAUTIONS = (
    "This report supports a decision; it does not make one.",
    "Local rules, the maker's manual and the judgement of a qualified person come before anything said here.",
    "Never run a drive past a trip or an alarm on the strength of this report.",
    "Nothing found means nothing found in what was measured.",
)
BUDGET = (
    Contribution(name="calibration of the sensor", relative=0.0125, type="B", because="certificate, k = 2: 2.5 %"),
    Contribution(name="mounting", relative=0.01, type="B", because="stud, common practice"),
    Contribution(name="repeatability", relative=0.031, type="A", because="6 captures", degrees_of_freedom=5),
    Contribution(name="averaging statistics", relative=0.008, type="A", because="60 s of 990 Hz"),
    Contribution(name="frequency response", relative=0.006, type="B", because="certificate"),
)


def quantity(value: float, unit: str, relative: float = 0.07) -> Quantity:
    return Quantity(
        value=value, unit=unit, standard_uncertainty=value * relative / 2, expanded=value * relative, coverage=0.95,
        budget=BUDGET,
    )  # fmt: skip


def mm_s(value: float) -> Quantity:
    return quantity(value, "mm/s")


def outcome(
    number: int,
    text: str,
    source: str,
    value: Quantity | None,
    limit: float | None,
    answer: Answer = "pass",
    **more: str,
) -> Outcome:
    kinds = {"why": "", "where": "output side radial, rated load", "settles": None} | more
    guard = 0.0 if value is None or value.expanded is None else value.expanded
    by_analogy, rate = "ISO" in source, 0.01 if "damage" in text else None
    return Outcome(
        requirement=Requirement(
            id=f"r{number}", kind="no damage" if rate else "level", text=text, source=source, by_analogy=by_analogy,
            false_alarm_rate=rate, limit=limit,
        ),
        answer=answer, measured=value, limit=limit, acceptance_limit=None if limit is None else limit - guard,
        where=str(kinds["where"]), why=str(kinds["why"]), settles=kinds["settles"],
    )  # fmt: skip


_B = "contract, annex B, item"
OUTCOMES = (
    outcome(1, "Velocity r.m.s. of the housing, 10 Hz to 1 kHz", "ISO 20816-9:2020, class C", mm_s(1.942), 2.8),
    outcome(2, "Zone A or B on the supports", "ISO 20816-3:2022, group 2, rigid", mm_s(1.31), 2.3),
    outcome(3, "Acceleration peak to 10 kHz", f"{_B} 4", quantity(38.4, "m/s^2", 0.11), 60.0),
    outcome(4, "No damage tone of any bearing", f"{_B} 5", None, None, where="all points, all runs"),
    outcome(5, "No damage of lobes, pins or rollers", f"{_B} 6", None, None, where="all points"),
    outcome(6, "Mesh line at rated load", f"{_B} 7", quantity(0.412, "m/s^2"), 0.8),
    outcome(7, "First mesh harmonic that equal discs forbid", f"{_B} 8", quantity(0.021, "m/s^2", 0.2), 0.05),
    outcome(8, "Within the population of the type", f"{_B} 9", mm_s(1.942), 2.45),
    outcome(9, "Housing temperature after 2 h at rated load", f"{_B} 10", quantity(61.0, "°C", 0.03), 80.0),
    outcome(10, "Levels have settled before the end of run-in", f"{_B} 11", quantity(1.4, "%", 0.5), 5.0),
    outcome(11, "Counts of the plate: 30 ring pins, 29 lobes, 2 discs", "order, item 1", None, None, where="all runs"),
    outcome(12, "Kurtosis of the housing's acceleration", f"{_B} 12", quantity(3.21, "", 0.05), 4.5),
)


def passing() -> Acceptance:
    start = datetime(2026, 3, 12, 8, 5, tzinfo=ZONE)
    names = ("run-in", "no load", "load 25", "load 50", "load 75", "rated 1", "rated 2", "rated 3", "reversed", "last")
    return Acceptance(
        drive="SP-03", name="Screw press, main drive", serial="C29-000417", title="Acceptance of a cycloidal reducer",
        contract="2026-118, annex B", decision_rule="guarded acceptance", answer="pass", outcomes=OUTCOMES,
        captures=tuple((f"{n.replace(' ', '_')}.h5", hashlib.sha256(n.encode()).hexdigest()) for n in names),
        runs=(
            CommissionedRun(kind="run-in", captures=["run-in.h5"], load_percent=0.0, temperature_c=24.0),
            CommissionedRun(kind="no load", captures=["no_load.h5"], load_percent=0.0, temperature_c=31.0),
            CommissionedRun(kind="load step", captures=["load_25.h5"], load_percent=25.0, temperature_c=38.0),
            CommissionedRun(kind="load step", captures=["load_75.h5"], load_percent=75.0, temperature_c=52.0),
            CommissionedRun(kind="rated load", captures=["rated_*.h5"], load_percent=100.0, temperature_c=61.0),
            CommissionedRun(kind="reversed", captures=["reversed.h5"], load_percent=50.0),
        ),
        instruments=(
            Instrument(what="accelerometer, 100 mV/g, output side radial", serial="31188", calibrated=date(2025, 11, 4),
                       calibration_uncertainty_percent=2.5),
            Instrument(what="accelerometer, 100 mV/g, input side radial", serial="31190", calibrated=date(2025, 11, 4),
                       calibration_uncertainty_percent=2.5),
            Instrument(what="recorder, 24 bits, 4 channels", serial="R-0712", calibrated=date(2025, 6, 30),
                       calibration_uncertainty_percent=0.2),
            Instrument(what="contact thermometer"),
        ),
        measured_from=start, measured_to=start + timedelta(hours=3, minutes=35), speed_hz=24.312,
        ratio_ordered="29 : 1", ratio_found="29 : 1, probability over 99 %",
        remarks=("The housing's temperature was noted by hand.", "The baseline was stored under SP-03, C29-000417."),
        cautions=CAUTIONS, software="vibe 0.1.0",
    )  # fmt: skip


def failing() -> Acceptance:
    bad = {
        0: replace(
            OUTCOMES[0], answer="fail", measured=quantity(3.37, "mm/s"),
            why="3.37 mm/s exceeds the limit by more than the guard band.",
        ),
        3: replace(
            OUTCOMES[3], answer="fail",
            why="Outer race of the eccentric bearing: a comb of 14 harmonics, by chance in 1 of 10 000.",
        ),
    }  # fmt: skip
    return replace(passing(), answer="fail", outcomes=tuple(bad.get(i, o) for i, o in enumerate(OUTCOMES)))


def open_one() -> Acceptance:
    left = {
        4: replace(
            OUTCOMES[4], answer="undetermined", why="The captures hold 9 turns of the output; 40 are needed.",
            settles="One capture of 60 s at rated load, output side radial, settles it.",
        ),
        5: replace(
            OUTCOMES[5], answer="undetermined", measured=quantity(0.78, "m/s^2"),
            why="The value lies inside the guard band.",
            settles="Four more captures at rated load would halve the uncertainty.",
        ),
    }  # fmt: skip
    return replace(passing(), answer="undetermined", outcomes=tuple(left.get(i, o) for i, o in enumerate(OUTCOMES)))


def hostile() -> Acceptance:
    one = OUTCOMES[0]
    requirement = one.requirement.model_copy(update={"text": HOSTILE, "source": HOSTILE})
    spoiled = replace(one, requirement=requirement, why=HOSTILE, where=HOSTILE, answer="undetermined", settles=HOSTILE)
    return replace(
        passing(), drive=HOSTILE, name=HOSTILE, serial=HOSTILE, title=HOSTILE, contract=HOSTILE, ratio_found=HOSTILE,
        outcomes=(spoiled, *OUTCOMES[1:]), captures=((HOSTILE, "ab" * 32), ("w" * 300, "cd" * 32)), remarks=(HOSTILE,),
        cautions=(HOSTILE,), answer="undetermined", software=HOSTILE,
    )  # fmt: skip


def long() -> Acceptance:
    base = passing()
    more = tuple(
        replace(o, requirement=o.requirement.model_copy(update={"id": f"x{i}", "text": (o.requirement.text + " ") * 4}))
        for i in range(2)
        for o in OUTCOMES
    )
    captures = tuple((f"captures/of/the/day/capture_{i:03d}.h5", f"{i:064x}") for i in range(60))
    return replace(base, outcomes=more, captures=captures)


def full() -> Acceptance:
    """As much as two pages are meant to hold."""
    small = Contribution(name="one of three small parts", relative=0.004, type="B", because="common practice")
    outcomes = tuple(
        o if o.measured is None else replace(o, measured=replace(o.measured, budget=(*BUDGET, small, small, small)))
        for o in OUTCOMES
    )
    base = passing()
    return replace(
        base, outcomes=outcomes, cautions=CAUTIONS + CAUTIONS + CAUTIONS[:1],
        remarks=tuple(f"Remark {i}: something noticed of the files while they were read." for i in range(6)),
        captures=tuple((f"captures/run_{i}/output_side_radial_{i:02d}.h5", f"{i:064x}") for i in range(12)),
        instruments=(*base.instruments, base.instruments[0]),
    )  # fmt: skip


def issued() -> Acceptance:
    """All that a certificate states as a document: number and parties, plate, runs, captures, an attempt before."""
    base = passing()
    start = base.measured_from
    assert start is not None
    both = ("input side radial", "output side radial")
    searched = (
        SearchedPart(part="stage1.ring_pin", tones=("stage1.ring_pin",), shown_m_s2=0.31, captures=6),
        SearchedPart(part="bearing.eccentric bearing", tones=("b",), shown_m_s2=0.44, captures=6),
        SearchedPart(part="bearing.output bearing", tones=("c",), shown_m_s2=None, why="8 s is too short", captures=6),
    )
    outcomes = [
        replace(one, searched=searched)
        if one.requirement.kind == "no damage"
        else replace(
            one, risk_of_false_acceptance=3e-3,
            measured=one.measured and replace(one.measured, coverage_factor=2.13, degrees_of_freedom=15.0),
        )
        for one in base.outcomes
    ]  # fmt: skip
    return replace(
        base,
        outcomes=tuple(outcomes),
        issue=Issue(
            number="AC-2026-0412", issued=date(2026, 3, 20), issuer="Reducer shop, quality assurance",
            customer="Water works of the valley, plant 2", order="2026-118", place="test bench 3, works hall",
            measured_by="A. Tester", witness=["B. Witness"],
        ),
        plate=NamePlate(
            type="C29-18", year=2026, ratio=29.0, input_speed_rpm=1458.0, power_kw=18.5, output_torque_nm=3300.0,
            oil="CLP 220, 3.2 l",
        ),
        mounting="stud",
        runs=tuple(
            run.model_copy(update={"oil_c": 48.0, "ambient_c": 21.5, "load_by": "torque transducer"})
            for run in base.runs
        ),
        instruments=tuple(
            one.model_copy(update={"point": point, "certificate": "K-2025-1187"})
            for one, point in zip(base.instruments[:2], (both[1], both[0]), strict=True)
        )
        + base.instruments[2:],
        measured=tuple(
            CaptureFacts(
                file=name, sha256=digest, kind="rated load", points=both, measured_at=start, duration_s=14.0,
                sample_rate_hz=25600.0, top_hz=8000.0, load_percent=100.0, speed_hz=24.31,
            )
            for name, digest in base.captures
        ),
        earlier=EarlierAttempt(
            attempt=2, number="AC-2026-0371", seal="9f" * 32, answer="fail", not_met=("no damage",),
            done_since="eccentric bearing exchanged, run in anew",
        ),
        speed_curves=tuple(
            SpeedCurve(
                file="run-up.h5", kind="run-up", point=point, speed_rpm=tuple(200.0 + 60 * n for n in range(22)),
                velocity_mm_s=tuple(0.4 + 0.05 * n for n in range(22)),
                once_per_turn_mm_s=tuple(0.1 + 1.2 / (1 + (n - 11) ** 2) for n in range(22)),
                resonances_rpm=(860.0,),
            )
            for point in both
        ),
        retest_rule="A drive that was not accepted is measured anew in all runs; two attempts in all.",
    )  # fmt: skip
