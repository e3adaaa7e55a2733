"""The queue as a page, and the pages behind its rows."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.report.browsing import wait_for
from tests.report.history_cases import (
    HOSTILE,
    REAL_ORDER,
    TAG,
    alarm,
    chromium,  # noqa: F401
    decision,
    queue,
    quiet_and_offline,
    shown_drive,
)
from vibe.core.errors import OutputError
from vibe.core.records.alarms import AlarmExplanation, LeftOut, Urgency, UrgencyPart
from vibe.core.records.history_view import ShownAlarm
from vibe.report.drawing.history_marks import urgency_bar
from vibe.report.pages.queue_page import render_alarm, render_queue, write_queue_pages


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def test_rows_are_in_the_order_of_the_queue_and_say_why() -> None:
    first = alarm()
    second = alarm(
        "ghi-jkl", "P-102", kind="load or speed", title="explained by load or speed", finding=None, cause="load",
        names=(), sentence="P-102: load explains 11 of 12 dB.", changed=(),
        explanations=(AlarmExplanation(kind="load", words="load explains 11 of 12 dB"),),
        urgency=Urgency(total=0.6, parts=(UrgencyPart(name="severity", how="adds", amount=12.0, because="x"),)),
    )  # fmt: skip
    text = render_queue(queue(first, second))
    assert text.index('id="abc-def"') < text.index('id="ghi-jkl"')
    words = plain(text)
    assert "Severe, probability 90 %, seen in 3 of the last 3 captures." in words
    assert "Largest change: velocity r.m.s., in, +12.0 dB since the baseline." in words
    assert "outer race (BPFO) of the input bearing +5.9 dB" in words
    assert "Load explains 0.3 of 12 dB." in words
    assert words.lower().count("load explains 11 of 12 db.") == 1  # said once, not twice
    assert "+12 dB (in, velocity r.m.s.)" in words
    assert "velocity_rms" not in words
    assert "7 months" in words
    assert "25 %" in words
    assert "this drive: alarm, velocity r.m.s." in words


def test_a_row_without_cause_says_that_nothing_explains_it() -> None:
    assert "Neither load nor speed, sensor or sister drives explain it." in render_queue(queue(alarm(explanations=())))


def test_quiet_ones_and_those_that_came_back_say_why() -> None:
    quiet = alarm("q-1", status="quiet", status_why="nothing new since", decisions=(decision("q-1", HOSTILE),))
    back = alarm("b-1", status="back", status_why="it grew by 4 dB since", decisions=(decision("b-1"),))
    text = render_queue(queue(back, quiet))
    waiting, _, rest = text.partition('<h2 id="quiet">')
    assert 'id="b-1"' in waiting
    assert "it grew by 4 dB since" in waiting
    assert 'id="q-1"' not in waiting
    assert 'id="q-1"' in rest
    assert "Nothing new since" in rest
    assert "B. Analyst" in rest
    assert "<img" not in text
    assert "&lt;img" in rest
    assert "Nothing waits." in plain(render_queue(queue(quiet)))
    assert "Nothing is beyond its limits." in plain(render_queue(queue()))


def test_lines_that_could_not_be_matched_are_shown_escaped() -> None:
    text = render_queue(queue(alarm(), unmatched=(LeftOut(line=9, text=HOSTILE, why="no drive " + HOSTILE),)))
    assert "Could not be matched" in text
    assert "<img" not in text
    assert "Could not be read" not in text
    assert "<script" not in text.partition("</style>")[2]


def test_the_bar_shows_parts_and_what_was_taken_off() -> None:
    def urgency(factor: float) -> Urgency:
        parts = (
            UrgencyPart(name="severity", how="adds", amount=40.0, because=""),
            UrgencyPart(name="time", how="adds", amount=20.0, because=""),
            UrgencyPart(name="chance", how="multiplies", amount=factor, because=""),
        )
        return Urgency(total=60 * factor, parts=parts)

    def widths(text: str) -> list[float]:
        return [float(wide) for wide in re.findall(r'<rect [^>]*? width="([\d.]+)"', text)]

    whole, half = urgency_bar(urgency(1.0), 60, width=122), urgency_bar(urgency(0.5), 60, width=122)
    assert widths(whole) == [80.0, 40.0]
    assert "dasharray" not in whole
    assert widths(half) == [40.0, 20.0, 60.0]
    assert "dasharray" in half
    # Each part has a pattern of its own, so that it reads without colour.
    assert len(set(re.findall(r"url\(#part-\d\)", whole))) == 2
    assert "severity 40, time 20" in whole


def test_pages_behind_alarms_are_written_and_pointed_at(tmp_path: Path) -> None:
    one, other = alarm(), alarm("ghi-jkl", HOSTILE)
    shown = {one.id: ShownAlarm(alarm=one, pictures=shown_drive())}
    files = write_queue_pages(queue(one, other), tmp_path, shown=shown, drive_pages=[TAG])
    assert [str(path.relative_to(tmp_path)) for path in files] == ["queue.html", "alarms/abc-def.html"]
    text = files[0].read_text(encoding="utf-8")
    assert 'href="alarms/abc-def.html"' in text
    assert 'href="drives/P-101.html"' in text
    assert "ghi-jkl.html" not in text  # has no page
    with pytest.raises(OutputError, match="--force"):
        write_queue_pages(queue(one), tmp_path)
    assert write_queue_pages(queue(one), tmp_path, force=True) == (tmp_path / "queue.html",)


def test_an_alarm_without_pictures_has_a_page() -> None:
    text = render_alarm(ShownAlarm(alarm=alarm(changed=(), explanations=())))
    assert "data-viewer" not in text.partition("</style>")[2]
    assert "parts of the drive is not known" in text
    assert "Neither load nor speed" in text


def test_before_and_after_lie_on_one_axis_in_a_browser(tmp_path: Path, chromium: Any) -> None:  # noqa: F811
    one = alarm()
    pictures = shown_drive(before="00000000", now="0000000b", alarms=(one,))
    files = write_queue_pages(queue(one), tmp_path, shown={one.id: ShownAlarm(alarm=one, pictures=pictures)})
    chromium.get(files[0].as_uri())
    quiet_and_offline(chromium)
    chromium.get(files[1].as_uri())
    view = "const v = document.querySelector('[data-viewer]').viewer;"
    wait_for(lambda: chromium.execute_script("return document.querySelectorAll('[data-started=done]').length === 3"))
    a, b, axis, tone = wait_for(
        lambda: chromium.execute_script(
            view + "return v.width && [v.a.data.x.length, v.b.data.x.length, v.axis, v.at.harmonic]"
        )
    )
    assert a == b == 2500
    assert axis == "order"
    assert tone == pytest.approx(REAL_ORDER, rel=0.004)  # the finding's tone, where its lines are
    rings = "return Bokeh.documents.map(d => d.get_model_by_name('beyond')).find(Boolean).data.x.length"
    assert chromium.execute_script(rings) == 1
    quiet_and_offline(chromium)
