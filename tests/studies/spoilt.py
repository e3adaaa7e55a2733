"""Recordings that are spoilt, from harmful to harmless, and good ones that could be mistaken for such.

``python -m tests.studies.spoilt --half even`` (or ``odd``, ``both``) makes them with the code of ``tests/quality``,
which knows nothing of the program, and prints how many of the harmful ones are noticed, of the harmless ones let pass
and of the good ones accepted; ``--every 10`` takes a tenth of them. The checks were made with the even numbers in
sight; the odd ones were counted at the end alone. ``--judged`` says instead what reports make of sound and of damaged
drives whose recordings are spoilt: who is accused, who is called sound, what is sent back.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.quality.good_recordings import GOOD_CASES, MACHINES, Floats, Recording, Rig, good, recorded
from tests.quality.spoilt_recordings import OTHER, RADIO, SLEW, Spoil, spoilt
from tests.studies.fleet import settings
from tests.worlds.trial import ACCUSED_FROM, PARTS
from vibe.core.capture import Capture, Channel, ChannelQuality
from vibe.core.health import Health
from vibe.flow.diagnose.capture_diagnosis import diagnose_samples
from vibe.flow.diagnose.drive_diagnosis import health_of
from vibe.flow.settings import tones_of
from vibe.ingest import assess

GOODS, SPOILTS = 2 * len(GOOD_CASES), 190
"""Numbers of both."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One recording: its truth, and whether a check limited or rejected it, with the codes of its reasons."""

    name: str
    truth: str
    noticed: bool
    codes: tuple[str, ...]


def channel_of(recording: Recording) -> Channel:
    """As a recorder gives it."""
    bits = 7 if recording.kind == "eight bits" else 15
    return Channel(
        name="input side radial",
        quantity="acceleration",
        recorded_unit="m/s^2",
        samples=recording.signal.astype(np.float32),
        sample_rate_hz=recording.rate_hz,
        step=recording.scale,
        full_scale=recording.scale * 2.0**bits,
    )


def assessed(recording: Recording) -> ChannelQuality:
    """The verdict on a recording, of which the drive's speed is known."""
    return assess(channel_of(recording), speed_hz=recording.machine.speed_rpm / 60)


def checked(numbers: Sequence[int]) -> Iterator[Checked]:
    """All good and spoilt recordings of these numbers."""
    for make, most in ((good, GOODS), (spoilt, SPOILTS)):
        for number in numbers:
            if number < most:
                recording = make(number)
                quality = assessed(recording)
                codes = tuple(reason.code for reason in quality.reasons if reason.verdict != "usable")
                yield Checked(f"{recording.kind} {recording.strength:g}", recording.truth, bool(codes), codes)


def table(rows: Sequence[Checked]) -> str:
    """Counts by truth."""
    total, noticed = Counter(row.truth for row in rows), Counter(row.truth for row in rows if row.noticed)
    return (
        f"harmful noticed: {noticed['spoilt']} of {total['spoilt']}\n"
        f"harmless let pass: {total['harmless'] - noticed['harmless']} of {total['harmless']}\n"
        f"good accepted: {total['good'] - noticed['good']} of {total['good']}"
    )


SOUND, DAMAGED = (0, 1, 3, 6), (1, 3, 5, 6)
"""Machines whose recordings are judged, without and with their damage."""


def health_when(spoil: Spoil, strength: float, number: int, *, damaged: bool) -> Health:
    """The report on one machine whose recording is spoilt."""
    machine = MACHINES[number] if damaged else replace(MACHINES[number], damage="")
    rig = Rig(machine, (25_600.0, 20_000.0)[number % 2], 10.0, np.random.default_rng([6, number, 2]))
    recording = recorded(spoil(rig, rig.drive(size=2.0), strength), rig, ("", strength, "", ""), {})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.toml"
        path.write_text(machine.to_toml(), encoding="utf-8")
        drive, table = tones_of(path)
    capture = Capture(source=Path("capture.h5"), channels=(channel_of(recording),), sha256="0" * 64, drive=drive.tag)
    found = diagnose_samples(capture, drive, table, settings())
    return health_of(drive, table, [found], settings())


def judged(kinds: Sequence[str]) -> Iterator[str]:
    """A row a kind and strength: of sound machines who is accused or unknown, of damaged ones who is called sound or
    unknown."""
    nothing: tuple[str, Spoil, tuple[float, ...], float] = ("nothing", _as_it_is, (0.0,), 0.0)
    for kind, spoil, strengths, _ in (nothing, *OTHER, *RADIO, *SLEW):
        for strength in strengths if not kinds or kind in kinds else ():
            sound = [health_when(spoil, strength, number, damaged=False) for number in SOUND]
            hurt = [health_when(spoil, strength, number, damaged=True) for number in DAMAGED]
            accused = sum(
                any(one.component.startswith(PARTS) and one.probability >= ACCUSED_FROM for one in health.findings)
                for health in sound
            )
            states = [Counter(health.state for health in group) for group in (sound, hurt)]
            yield (
                f"{kind} {strength:g}: sound drives accused {accused}, unknown {states[0]['unknown']} of {len(sound)}; "
                f"damaged ones called sound {states[1]['sound']}, unknown {states[1]['unknown']} of {len(hurt)}"
            )


def _as_it_is(_rig: Rig, x: Floats, _strength: float) -> Floats:
    return x


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--half", choices=("even", "odd", "both"), default="both")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--rows", action="store_true", help="print each recording as well")
    parser.add_argument("--judged", action="store_true", help="what reports say of spoilt recordings")
    parser.add_argument("--kind", action="append", default=[], help="with --judged: this kind alone")
    given = parser.parse_args()
    if given.judged:
        for line in judged(given.kind):
            print(line, flush=True)
        return
    step = 1 if given.half == "both" else 2
    rows = []
    for row in checked(range(1 if given.half == "odd" else 0, max(GOODS, SPOILTS), step * given.every)):
        rows.append(row)
        if given.rows:
            print(row.name, row.truth, *row.codes, sep=", ", flush=True)
    print(table(rows))


if __name__ == "__main__":
    main()
