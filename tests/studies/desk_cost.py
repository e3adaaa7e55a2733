"""What pictures on demand and a look at a watched folder cost: captures of 20 s at 25.6 kHz, three channels.

``python -m tests.studies.desk_cost --count 20000`` (files in the folder)
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.studies.page import options, write_table
from vibe.core.capture import Channel
from vibe.core.records.history import ArchivedSpectrum
from vibe.flow.desk.stored_signal import CACHE
from vibe.flow.evidence import cascades, points, sounds, spectra, turns, waveforms
from vibe.history.store.store import Store
from vibe.storage.settled_files import FolderWatch

RATE_HZ, SECONDS, SPEED_HZ, CAPTURES = 25_600.0, 20.0, 24.0, 24
TOML = (
    'tag = "SP-02"\n[input]\nspeed_rpm = 1440\nspeed_range_rpm = [1380, 1500]\n'
    '[[stage]]\nkind = "cycloidal"\nlobes = 17\nring_pins = 18\noutput_pins = 8\n'
)


def channels(seed: int) -> tuple[Channel, ...]:
    """Lines of a sound drive in noise, with a pulse once per turn, on the steps of a recorder of 16 bits."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
    usual: dict[str, Any] = {"sample_rate_hz": RATE_HZ, "quantity": "acceleration", "recorded_unit": "m/s^2"}
    step = 2.0**-9
    rows = []
    for point in ("input side radial", "output side radial"):
        samples = rng.standard_normal(time_s.size)
        for order in (1.0, 2.0, 18 / 17, 18.0, 36.0):
            samples += np.sin(2 * np.pi * SPEED_HZ * order * time_s + rng.uniform(0, 6.28))
        rows.append(
            Channel(name=point, samples=(np.rint(samples / step) * step).astype(np.float32), step=step, **usual)
        )
    pulse = (5.0 * ((SPEED_HZ * time_s) % 1.0 < 0.05)).astype(np.float32)
    return (*rows, Channel(name="pulse", samples=pulse, pulses_per_rev=1.0, **usual | {"quantity": "tachometer"}))


def filled(store: Store) -> list[str]:
    """Captures of one drive; their hashes."""
    from tests.history.kept_captures import START, content, record

    store.put_drive("SP-02", TOML, "kind")
    own = channels(1)
    top = np.abs(np.random.default_rng(2).standard_normal(4000)).astype(np.float32)
    spectra = tuple(
        ArchivedSpectrum(point=one.name, kind="acceleration", axis="Hz", step=3.2, top=top) for one in own[:2]
    )
    for number in range(CAPTURES):
        one = replace(
            record(number), content=content(number), drive="SP-02", speed_hz=SPEED_HZ, spectra=spectra,
            measured_at=START + timedelta(days=30 * number), duration_s=SECONDS,
        )  # fmt: skip
        store.add(one, own)
    return [content(number) for number in range(CAPTURES)]


def timed(what: Callable[[int], Any], times: int, *, forget: bool) -> tuple[float, float, float]:
    """Median and longest time, and median of this process's own work, in milliseconds: on a busy machine the clock
    counts what others do, and the reading process works for it too. ``forget`` what was kept between them."""
    taken, own = [], []
    for number in range(times):
        if forget:
            CACHE.clear()
        begun, busy = time.perf_counter(), time.process_time()
        what(number)
        own.append(1e3 * (time.process_time() - busy))
        taken.append(1e3 * (time.perf_counter() - begun))
    return statistics.median(taken), max(taken), statistics.median(own)


def main() -> None:
    """The figures."""
    asked = options(__doc__ or "", count=20_000, counts="files in the watched folder")
    table: list[dict[str, Any]] = []

    def note(what: str, figures: tuple[float, float, float]) -> None:
        median, longest, own = (f"{figure:.3g}" for figure in figures)
        table.append({"what": what, "median_ms": median, "longest_ms": longest, "own_ms": own})
        print(f"{what}: {median} ms (longest {longest}, own work {own})")

    point = "input side radial"
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "history", create=True) as store:
        contents = filled(store)
        points.warm()
        one = contents[0]
        band = {"low_hz": 2000.0, "high_hz": 6000.0}
        pictures: tuple[tuple[str, Callable[[int], Any]], ...] = (
            ("spectrum of acceleration", lambda _: spectra.spectrum(store, one, point)),
            ("spectrum of velocity", lambda _: spectra.spectrum(store, one, point, kind="velocity")),
            ("envelope of a band", lambda _: spectra.spectrum(store, one, point, kind="envelope", **band)),  # type: ignore[arg-type]
            ("spectrum in orders", lambda _: spectra.spectrum(store, one, point, axis="order")),
            ("waveform", lambda _: waveforms.waveform(store, one, point)),
            ("one turn", lambda _: turns.turn(store, one, point, "stage1.ring_pin", **band)),
            ("ten seconds of sound", lambda _: sounds.sound(store, one, point, **band)),
            (f"cascade of {CAPTURES} captures", lambda _: cascades.cascade(store, contents, point)),
        )
        for what, ask in pictures:
            note(f"{what}, nothing kept", timed(ask, 9, forget=True))
        spectra.spectrum(store, one, point)
        note(
            "another part of the same spectrum",
            timed(lambda n: spectra.spectrum(store, one, point, start=100.0 + n, stop=900.0), 9, forget=False),
        )
        note("the same once more", timed(lambda _: spectra.spectrum(store, one, point), 9, forget=False))
        note(
            f"cascade of {CAPTURES} envelopes of a band, a job",
            timed(lambda _: cascades.cascade(store, contents, point, kind="envelope", **band), 1, forget=True),  # type: ignore[arg-type]
        )
        print(f"cache: {CACHE.bytes / 1e6:.1f} MB")
        watched = Path(folder) / "in"
        watched.mkdir()
        for number in range(asked.count):
            (watched / f"{number}.wav").write_bytes(b"x")
        watch = FolderWatch(watched, {".wav"})
        note(f"a look at a folder of {asked.count} files", timed(lambda _: watch.look(), 5, forget=False))
    write_table(asked.out, "desk_cost", table)


if __name__ == "__main__":
    main()
