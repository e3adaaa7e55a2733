"""Good files of every kind, made when they are asked for: what the fuzzing begins with."""

from __future__ import annotations

import io
import json
import tempfile
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from vibe.core.capture import Capture, Channel

ROOT = Path(__file__).resolve().parents[3]
SAMPLES = 300
RATE_HZ = 12000.0


@dataclass(frozen=True, slots=True)
class Seed:
    """A good file, and the sidecar that belongs to it."""

    data: bytes
    next_to: bytes | None = None


def capture() -> Capture:
    """What the good files hold."""
    time_s = np.arange(SAMPLES) / RATE_HZ
    noise = np.random.default_rng(7).standard_normal((2, SAMPLES))
    waves = np.sin(2 * np.pi * 800 * time_s) + 0.1 * noise
    usual: dict[str, Any] = {"sample_rate_hz": RATE_HZ, "quantity": "acceleration", "recorded_unit": "m/s^2"}
    channels = [
        Channel(name="input side", samples=waves[0].astype("f4"), full_scale=50.0, axis="radial", **usual),
        Channel(name="output side", samples=waves[1].astype("f4"), full_scale=50.0, **usual),
        Channel(name="tacho", samples=(waves[0] > 0.5).astype("f4"), sample_rate_hz=RATE_HZ, quantity="tachometer",
                recorded_unit="V", pulses_per_rev=1.0, full_scale=5.0),
    ]  # fmt: skip
    from datetime import UTC, datetime

    return Capture(
        source=Path("a.h5"), sha256="0" * 64, channels=tuple(channels), drive="TH-01", speed_rpm=1458.0,
        load_percent=70.0, measured_at=datetime(2026, 3, 4, 10, 15, tzinfo=UTC),
    )  # fmt: skip


@cache
def written(suffix: str, bits: int = 16) -> Seed:
    """The sample capture in one form, as our own writers write it."""
    from vibe.ingest import write_hdf5
    from vibe.synth.writers import write_capture

    whole = capture()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{suffix}"
        if suffix == ".native.h5":
            write_hdf5(whole, path)
        else:
            write_capture(whole, path, bits=bits)
        next_to = path.with_name(path.name + ".toml")
        return Seed(path.read_bytes(), next_to.read_bytes() if next_to.exists() else None)


@cache
def captures(kind: str) -> tuple[Seed, ...]:
    """Good captures of one kind of file."""
    made = {
        "h5": (".h5", ".native.h5"), "mat73": (".v73.mat",), "mat5": (".mat",), "npz": (".npz",), "wav": (".wav",),
        "parquet": (".parquet",), "uff": (".uff",), "csv": (".csv",),
    }  # fmt: skip
    found = [written(suffix) for suffix in made.get(kind, ())]
    if kind == "wav":
        found += [written(".wav", 24), Seed(_float_wav(), b'[channels.p]\nsource = 0\nunit = "g"\n')]
    if kind == "uff":
        found.append(Seed(_uff_binary(), b""))
    if kind == "csv":
        found += [Seed(_decimal_comma()), Seed(_decimal_comma().decode().encode("utf-16"))]
    if kind in ("npz", "mat5", "mat4"):
        said = {"p": capture().channels[0].samples, "sample_rate_hz": RATE_HZ, "unit": "m/s^2"}
        stream: Any = io.BytesIO()
        if kind == "npz":
            np.savez(stream, **said)  # type: ignore[arg-type]
        else:
            from scipy.io import savemat

            savemat(stream, said, format="4" if kind.endswith("4") else "5")
        found.append(Seed(stream.getvalue()))
    return tuple(found)


def _decimal_comma() -> bytes:
    rows = [f"{k / RATE_HZ:.7f};{v:.4f}" for k, v in enumerate(capture().channels[0].samples)]
    return ("t [s];Lager [m/s²]\n" + "\n".join(rows).replace(".", ",") + "\n").encode()


def _float_wav() -> bytes:
    import struct

    body = capture().channels[0].samples.astype("<f4").tobytes()
    shape = struct.pack("<4sIHHIIHH", b"fmt ", 16, 3, 1, 12000, 48000, 4, 32)
    return b"RIFF" + bytes(4) + b"WAVE" + shape + struct.pack("<4sI", b"data", len(body)) + body


