"""One target for each thing that is parsed: how its input is made, and what must hold of the answer.

``try_one`` gives ``"accepted"`` or the name of the error that refused the input. Anything else that comes out of a
reader is a finding: an exception that is no ``VibeError``, a sentence of several lines, an answer that cannot be right
(``WrongError``), a refusal that blames the file for a slip of our own (``MaskedError``).
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from tests.studies.fuzz import corpus, mutate, odd, parsers
from tests.studies.fuzz.corpus import Seed
from vibe.core.capture import Capture
from vibe.core.errors import CaptureError, VibeError
from vibe.storage import fence

LONGEST_SENTENCE = 3000
_OUR_SLIPS = (TypeError, AttributeError, NameError, AssertionError, UnboundLocalError)


class WrongError(Exception):
    """A success that cannot be right."""


class MaskedError(Exception):
    """A refusal behind which a slip of the program stands."""


@dataclass(frozen=True, slots=True)
class Input:
    """What one trial gives to a reader. ``cut_of``: the good file that it is the beginning of."""

    data: bytes
    next_to: bytes | None = None
    cut_of: Seed | None = None


@dataclass(frozen=True)
class Target:
    """``weight`` is its share of all inputs; ``slow`` ones cost tens of milliseconds each."""

    name: str
    seeds: Callable[[], tuple[Seed, ...]]
    make: Callable[[Random, Target], Input]
    read: Callable[[Input, Path], Any]
    weight: float = 1.0
    odd: tuple[Callable[[Random], bytes], ...] = ()
    spoil: Callable[[Random, bytes, bytes], bytes] = field(default=mutate.spoiled)
    suffix: str = ""

    def input(self, seed: int, index: int) -> Input:
        """The same for the same seed and index, on every machine with these libraries."""
        return self.make(Random(f"{seed} {self.name} {index}"), self)


def try_one(target: Target, given: Input, folder: Path) -> str:
    """Give one input to a target.

    Raises:
        WrongError, MaskedError: see above; and whatever the reader lets through.
    """
    try:
        with _parsed_here(target):
            target.read(given, folder)
    except VibeError as error:
        _check_refusal(error)
        return type(error).__name__
    return "accepted"


LIBRARIES = ("h5", "mat73", "mat4", "parquet", "kept capture", "any ending", "certificate pdf")
"""Targets that libraries written in C parse, which may take the process along."""


@contextmanager
def _parsed_here(target: Target) -> Iterator[None]:
    """What is parsed in Python is parsed in this process: of another one neither memory nor slips nor coverage show."""
    if target.name in LIBRARIES:
        yield
        return
    reader = fence._READER
    reader.call = lambda work, path, more: work(path, *more)  # type: ignore[method-assign]
    try:
        yield
    finally:
        del reader.call


def _check_refusal(error: VibeError) -> None:
    text = str(error)
    if len(text.splitlines()) != 1 or len(text) > LONGEST_SENTENCE:
        raise WrongError(f"the refusal is no sentence: {text[:300]!r} ({len(text)} characters)") from error
    if isinstance(error, CaptureError) and "more memory than there is" in text:
        raise WrongError("asked for more memory than there is") from error
    cause = error.__cause__
    if isinstance(cause, _OUR_SLIPS) and (frames := traceback.extract_tb(cause.__traceback__)):
        last = frames[-1]
        if "/vibe/" in last.filename:
            raise MaskedError(
                f"{type(cause).__name__} at {Path(last.filename).name}:{last.lineno} ({str(cause)[:120]}) said as "
                f"{text[-120:]!r}"
            ) from error


# ── captures ────────────────────────────────────────────────────────────────────────────────────────────────────────


def make_capture(rng: Random, target: Target) -> Input:
    """Cut off, spoiled, written oddly, or with another sidecar."""
    seeds = target.seeds()
    seed, way = rng.choice(seeds), rng.random()
    if way < 0.12:
        return Input(mutate.cut(rng, seed.data), seed.next_to, cut_of=seed)
    if way < 0.5:
        return Input(target.spoil(rng, seed.data, rng.choice(seeds).data), seed.next_to)
    if way < 0.85 and target.odd:
        next_to = rng.choice((None, None, b"", b'[channels.p]\nunit = "g"\nfull_scale = 8.0\n', seed.next_to))
        return Input(rng.choice(target.odd)(rng), next_to)
    if way < 0.9:
        return Input(seed.data, rng.choice(_all_sidecars()))
    data = target.spoil(rng, seed.data, b"") if way > 0.97 else seed.data
    return Input(data, mutate.toml_spoiled(rng, seed.next_to or rng.choice(_all_sidecars())))


def make_sidecar(rng: Random, target: Target) -> Input:
    """A good WAV file next to a spoiled sidecar."""
    seed = rng.choice(target.seeds())
    next_to = seed.next_to if rng.random() < 0.7 else rng.choice(_all_sidecars())
    return Input(seed.data, mutate.toml_spoiled(rng, next_to or b"", corpus.FOLDER))


def _all_sidecars() -> tuple[bytes, ...]:
    kinds = ("wav", "uff", "npz", "mat5", "mat73", "parquet")
    return tuple(seed.next_to for kind in kinds for seed in corpus.captures(kind) if seed.next_to)


def read_capture_file(suffix: str) -> Callable[[Input, Path], Capture]:
    """A reader of files with this ending, the checks on its answer included."""

    def read(given: Input, folder: Path) -> Capture:
        from vibe.ingest import read_capture

        path = folder / f"a{suffix}"
        path.write_bytes(given.data)
        next_to = path.with_name(path.name + ".toml")
        if given.next_to is not None:
            next_to.write_bytes(given.next_to)
        else:
            next_to.unlink(missing_ok=True)
        try:
            capture = read_capture(path)
        except VibeError as error:
            if not isinstance(error, CaptureError) or not str(error).startswith(str(path)):
                raise WrongError(f"refused by {type(error).__name__}: {error}") from error
            raise
        check_capture(capture, given, suffix)
        return capture

    return read


def check_capture(capture: Capture, given: Input, suffix: str) -> None:
    """What must hold of every capture, and of one out of a file that was cut off.

    Raises:
        WrongError: it does not.
    """
    size = len(given.data)
    for channel in capture.channels:
        if not 1e-3 <= channel.sample_rate_hz <= 1e9:
            raise WrongError(f"a sample rate of {channel.sample_rate_hz} Hz was accepted")
        if channel.samples.dtype != np.float32 or channel.samples.size == 0 or np.isinf(channel.samples).any():
            raise WrongError(f"{channel.samples.dtype} of shape {channel.samples.shape}, or infinite samples")
        if channel.samples.size > max(20_000_000, 1100 * size):
            raise WrongError(f"{channel.samples.size} samples out of {size} bytes")
        if not all(v is None or (v > 0 and np.isfinite(v)) for v in (channel.full_scale, channel.step)):
            raise WrongError(f"full scale {channel.full_scale}, step {channel.step}")
    for value in (capture.speed_rpm, capture.load_percent):
        if value is not None and not 0 <= value < float("inf"):
            raise WrongError(f"speed or load of {value}")
    if given.cut_of is not None:
        # A table that ends with a line cannot be distinguished from a shorter one.
        at_line_end = suffix == ".csv" and given.data[-2:].strip(b"\0").endswith(b"\n")
        _check_cut(capture, _whole(given.cut_of, suffix), at_line_end=at_line_end)


_WHOLE: dict[int, Capture] = {}


def _whole(seed: Seed, suffix: str) -> Capture:
    import tempfile

    if id(seed) not in _WHOLE:
        with tempfile.TemporaryDirectory() as folder:
            _WHOLE[id(seed)] = read_capture_file(suffix)(Input(seed.data, seed.next_to), Path(folder))
    return _WHOLE[id(seed)]


def _check_cut(capture: Capture, whole: Capture, *, at_line_end: bool) -> None:
    """Of a file cut off, what is there must be the beginning of what was there, and what is missing must be said."""
    names = {channel.name: channel for channel in whole.channels}
    lacking = len(capture.channels) < len(whole.channels)
    for channel in capture.channels:
        if channel.name not in names:
            raise WrongError(f"cut off, and there is a channel {channel.name!r} that was not in the whole file")
        was = names[channel.name].samples
        now = channel.samples
        same = (now == was[: now.size]) | np.isnan(now) if now.size <= was.size else np.zeros(1, dtype=bool)
        # A rate out of the time stamps of a few rows is as exact as their last digit.
        rate = channel.sample_rate_hz / names[channel.name].sample_rate_hz
        if not same.all() or abs(rate - 1) > 0.2:
            raise WrongError(f"cut off, and channel {channel.name!r} holds other samples than the whole file")
        lacking |= now.size < was.size or bool((np.isnan(now) & ~np.isnan(was)).any())
    if lacking and len(capture.remarks) <= len(whole.remarks) and not at_line_end:
        raise WrongError(f"cut off, and nothing says so: {[c.samples.size for c in capture.channels]} samples")


# ── everything else ─────────────────────────────────────────────────────────────────────────────────────────────────


def make_spoiled(rng: Random, target: Target) -> Input:
    """A good file spoiled."""
    seeds = target.seeds()
    seed = rng.choice(seeds).data
    data = target.spoil(rng, seed, rng.choice(seeds).data)
    return Input(target.spoil(rng, data, b"") if rng.random() < 0.15 and _can(target, data) else data)


def _can(target: Target, data: bytes) -> bool:
    return target.spoil is not mutate.json_spoiled


def make_certificate(rng: Random, target: Target) -> Input:
    """A record with its tree changed, sealed anew half of the time so that what is behind the seal is read too."""
    import json

    from vibe.storage.digest import SealError, sealed, written

    seed = rng.choice(target.seeds()).data
    if rng.random() < 0.4:
        return Input(mutate.json_spoiled(rng, seed))
    root = mutate.tree_changed(rng, json.loads(seed))
    try:
        return Input(written(sealed(root)).encode("utf-8", "surrogatepass"))
    except (SealError, AttributeError, TypeError, UnicodeError, ValueError, RecursionError):
        return Input(mutate.cut(rng, seed))


def make_anything(rng: Random, target: Target) -> Input:
    """Bytes that belong to no format, or the bytes of one under the ending of another."""
    if rng.random() < 0.3:
        return Input(bytes(rng.randrange(256) for _ in range(rng.choice((0, 1, 3, 64, 600)))))
    seed = rng.choice(target.seeds())
    return Input(mutate.spoiled(rng, seed.data) if rng.random() < 0.5 else seed.data, seed.next_to)


def _any_capture() -> tuple[Seed, ...]:
    return tuple(
        s for k in ("h5", "mat73", "mat5", "mat4", "npz", "wav", "parquet", "uff", "csv") for s in corpus.captures(k)
    )


def _read_under_any_ending(given: Input, folder: Path) -> None:
    endings = (".h5", ".mat", ".wav", ".npz", ".parquet", ".uff", ".csv", ".txt", "")
    read_capture_file(endings[sum(given.data[:50]) % len(endings)])(given, folder)


def _capture(name: str, suffix: str, weight: float, *odd_ones: Callable[[Random], bytes], text: bool = False) -> Target:
    return Target(
        name, lambda: corpus.captures(name), make_capture, read_capture_file(suffix), weight, odd_ones,
        mutate.text_spoiled if text else mutate.spoiled, suffix,
    )  # fmt: skip


def _toml(kind: str, weight: float = 1.0) -> Target:
    return Target(
        kind, lambda: corpus.toml(kind), make_spoiled, parsers.toml_reader(kind), weight, spoil=mutate.toml_spoiled
    )


def _one(data: Callable[[], tuple[Seed, ...]] | bytes) -> Callable[[], tuple[Seed, ...]]:
    return (lambda: (Seed(data),)) if isinstance(data, bytes) else data


TARGETS: tuple[Target, ...] = (
    _capture("h5", ".h5", 4, odd.hdf5),
    _capture("mat73", ".mat", 2, lambda rng: odd.hdf5(rng, matlab=True)),
    _capture("mat5", ".mat", 4, odd.mat5),
    _capture("mat4", ".mat", 2, odd.mat4),
    _capture("npz", ".npz", 3, odd.npz),
    _capture("wav", ".wav", 4, odd.wav),
    _capture("parquet", ".parquet", 3, odd.parquet),
    _capture("uff", ".uff", 4, text=True),
    _capture("csv", ".csv", 4, text=True),
    Target("any ending", _any_capture, make_anything, _read_under_any_ending, 2),
    Target("sidecar", lambda: corpus.captures("wav"), make_sidecar, read_capture_file(".wav"), 3),
    Target("folder.toml", _one(corpus.FOLDER), make_spoiled, parsers.read_folder, 1, spoil=mutate.toml_spoiled),
    Target(
        "file name",
        _one(b"TH-01/P1_20260309_081200.wav"),
        make_spoiled,
        parsers.read_name,
        1,
        spoil=mutate.text_spoiled,
    ),
    Target("kept capture", corpus.kept, make_spoiled, parsers.read_kept, 2),
    Target("kept past", corpus.past, make_spoiled, parsers.read_kept_past, 1, spoil=mutate.json_spoiled),
    _toml("drive", 4),
    _toml("route", 2),
    _toml("recipe", 2),
    _toml("requirements", 2),
    _toml("set"),
    _toml("events"),
    _toml("limits", 1),
    _toml("judgement"),
    _toml("diagnosis"),
    _toml("alarms"),
    _toml("history"),
    _toml("population"),
    _toml("on_the_spot"),
    _toml("practice"),
    Target(
        "exceedances",
        _one(corpus.EXCEEDANCES),
        make_spoiled,
        parsers.read_exceedances_file,
        2,
        spoil=mutate.text_spoiled,
    ),
    Target("readings", _one(corpus.READINGS), make_spoiled, parsers.read_readings_file, 1, spoil=mutate.text_spoiled),
    Target("lives", _one(corpus.LIVES), make_spoiled, parsers.read_lives_file, 1, spoil=mutate.text_spoiled),
    Target("certificate json", lambda: corpus.certificate("json"), make_certificate, parsers.read_certificate, 1),
    Target(
        "certificate html",
        lambda: corpus.certificate("html"),
        make_spoiled,
        parsers.read_certificate,
        0.5,
        spoil=mutate.text_spoiled,
    ),
    Target("certificate pdf", lambda: corpus.certificate("pdf"), make_spoiled, parsers.read_certificate, 0.05),
    Target("health.json", corpus.health, make_spoiled, parsers.read_health, 1.5, spoil=mutate.json_spoiled),
    Target("run.json", _one(corpus.RUN), make_spoiled, parsers.read_run, 1, spoil=mutate.json_spoiled),
    Target(
        "records",
        lambda: (*corpus.health(), *corpus.certificate("json")),
        make_spoiled,
        parsers.read_records_folder,
        1,
        spoil=mutate.json_spoiled,
    ),
    Target("stamp", corpus.stamp, make_spoiled, parsers.read_stamp, 1, spoil=mutate.json_spoiled),
    Target("journal", _one(corpus.JOURNAL), make_spoiled, parsers.read_journal, 1, spoil=mutate.text_spoiled),
)

BY_NAME = {target.name: target for target in TARGETS}
