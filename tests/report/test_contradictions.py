"""Pages of a history say nothing that something else on them denies; and who checks that can find it."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.alarm_stores import LOBE, START, damaged, fill, finding, sound
from tests.report.contradictions import contradictions
from vibe.core.records.history import Event
from vibe.desk.export import export_pages
from vibe.flow.alarms.queue import decide, evaluate_alarms
from vibe.flow.history.pages import write_pages
from vibe.history.store.store import Store


def series(**more: Any) -> dict[str, Any]:
    said: dict[str, Any] = {
        "name": "Impacts", "unit": "m/s²", "x": [1, 2, 3], "usual": 1.0, "limits": [], "limit_rows": [],
        "subject": LOBE, "words": "Growing: +8.0 dB (+6.0 to +9.0 dB) since the baseline. It grows by 2 dB a month.",
    }  # fmt: skip
    return said | more


def page(*words: str, tone: str = LOBE, **data: Any) -> str:
    text = "".join(f"<p>{one}</p>" for one in words)
    held = f'<script type="application/json" class="data">{json.dumps(data)}</script>' if data else ""
    return f'<section data-tone="{tone}"></section>{text}{held}'


def limit(value: str, name: str = "alarm · this drive") -> dict[str, str]:
    return {"name": name, "value": value, "source": name.partition(" · ")[2]}


def captures(*whys: str, a: int, b: int) -> dict[str, Any]:
    shown = [{"at": place, "why": why} for place, why in enumerate(whys)]
    return {"captures": shown, "start": {"a": a, "b": b}}


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        (page(series=[series(words="Steady: +21.5 dB since the baseline.")]),
         page(series=[series(words="Steady: +1.5 dB since the baseline.")])),
        (page(series=[series(words="Steady: +1.5 dB since the baseline. It grows by 15 dB a month.")]),
         page(series=[series()])),
        (page(series=[series(limit_rows=[limit("409 m/s²")])]), page(series=[series(limit_rows=[limit("2.9 m/s²")])])),
        (page(series=[series(unit="dB", limit_rows=[limit("30 dB")])]),
         page(series=[series(unit="dB", limit_rows=[limit("12 dB")])])),
        (page(series=[series(subject="bearing.b.cage"), series()]), page(series=[series(), series(subject="x")])),
        (page(series=[series(x=[1, 3, 2])]), page(series=[series()])),
        (page(**captures("now", "before", a=0, b=1)), page(**captures("before", "now", a=1, b=0))),
        (page(**captures("before", "now", a=0, b=1)), page(**captures("before", "now", a=1, b=0))),
        (page(**captures("before", "now", "beyond a limit", a=1, b=0)),
         page(**captures("before", "latest accepted", "beyond a limit", a=1, b=0))),
        (page("levels grew, by −0.3 dB"), page("levels grew, by +0.3 dB")),
        (page("all fell by +3.0 dB"), page("all fell by −3.0 dB")),
        (page("+8.6 dB (+8.6 to +8.6 dB)"), page("+8.6 dB (+8.4 to +8.8 dB)")),
        (page("42 days (20 to 60) if it goes on"), page("growing; cannot be dated")),
        (page("Inspect the pins where the map shows"), page("Inspect the pins")),
        (page("As of 2 Mar 2026", "the last on 4 Mar 2026"), page("As of 2 Mar 2026", "the last on 2 Mar 2026")),
        (page("Began 4 Mar 2026, in the queue since 2 Mar 2026"),
         page("Began 2 Mar 2026, in the queue since 4 Mar 2026")),
    ],
)  # fmt: skip
def test_a_contradiction_is_found_and_its_twin_is_none(wrong: str, right: str) -> None:
    assert contradictions(wrong)
    assert contradictions(right) == []


def test_no_page_of_a_store_contradicts_itself(tmp_path: Path) -> None:
    """Growth with a name and without, a repair, a drive that is overdue, one that is in work, one that is sound."""
    with Store.open(tmp_path / "history", create=True) as store:
        fill(store, "TH-01", weeks=24, seed=1)
        fill(store, "TH-02", weeks=24, levels=lambda week: damaged(week, 2, begins=10), lobes=19,
             findings=lambda week: [finding(severity="severe")] if week > 15 else [])  # fmt: skip
        fill(store, "TH-03", weeks=24, levels=lambda week: damaged(week, 3, begins=10, db_per_week=2.0), lobes=21)
        fill(store, "TH-04", weeks=24, lobes=23, findings=lambda week: [finding()] if 5 < week < 12 else [],
             levels=lambda week: damaged(week, 4, begins=4) if week < 12 else sound(week, 4))  # fmt: skip
        fill(store, "TH-05", weeks=12, lobes=25)
        store.add_event(Event(drive="TH-04", at=START + timedelta(weeks=11.5), kind="repair", note="new disc"))
        at = START + timedelta(weeks=24)
        queue = evaluate_alarms(store, at=at).queue
        name = next(alarm.id for alarm in queue.alarms if alarm.drive == "TH-02")
        decide(store, name, "confirmed", because="seen", by="K. Muster", owner="M. Fitter", at=at)
        outcome = evaluate_alarms(store, at=at)
    assert {alarm.kind for alarm in outcome.queue.alarms} >= {"fault", "growth", "not measured"}
    files = write_pages(outcome.queue, outcome.cases, tmp_path / "history", tmp_path / "out")
    pages = [path for path in files if path.suffix == ".html"]
    assert len(pages) > len(outcome.queue.alarms)
    said = {path.name: contradictions(path.read_text(encoding="utf-8")) for path in pages}
    assert {name: troubles for name, troubles in said.items() if troubles} == {}
    text = (tmp_path / "out" / "queue.html").read_text(encoding="utf-8")
    assert "M. Fitter" in text
    assert "In work:" in text
    assert "usually every 7 days" in text
    of_desk = export_pages([tmp_path / "history"], tmp_path / "desk", say=lambda _: None)
    said = {path.name: contradictions(path.read_text(encoding="utf-8")) for path in of_desk if path.suffix == ".html"}
    assert sum(name.startswith("case-") for name in said) > 2
    assert {name: troubles for name, troubles in said.items() if troubles} == {}
