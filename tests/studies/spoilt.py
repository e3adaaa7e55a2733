"""Recordings that are spoilt, from harmful to harmless, and good ones that could be mistaken for such.

``python -m tests.studies.spoilt --half even`` (or ``odd``, ``both``) makes them with the code of ``tests/quality``,
which knows nothing of the program, and prints how many of the harmful ones are noticed, of the harmless ones let pass
and of the good ones accepted; ``--every 10`` takes a tenth of them. The checks were made with the even numbers in
sight; the odd ones were counted at the end alone.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.quality.good_recordings import GOOD_CASES, Recording, good
from tests.quality.spoilt_recordings import spoilt
from vibe.core.capture import Channel, ChannelQuality
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


def assessed(recording: Recording) -> ChannelQuality:
    """The verdict on a recording, of which the drive's speed is known."""
    bits = 7 if recording.kind == "eight bits" else 15
    channel = Channel(
        name="input side radial",
        quantity="acceleration",
        recorded_unit="m/s^2",
        samples=recording.signal.astype(np.float32),
        sample_rate_hz=recording.rate_hz,
        step=recording.scale,
        full_scale=recording.scale * 2.0**bits,
    )
    return assess(channel, speed_hz=recording.machine.speed_rpm / 60)


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--half", choices=("even", "odd", "both"), default="both")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--rows", action="store_true", help="print each recording as well")
    given = parser.parse_args()
    step = 1 if given.half == "both" else 2
    rows = []
    for row in checked(range(1 if given.half == "odd" else 0, max(GOODS, SPOILTS), step * given.every)):
        rows.append(row)
        if given.rows:
            print(row.name, row.truth, *row.codes, sep=", ", flush=True)
    print(table(rows))


if __name__ == "__main__":
    main()