def _uff_binary() -> bytes:
    """Data set 58 in its binary form, laid out by hand from the published column widths."""
    body = capture().channels[0].samples.astype("<f8").tobytes()
    head = ["    -1", f"    58b     1     2{11:12d}{len(body):12d}{0:6d}{0:6d}{0:12d}{0:12d}", "NONE", "NONE",
            "04-Mar-26 10:15:00", "NONE", "NONE",
            f"{1:5d}{0:10d}{0:5d}{0:10d} {'P1':10s}{7:10d}{3:4d} {'NONE':10s}{0:10d}{0:4d}",
            f"{4:10d}{SAMPLES:10d}{1:10d}{0.0:13.5E}{1 / RATE_HZ:13.5E}{0.0:13.5E}"]  # fmt: skip
    for code, label, unit in (
        (17, "time", "s"),
        (12, "acceleration", "m/s^2"),
        (0, "NONE", "NONE"),
        (0, "NONE", "NONE"),
    ):
        head.append(f"{code:10d}{0:5d}{0:5d}{0:5d} {label:20s} {unit:20s}")
    return "\n".join(head).encode() + b"\n" + body + b"\n    -1\n"


@cache
def kept() -> tuple[Seed, ...]:
    """The file of a capture in a history."""
    from tests.history.kept_captures import channels, record
    from vibe.history.store.capture_file import packed

    return Seed(packed(record(1), channels(1, 400))), Seed(packed(record(2), ()))


@cache
def past() -> tuple[Seed, ...]:
    """What such a file says of what it left for later captures, its traces apart."""
    from tests.history.test_pasts import PAST
    from vibe.history.stored_traces import arrays_of

    return (Seed(arrays_of(PAST)["said"].tobytes()),)


@cache
def toml(kind: str) -> tuple[Seed, ...]:
    """TOML files that come with the program, by the form that reads them."""
    configs = ROOT / "configs"
    places = {
        "drive": sorted((configs / "drives").glob("*.toml")), "route": sorted((configs / "routes").glob("*.toml")),
        "recipe": sorted((ROOT / "pipelines").glob("*.toml")),
        "requirements": [configs / "acceptance" / "sample_requirements.toml"],
        "practice": [configs / "acceptance" / "measurement.toml"],
    }  # fmt: skip
    paths = places.get(kind) or [configs / f"{kind}.toml"]
    if kind == "set":
        return (Seed(_SET),)
    if kind == "events":
        return (Seed(_EVENTS),)
    return tuple(Seed(path.read_bytes()) for path in paths)


_SET = b"""\
drive = "drive.toml"
requirements = "requirements.toml"
serial = "4711-003"
mounting = "stud"
[[instrument]]
what = "accelerometer"
serial = "A-1"
calibrated = 2026-01-07
calibration_uncertainty_percent = 3.0
[[run]]
kind = "rated load"
captures = ["captures/*.h5"]
load_percent = 100.0
temperature_c = 61.5
"""
_EVENTS = b"""\
[[event]]
drive = "TH-01"
at = 2026-03-04T10:15:00+01:00
kind = "repair"
note = "new bearing"
by = "A. Fitter"
[[event]]
drive = "TH-02"
at = 2026-03-29T02:30:00
kind = "repair"
new_baseline = false
"""
FOLDER = b'drive = "TH-01"\nspeed_rpm = 1458.0\nload_percent = 70.0\n'

EXCEEDANCES = b"""\
# exported
Tag;Measuring point;Date time;Parameter;Value [mm/s];Limit
TH-01;input side radial;2026-03-04 10:15;velocity rms;4,7;4.5
TH-02;output;04.03.2026 11:00;a rms [g];1.250,5;1,2
SP-01;P1;1772600000;Kurtosis;9.1;
SP-01;P1;11/13/2026 08:00 AM;Crest factor;12;8
"""
READINGS = """# walk of March
drive;speed [Hz];load_percent;oil_temperature_c;direction;note
TH-02;24,35;80 %;54 °C;cw;"fresh; grease"
SP-01;1460 r/min;-;;;'=cold
""".encode()

