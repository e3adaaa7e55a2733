"""A desk over stores made by hand, and who asks it as a browser would."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from tests import alarm_stores as made
from vibe.core.capture import Channel
from vibe.desk.app import desk_app
from vibe.desk.context import Desk
from vibe.desk.guard import Keys, Proxy
from vibe.desk.sites import Sites
from vibe.history.store.store import Store

PORT = 8123
ADDRESS = f"http://127.0.0.1:{PORT}"
NAME = "M. Arden"


def filled(folder: Path, tags: tuple[str, ...] = ("SP-01", "SP-02", "TH-01"), weeks: int = 18) -> Path:
    """A store with a severely damaged drive, a moderately damaged one, and a sound one; measured until yesterday."""
    findings = {
        tags[0]: lambda week: [made.finding(severity="severe", probability=0.995)] if week > 11 else [],
        tags[1]: lambda week: [made.finding("stage1.ring_pin", severity="moderate")] if week > 13 else [],
    }

    def grown(week: int) -> made.Levels:
        return made.damaged(week, begins=8, db_per_week=2.0)

    with Store.open(folder, create=True) as store, pytest.MonkeyPatch.context() as patched:
        patched.setattr(made, "_CHANNEL", sounding())
        patched.setattr(made, "START", datetime.now(UTC) - timedelta(weeks=weeks - 1, days=1))
        for seed, tag in enumerate(tags):
            made.fill(
                store, tag, weeks=weeks, seed=seed, lobes=17 + 2 * seed,
                levels=grown if tag == tags[0] else None,
                findings=findings.get(tag, lambda week: []),
            )  # fmt: skip
    return folder


def sounding() -> Channel:
    """Two seconds in which a lobe strikes once per 18/17 turns at 24.3 Hz, and rings."""
    time_s = np.arange(12800) / 6400.0
    since = np.mod(time_s * 24.3 * 18 / 17, 1.0) / (24.3 * 18 / 17)
    samples = 5.0 * np.exp(-since / 0.003) * np.sin(2 * np.pi * 1800.0 * since)
    samples += np.random.default_rng(5).normal(0.0, 0.2, time_s.size) + 0.3 * np.sin(2 * np.pi * 24.3 * time_s)
    return Channel(
        name=made.POINTS[0], samples=samples.astype(np.float32), sample_rate_hz=6400.0, quantity="acceleration",
        recorded_unit="m/s^2",
    )  # fmt: skip


def desk_of(*stores: Path, by: str = NAME, read_only: bool = False, proxy: Proxy | None = None) -> Desk:
    """A desk whose stores were judged here, in this process."""
    sites = Sites(stores, apart=False, read_only=read_only)
    sites.refresh()
    return Desk(sites=sites, keys=Keys(port=PORT), by=by, read_only=read_only, proxy=proxy)


class Browser:
    """Asks a desk as a browser does that opened its link: with cookie, origin and token."""

    def __init__(self, desk: Desk, *, opened: bool = True, client: tuple[str, int] = ("127.0.0.1", 50000)) -> None:
        self.desk = desk
        self.http = TestClient(desk_app(desk), base_url=ADDRESS, follow_redirects=False, client=client)
        if opened:
            answer = self.http.get("/start", params={"key": desk.keys.key})
            assert answer.status_code == 303

    @property
    def token(self) -> str:
        return self.desk.keys.token(self.http.cookies[self.desk.keys.cookie])

    def get(self, path: str, **more: Any) -> Any:
        return self.http.get(path, **more)

    def post(self, path: str, form: dict[str, Any], *, part: bool = True, **headers: str) -> Any:
        sent = {"origin": ADDRESS, "x-part": "1"} if part else {"origin": ADDRESS}
        return self.http.post(path, data={"token": self.token} | form, headers=sent | headers)


def decision(row: Any, **changes: str) -> dict[str, str]:
    """A form that can be recorded."""
    usual = {
        "as": "confirmed", "because": "Harmonics of the lobe, grown since autumn.", "owner": "J. Sole",
        "due": "2099-01-01", "order": "Order the disc.", "seen": row.seen, "nonce": "n1",
    }  # fmt: skip
    usual["due"] = _soon()
    return usual | changes


def _soon() -> str:
    return (datetime.now().date() + timedelta(days=9)).isoformat()
