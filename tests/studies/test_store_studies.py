"""The studies of what the world does to a store and to the outputs of commands, in short; the long ones are
``python -m tests.studies.store_fuzz``, ``store_machine`` and ``kills_everywhere``."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.studies import kills_everywhere, store_fuzz, store_machine

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork")


def test_changed_bytes_are_reported_and_mended(tmp_path: Path) -> None:
    rows = store_fuzz.run(6, 1093)
    assert "refused" in {row["read"] for row in rows}
    assert store_fuzz.bad(rows) == []


def test_a_store_does_as_its_model_whenever_its_process_is_ended() -> None:
    store_machine.run(2, 1, steps=8)


@pytest.mark.slow
def test_killed_commands_leave_outputs_whole_or_absent_and_the_next_run_mends_the_rest() -> None:
    short = [one for one in kills_everywhere.COMMANDS if one.name == "history thin"]
    rows = kills_everywhere.run(short, 3, 1, warm=("vibe.cli.main", "h5py", "vibe.history.store.maintenance"))
    assert sum(one.kills for one in rows) == 3
    assert kills_everywhere.wrong(rows) == []