LIVES = b"drive,hours,failed,age_known,what\nTH-01,8100.5,yes,no,bearing\nTH-02,12000,no,yes,\n"


@cache
def certificate(kind: str) -> tuple[Seed, ...]:
    """Certificates as JSON, HTML or PDF: a sealed one, and one that is signed too, of a PDF the signed one alone."""
    from tests.report.certificates import failing, issued
    from vibe.report.certificate.certificate import write_certificate
    from vibe.report.certificate.proof.keys import load_keys, make_keys

    name = {"json": "acceptance.json", "html": "certificate.html", "pdf": "certificate.pdf"}[kind]
    found = []
    with tempfile.TemporaryDirectory() as folder:
        make_keys(Path(folder) / "keys", "Shop", "long enough", rounds=1)
        keys = load_keys(Path(folder) / "keys", "long enough")
        for acceptance, signed in ((issued(), True), (failing(), False))[: 1 if kind == "pdf" else 2]:
            out = Path(folder) / acceptance.answer
            write_certificate(acceptance, out, force=False, pdf=kind == "pdf", keys=keys if signed else None)
            found.append(Seed((out / name).read_bytes()))
    return tuple(found)


@cache
def health() -> tuple[Seed, ...]:
    """A health report with a finding and levels."""
    report = {
        "schema": "vibe.health/1", "drive": "TH-01", "name": "Rake", "state": "plan", "state_rule": "r",
        "sentence": "s",
        "do_by": "d", "false_alarm_rate": 0.05, "software": "vibe test", "cautions": ["c"],
        "captures": [{"file": "a.h5", "sha256": "0" * 64, "measured_at": "2026-03-04T10:15:00+00:00",
                      "duration_s": 10.0,
                      "channels": [{"name": "input side", "quality": "usable", "reasons": [], "remedies": []}]}],
        "speed": {"input_hz": 24.3, "uncertainty_hz": 0.01, "method": "signal"},
        "findings": [{"tone": "stage1.lobe", "component": "lobe", "defect": "local damage", "probability": 0.9,
                      "false_alarm_probability": 1e-6, "severity": "moderate", "why": "w", "advice": "a",
                      "evidence": [{"kind": "comb", "text": "t", "value": 3.0, "unit": "dB", "channel": "p"}]}],
        "levels": [{"point": "input side", "measure": "velocity_rms", "value": 2.5, "unit": "mm/s", "zone": "B",
                    "band_hz": [10.0, 1000.0], "zone_source": "z", "by_analogy": True}],
        "not_observable": [{"tone": "stage1.pin", "why": "w", "needs": "n"}],
        "detection_limits": [{"tone": "stage1.lobe", "hit_m_s2": 0.2, "over_floor_db": 3.0}],
    }  # fmt: skip
    return (Seed(json.dumps(report).encode()),)


@cache
def stamp() -> tuple[Seed, ...]:
    """The stamp of a finished drive. Its pages are those that the target writes next to it."""
    import hashlib

    from vibe.flow.run.resume import content_of

    page = hashlib.sha256(b"page").hexdigest()
    row: dict[str, Any] = {
        "tag": "TH-01", "name": "Rake", "state": "plan", "sentence": "s", "do_by": "d", "top_finding": None,
        "probability": None, "captures": 1, "remarks": [], "noticed": [], "changes": None, "since": "",
    }  # fmt: skip
    record = {
        "schema": "vibe.made-from/1", "run": "r", "content": content_of({"a": "1"}), "made_from": {"a": "1"},
        "pages": {"health.json": page, "health.html": page}, "page_remarks": [], "row": row, "bad": False,
    }  # fmt: skip
    return (Seed(json.dumps(record).encode()),)


RUN = json.dumps(
    {"drives": [{"drive": "TH-01", "files": {"json": "TH-01/health.json"}}, {"drive": "X", "files": {}}]}
).encode()
JOURNAL = b'\n{"drives": ["TH-01"], "schema": "vibe.journal/1", "title": "round", "run": "0123"}\n\n{"drives": ["X"]}\n'


def without_sidecar(seed: Seed) -> Seed:
    """The file alone."""
    return replace(seed, next_to=None)
