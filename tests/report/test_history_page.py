"""The page of a drive: what it carries, and how its cursors are used, in a browser without a network."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.report.browsing import wait_for
from tests.report.history_cases import (
    HOSTILE,
    REAL_ORDER,
    SPEED_A,
    START,
    STEP_HZ,
    STEP_ORDER,
    TAG,
    TONE_ORDER,
    chromium,  # noqa: F401
    quiet_and_offline,
    shown_drive,
)
from tests.report.history_cases import spectra as spectra_of
from vibe.core.errors import CallError, OutputError
from vibe.core.records.history import Event, Kept, Record, StoredCapture, Value
from vibe.flow.history.pages import MOST_CELLS, ranked_captures, write_history_page
from vibe.history.store.store import Store
from vibe.report.drawing import history_data
from vibe.report.drawing.history_plots import packed, unpacked
from vibe.report.pages.history_page import most_moved, render_history, write_history

TONE = "bearing.input bearing.outer_race"


def data_of(text: str, section: str) -> dict[str, Any]:
    found = re.search(rf'data-{section}\b.*?class="data">(.*?)</script>', text, re.DOTALL)
    assert found
    stated: dict[str, Any] = json.loads(found[1])
    return stated


def test_spectra_travel_in_two_bytes_a_cell_without_losing_what_can_be_read() -> None:
    values = np.concatenate([[0.0, np.nan], np.geomspace(1e-8, 1e6, 5000)]).astype(np.float32)
    back = unpacked(packed(values))
    assert back[0] == back[1] == 0.0
    np.testing.assert_allclose(back[2:], values[2:], rtol=3e-4)
    assert len(packed(values)) <= 2.7 * values.size


def test_limits_from_three_sources_and_events_are_drawn_and_named() -> None:
    stated = data_of(render_history(shown_drive()), "trend")
    one = stated["series"][0]
    assert one["name"] == "Velocity r.m.s., in"
    assert {(limit["source"], limit["kind"]) for limit in one["limits"]} == {
        ("ISO rules", "alarm"), ("this drive", "change"), ("this drive", "alarm"), ("sister drives", "alarm"),
    }  # fmt: skip
    # The trip lies so far above that it is reported in words, and nothing else is.
    assert [limit["name"] for limit in one["limit_rows"] if limit["above"]] == ["trip · ISO rules (by analogy)"]
    assert one["good"][3] == 0
    assert [event["text"] for event in stated["events"]] == ["grease", "realignment"]
    assert len({event["row"] for event in stated["events"]}) == 2  # two days apart, their names would lie on each other
    assert [event["anew"] for event in stated["events"]] == [False, True]


def test_names_of_near_limits_never_lie_on_each_other() -> None:
    one = data_of(render_history(shown_drive()), "trend")["series"][0]
    low, high = one["range"]
    places = sorted((limit["y"] - low) / (high - low) * 250 - limit["off"] for limit in one["limits"] if limit["text"])
    assert len(places) >= 3
    assert all(b - a >= 14.9 for a, b in itertools.pairwise(places))


def test_a_hostile_tag_stays_text_and_the_policy_forbids_scripts_of_the_page(tmp_path: Path) -> None:
    (path,) = write_history(shown_drive(HOSTILE, name=HOSTILE), tmp_path)
    text = path.read_text(encoding="utf-8")
    assert path.parent == tmp_path / "drives"
    assert "<" not in path.name
    assert "<img" not in text
    assert "<script>" not in text
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    assert policy
    assert "default-src 'none'" in policy[1]
    assert "unsafe-eval" not in policy[1]
    allowed, how = re.search(r"script-src ([^;]+)", policy[1])[1].split()  # type: ignore[index]
    assert allowed.startswith("'sha256-")
    assert how == "'strict-dynamic'"


def test_nothing_is_replaced_unasked(tmp_path: Path) -> None:
    (path,) = write_history(shown_drive(), tmp_path)
    with pytest.raises(OutputError, match="--force"):
        write_history(shown_drive(), tmp_path)
    assert write_history(shown_drive(), tmp_path, force=True) == (path,)


def test_an_empty_history_says_so() -> None:
    text = render_history(shown_drive(series=(), captures=(), events=(), tones=()))
    assert "Nothing was kept yet." in text
    assert "no spectra" in text
    assert "No tone of this drive" in text


def test_what_moved_most_leads_the_list_and_mere_scatter_does_not() -> None:
    grew, impacts, other = shown_drive().series
    assert grew.state is not None
    loud = replace(grew.state, key=impacts.series.key, change_db=30.0)
    growing = shown_drive(series=(replace(impacts, state=loud), grew, other))
    assert most_moved(growing) == [impacts.series.key, grew.series.key]
    steady = shown_drive(series=(replace(impacts, state=replace(loud, state="steady")), grew, other))
    assert most_moved(steady) == [grew.series.key]
    assert most_moved(shown_drive(series=(impacts, replace(grew, state=None), other))) == [grew.series.key]


def test_long_series_are_thinned_and_keep_their_peaks() -> None:
    drive = shown_drive()
    from tests.report.history_cases import series

    values = np.ones(20_000)
    values[12_345] = 9.0
    one = drive.series[0]
    long = type(one)(series=series(one.series.key, values, "mm/s"), state=None)
    chosen = history_data.choices([long])
    (stated,) = history_data.trend_data(chosen, ())["series"]
    assert len(stated["y"]) <= history_data.MOST_POINTS + 4
    assert max(stated["y"]) == 9.0


def kept(number: int, verdict: Kept = "accepted") -> StoredCapture:
    at = START + timedelta(days=7 * number)
    return StoredCapture(
        content=f"{number:08x}", drive=TAG, file="f.h5", measured_at=at, time_s=at.timestamp(), duration_s=10.0,
        kept=verdict, state="sound", speed_hz=25.0, speed_uncertainty_hz=None, load_percent=None, software="",
        waveform="kept",
    )  # fmt: skip


def test_a_page_carries_the_captures_that_matter_and_an_even_choice_of_the_rest() -> None:
    captures = [kept(n, "rejected" if n == 50 else "accepted") for n in range(101)]
    epoch = captures[40].measured_at
    chosen = ranked_captures(captures, epoch, captures[45].content, {captures[70].content, captures[50].content}, 20)
    why = {int(capture.content, 16): reason for capture, reason in chosen}
    assert len(why) == 20
    assert (why[100], why[45], why[40]) == ("latest", "of the baseline, like the latest", "first of the baseline")
    assert why[70] == "of an alarm"
    assert 50 not in why  # a rejected capture has no spectra
    between = sorted(n for n, reason in why.items() if reason == "in between")
    assert max(b - a for a, b in itertools.pairwise([0, *between, 100])) <= 16
    # Few are all taken.
    assert len(ranked_captures(captures[:5], None, None, set(), 20)) == 5


def test_a_hundred_captures_stay_within_four_megabytes() -> None:
    one = shown_drive().captures[0]
    cells = MOST_CELLS // 100 // 3
    spectra = tuple(replace(spectrum, top=np.resize(spectrum.top, cells)) for spectrum in one.spectra)
    text = render_history(shown_drive(captures=tuple(replace(one, spectra=spectra) for _ in range(100))))
    assert len(text.encode()) < 4.0e6


def test_a_store_becomes_a_page(tmp_path: Path) -> None:
    with Store.open(tmp_path / "store", create=True) as store:
        for n in range(14):
            values = (
                Value(point="in", measure="velocity_rms", value=1.0 + 0.01 * (n % 3), unit="mm/s"),
                Value(point="", measure="hit", value=0.5, unit="m/s²", subject="stage1.lobe"),
            )
            record = Record(
                content=f"{n:064x}", drive=TAG, file=f"{n}.h5", measured_at=START + timedelta(days=7 * n),
                duration_s=10.0, kept="accepted", speed_hz=SPEED_A, speed_uncertainty_hz=None, load_percent=None,
                values=values, spectra=spectra_of(SPEED_A, 1.0), health='{"state": "sound"}', software="t",
            )  # fmt: skip
            store.add(record, ())
        store.add_event(Event(drive=TAG, at=START + timedelta(days=20), kind="grease", new_baseline=False))
    (path,) = write_history_page(TAG, tmp_path / "store", tmp_path / "out")
    text = path.read_text(encoding="utf-8")
    stated = data_of(text, "viewer")
    assert len(stated["captures"]) == 14
    assert stated["tones"] == []  # no drive file says where they are
    back = unpacked(stated["captures"][0]["spectra"][0]["data"])
    np.testing.assert_allclose(back, spectra_of(SPEED_A, 1.0)[0].top, rtol=3e-4)
    trend = data_of(text, "trend")
    assert any(limit["source"] == "this drive" for limit in trend["series"][0]["limits"])
    assert [event["text"] for event in trend["events"]] == ["grease"]
    with pytest.raises(CallError, match="no capture"):
        write_history_page("P-999", tmp_path / "store", tmp_path / "out")


# ── in a browser ──────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def page(tmp_path: Path, chromium: Any) -> Any:  # noqa: F811
    (path,) = write_history(shown_drive(), tmp_path)
    chromium.get(path.as_uri())
    wait_for(lambda: chromium.execute_script("return document.querySelectorAll('[data-started=done]').length === 3"))
    wait_for(lambda: chromium.execute_script(VIEW + "return v.width > 100"))
    return chromium


VIEW = "const r = document.querySelector('[data-viewer]'), v = r.viewer;"


def at(chrome: Any, name: str) -> float:
    return float(chrome.execute_script(VIEW + "return v.at[arguments[0]]", name))


def read_out(chrome: Any, row: int, column: int, name: str = "harmonics") -> str:
    chrome.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(() => arguments[0]()))")
    return str(
        chrome.execute_script(
            VIEW + "return r.querySelector(`[data-readout=${arguments[0]}]`).tBodies[0].rows[arguments[1]]"
            ".cells[arguments[2]].textContent",
            name, row, column,
        )
    )  # fmt: skip


def choose(chrome: Any, name: str, value: str) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.support.ui import Select

    field = chrome.find_element(By.CSS_SELECTOR, f'[data-viewer] [data-control="{name}"]')
    if field.tag_name == "select":
        Select(field).select_by_value(value)
    else:
        chrome.execute_script(
            VIEW + "r.querySelector(`input[data-control='${arguments[0]}'][value='${arguments[1]}']`).click()",
            name,
            value,
        )


def test_the_harmonic_cursor_is_dragged_and_read(page: Any) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.by import By

    choose(page, "kind", "acceleration")
    assert at(page, "harmonic") == pytest.approx(SPEED_A)
    # 1/k at the k-th multiple in A; B ran at another speed and has nothing there.
    assert [float(read_out(page, k, 2)) for k in range(3)] == pytest.approx([1.0, 0.5, 0.333], rel=0.01)
    assert float(read_out(page, 0, 3)) < 0.01

    choose(page, "axis", "Hz")
    page.execute_script(VIEW + "v.zoom(0, 100)")
    handle = page.find_element(By.CSS_SELECTOR, ".handle.harmonic")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", handle)
    per_pixel = wait_for(lambda: page.execute_script(VIEW + "return v.x.end < 101 && 100 / v.width"))
    actions = ActionChains(page, duration=40)
    actions.click_and_hold(handle).move_by_offset(40, 3).move_by_offset(40, 0).release().perform()
    moved = at(page, "harmonic")
    assert moved == pytest.approx(SPEED_A + 80 * per_pixel, abs=2 * per_pixel)
    assert float(read_out(page, 1, 1)) == pytest.approx(2 * moved, abs=0.01)
    assert float(read_out(page, 0, 2)) < 0.01  # off the line
    # Nothing was zoomed by the drag.
    assert page.execute_script(VIEW + "return [v.x.start, v.x.end]") == pytest.approx([0.0, 100.0])

    choose(page, "tone", "-1")
    assert at(page, "harmonic") == pytest.approx(SPEED_A)
    label = page.find_element(By.XPATH, "//span[contains(@class, 'multiple') and text()='2×']")
    ActionChains(page, duration=40).click_and_hold(label).move_by_offset(-20, 0).move_by_offset(
        -20, 0
    ).release().perform()
    # The second multiple was moved: the fundamental moves half as far.
    assert at(page, "harmonic") == pytest.approx(SPEED_A - 20 * per_pixel, abs=2 * per_pixel)
    quiet_and_offline(page)


def test_cursors_answer_to_the_keyboard(page: Any) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    choose(page, "kind", "acceleration")
    handle = page.find_element(By.CSS_SELECTOR, ".handle.harmonic")
    assert handle.get_attribute("role") == "slider"
    assert handle.get_attribute("aria-label")
    handle.send_keys(Keys.ARROW_RIGHT)
    assert at(page, "harmonic") == pytest.approx(SPEED_A + STEP_HZ)
    ActionChains(page).key_down(Keys.SHIFT).send_keys(Keys.ARROW_LEFT).key_up(Keys.SHIFT).perform()
    assert at(page, "harmonic") == pytest.approx(SPEED_A - 9 * STEP_HZ)
    for _ in range(9):
        handle.send_keys(Keys.ARROW_UP)
    assert float(read_out(page, 0, 2)) == pytest.approx(1.0, rel=0.01)
    stated = wait_for(lambda: handle.get_attribute("aria-valuetext"))
    assert "25.1" in stated
    assert "m/s²" in stated

    # Tab reaches every control of the viewer, and what has the focus is outlined.
    page.execute_script(VIEW + "r.querySelector('[data-control=a]').focus()")
    reached = set()
    for _ in range(40):
        page.switch_to.active_element.send_keys(Keys.TAB)
        name, outline, inside = page.execute_script(
            VIEW
            + "const e = document.activeElement; const s = getComputedStyle(e.type === 'radio' ? e.nextSibling : e);"
            "return [e.dataset.control ?? e.dataset.handle, s.outlineStyle !== 'none', r.contains(e)]"
        )
        if not inside:
            break
        reached.add(name)
        assert outline or name is None, name
    assert {
        "swap", "b", "point", "kind", "axis", "scale", "from", "to", "in", "out", "whole", "harmonic", "harmonics",
        "tone", "peak", "sidebands", "carrier", "spacing",
    } <= reached  # fmt: skip
    quiet_and_offline(page)


def test_hz_and_order_linear_and_db_and_a_second_capture(page: Any) -> None:
    choose(page, "kind", "acceleration")
    # Against order both captures have their lines at one place, whatever their speeds were.
    choose(page, "axis", "order")
    assert at(page, "harmonic") == pytest.approx(1.0)
    assert float(read_out(page, 0, 3)) == pytest.approx(0.1, rel=0.01)
    assert read_out(page, 0, 4) == "+20.0"
    choose(page, "scale", "dB")
    assert float(read_out(page, 0, 2)) == pytest.approx(120.0, abs=0.1)  # 1 m/s² over 1 µm/s²
    low, high, label = page.execute_script(VIEW + "return [v.y.start, v.y.end, v.yAxis.axis_label]")
    assert low < 100 < 120 < high < 130
    assert "µm/s²" in label
    choose(page, "b", "-1")
    assert page.execute_script(VIEW + "return v.b.data.x.length") == 0
    assert read_out(page, 0, 3) == "–"
    choose(page, "b", "0")
    assert page.execute_script(VIEW + "return v.b.data.x.length") > 1000
    choose(page, "axis", "Hz")
    assert at(page, "harmonic") == pytest.approx(SPEED_A)
    note = page.execute_script(VIEW + "return r.querySelector('.note').textContent")
    assert "against order" in note
    choose(page, "kind", "velocity")
    assert page.execute_script(VIEW + "return v.reach") == pytest.approx(500.0)
    quiet_and_offline(page)


def test_sidebands_follow_carrier_and_spacing_and_a_tone_that_slips_is_found(page: Any) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.by import By

    choose(page, "kind", "envelope")
    choose(page, "axis", "order")
    choose(page, "tone", "1")
    assert abs(at(page, "harmonic") / REAL_ORDER - 1) < 0.004 < abs(TONE_ORDER / REAL_ORDER - 1)
    # The fifth multiple of the kinematic order would miss its line by ten cells.
    assert float(read_out(page, 4, 2)) > 50.0
    assert [read_out(page, n, 0, "sidebands") for n in (3, 4, 5)] == ["−1", "carrier", "+1"]
    carrier = at(page, "carrier")
    page.execute_script(VIEW + "v.zoom(0, 20)")
    handle = page.find_element(By.CSS_SELECTOR, ".handle.spacing")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", handle)
    per_pixel = wait_for(lambda: page.execute_script(VIEW + "return v.x.end < 21 && 20 / v.width"))
    actions = ActionChains(page, duration=40)
    actions.click_and_hold(handle).move_by_offset(15, 0).move_by_offset(15, 0).release().perform()
    spacing = at(page, "spacing")
    assert spacing == pytest.approx(1.0 + 30 * per_pixel, abs=2 * per_pixel)
    assert at(page, "carrier") == carrier
    row = next(n for n in range(8) if read_out(page, n, 0, "sidebands") == "+1")
    assert float(read_out(page, row, 1, "sidebands")) == pytest.approx(carrier + spacing, abs=STEP_ORDER)
    quiet_and_offline(page)


def test_the_picture_of_levels_follows_the_list(page: Any) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.support.ui import Select

    section = page.find_element(By.CSS_SELECTOR, "[data-trend]")
    assert "Growing: +12.0 dB" in section.find_element(By.CLASS_NAME, "words").text
    assert len(section.find_elements(By.CSS_SELECTOR, ".limits tbody tr")) == 5
    field = Select(section.find_element(By.TAG_NAME, "select"))
    hostile = next(option for option in field.options if "acceleration r.m.s." in option.text.lower())
    field.select_by_value(hostile.get_attribute("value") or "")
    assert section.find_element(By.CLASS_NAME, "words").text == "No limits are set for this series."
    assert section.find_elements(By.CSS_SELECTOR, "img, b") == []
    page.find_element(By.CSS_SELECTOR, "button[data-series='0']").click()
    assert "Growing" in section.find_element(By.CLASS_NAME, "words").text
    quiet_and_offline(page)


def test_a_narrow_screen_needs_no_sideways_scrolling(page: Any) -> None:
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 390, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    )
    try:
        wide = "return document.documentElement.scrollWidth"
        wait_for(lambda: page.execute_script(wide) <= 390)
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert TAG in page.title
