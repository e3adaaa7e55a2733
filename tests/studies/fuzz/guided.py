"""Inputs chosen by what they reach: ``atheris`` (libFuzzer), begun with the good files of a target."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from tests.studies.fuzz.targets import BY_NAME, LIBRARIES, TARGETS, Input, try_one
from tests.studies.fuzz.trial import CPU_S

KEPT = Path(tempfile.gettempdir()) / "vibe-fuzz"
"""Where inputs that break something are kept if no folder is named; never in the clone."""


PARSED_HERE = tuple(target.name for target in TARGETS if target.name not in LIBRARIES)
BY_THE_CLOCK = 6
"""libFuzzer looks at the clock, which runs on while others have the processor."""
LEAST_S = 5
"""For one target, start not counted."""


def artifacts(out: Path | None) -> Path:
    """The folder for what is found, made if missing."""
    folder = (out or KEPT).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def guide_all(seconds: int, seed: int, out: Path | None = None) -> int:
    """Let libFuzzer look for inputs that break anything that is parsed in Python, one thing after another, ``seconds``
    shared out by weight. The number of things that broke; 0 is well.

    Raises:
        SystemExit: ``atheris`` is not installed.
    """
    weights = {name: BY_NAME[name].weight for name in PARSED_HERE}
    broken = []
    for name, weight in weights.items():
        share = max(LEAST_S, round(seconds * weight / sum(weights.values())))
        if guide(name, share, seed, out):
            broken.append(name)
    print(f"{len(weights)} things parsed, broken: {', '.join(broken) or 'none'}")
    return len(broken)


def guide(name: str, seconds: int, seed: int, out: Path | None = None) -> int:
    """Let libFuzzer look for inputs that break a target, in a process of its own. Its exit status; 0 is well.

    Inputs that break it are kept in ``out``; those worth keeping for good go to ``seeds`` next to this file, under a
    name that tells what they do.

    Raises:
        SystemExit: ``atheris`` is not installed.
    """
    try:
        import atheris  # noqa: F401
    except ImportError:
        raise SystemExit("atheris is not installed: pip install atheris") from None
    with tempfile.TemporaryDirectory() as place:
        corpus = Path(place) / "corpus"
        corpus.mkdir()
        target = BY_NAME[name]
        for number, one in enumerate(target.seeds()):
            (corpus / f"good{number}").write_bytes(one.data)
        for index in range(200):
            (corpus / f"spoiled{index}").write_bytes(target.input(seed, index).data)
        print(f"inputs that break it are kept in {artifacts(out)}")
        command = [sys.executable, "-m", "tests.studies.fuzz.guided", name, str(corpus), f"-seed={seed}",
                   f"-max_total_time={seconds}", f"-timeout={BY_THE_CLOCK * CPU_S}", "-rss_limit_mb=3000",
                   "-max_len=200000", "-print_final_stats=1",
                   f"-artifact_prefix={artifacts(out)}/{name.replace(' ', '_')}-"]  # fmt: skip
        return subprocess.run(command, check=False).returncode


def main() -> None:
    import atheris

    target = BY_NAME[sys.argv.pop(1)]
    next_to = target.seeds()[0].next_to
    ours = ["vibe.ingest", "vibe.core", "vibe.history", "vibe.report", "vibe.flow"]
    with atheris.instrument_imports(include=[*ours, "pyuff", "tomllib"]):
        import pyuff  # noqa: F401

        import vibe.history.store.capture_file
        import vibe.ingest.config.toml_file
        import vibe.ingest.read
        import vibe.ingest.tables.exceedances
        import vibe.report.certificate.check  # noqa: F401
    folder = tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)

    def try_bytes(data: bytes) -> None:
        try_one(target, Input(data, next_to), Path(folder.name))

    atheris.Setup(sys.argv, try_bytes)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
