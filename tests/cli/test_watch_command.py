"""``vibe check --watch`` in a process of its own: a card pulled and put back, and the word to end."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tests.cli.calls import DRIVE

ROUTE = """title = "W"
drives = ["drive.toml"]
captures = 1
[[file]]
like = "{drive}_{any}.h5"
[[stop]]
drive = "T-1"
[[stop.point]]
name = "output side radial"
[[stop.point]]
name = "input side radial"
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
@pytest.mark.parametrize("word", [signal.SIGINT, signal.SIGTERM])
def test_a_pulled_card_is_waited_for_and_the_end_says_where_things_stand(
    fit: Path, tmp_path: Path, word: signal.Signals
) -> None:
    (tmp_path / "drive.toml").write_text(DRIVE, encoding="utf-8")
    (tmp_path / "walk.toml").write_text(ROUTE, encoding="utf-8")
    card, away = tmp_path / "card", tmp_path / "away"
    card.mkdir()
    shutil.copy(fit, card / "T-1_a.h5")
    heeds = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); import vibe.cli.round as r; "
    heeds += "r.LOOK_EVERY_S = 0.05; from vibe.cli.main import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", heeds, "check", str(card), "--route", str(tmp_path / "walk.toml"), "--watch"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    said: list[str] = []
    reads = threading.Thread(target=lambda: said.extend(iter(process.stderr.readline, "")))  # type: ignore[union-attr]
    reads.start()

    def wait_until(text: str) -> None:
        until = time.monotonic() + 60
        while not any(text in line for line in list(said)):
            assert time.monotonic() < until, said
            assert process.poll() is None, said
            time.sleep(0.02)

    wait_until("points accepted")
    card.rename(away)
    wait_until("is gone (card or stick pulled?); 1 capture was looked at and stays counted")
    away.rename(card)
    wait_until("is back; going on.")
    card.rename(away)
    wait_until("is gone")
    process.send_signal(word)
    assert process.wait(timeout=30) == 0
    reads.join()
    assert process.stdout is not None
    rows = process.stdout.read().splitlines()
    process.stdout.close()
    process.stderr.close()
    assert [line.split("\t")[0] for line in rows if "T-1_a.h5" in line][:1] != []
    assert sum("T-1_a.h5" in line for line in rows) == 1  # judged once, not again when it was back
    assert any(line.startswith("missing\tT-1\tinput side radial") for line in rows)
    assert "Where things stand" in said[-2]
    assert " of 2 points accepted" in said[-1]
    assert "Traceback" not in "".join(said)
