"""The sheet for a phone, in a browser without a network: typed, ticked, reloaded, saved, and fed to a run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.calls import DRIVE, Vibe
from tests.report.browsing import fresh, wait_for

ROUTE = """title = "Small, walk"
drives = ["drive.toml", "other.toml"]
[[stop]]
drive = "T-1"
formerly = ["OLD"]
where = "Zulaufhebewerksuntergeschossrohrkellerzwischenpodest/7, <b>behind</b> the gate"
captures = 2
[[stop.point]]
name = "output side radial"
place = "Stud on the flange"
[[stop.point]]
name = "input_side_with_a_name_that_does_not_end_soon_enough_for_the_page_of_a_phone"
out_of_use = "cable cut"
[[stop]]
drive = "T-2"
captures = 9
[[stop.point]]
name = "output side radial"
"""


@pytest.fixture(scope="module")
def chrome(offline_browser: Any) -> Any:
    return fresh(offline_browser, width=390)


@pytest.fixture
def phone(chrome: Any, vibe: Vibe, fit: Path, tmp_path: Path) -> Path:
    """A plant of two drives with one capture, its plan, and the sheet open in a phone's browser."""
    (tmp_path / "drive.toml").write_text(DRIVE, encoding="utf-8")
    (tmp_path / "other.toml").write_text(DRIVE.replace("T-1", "T-2"), encoding="utf-8")
    (tmp_path / "walk.toml").write_text(ROUTE, encoding="utf-8")
    answer = vibe("plan", tmp_path / "walk.toml", "--out", tmp_path / "plan", "--no-pdf")
    assert answer.status == 0, answer.err
    chrome.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    )
    chrome.execute_cdp_cmd(
        "Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path / "downloads")}
    )
    page = tmp_path / "plan" / "phone.html"
    chrome.get(page.as_uri())
    return page


def tap(chrome: Any, place: str) -> None:
    one = chrome.find_element("css selector", place)
    chrome.execute_script("arguments[0].scrollIntoView({block: 'center'});", one)
    one.click()


def typed(chrome: Any, field: str, text: str) -> None:
    one = chrome.find_element("id", field)
    chrome.execute_script("for (const fold of document.querySelectorAll('details')) fold.open = true;")
    one.clear()
    one.send_keys(text)


def state(chrome: Any) -> tuple[list[str], list[bool]]:
    return tuple(
        chrome.execute_script(
            "return [[...document.querySelectorAll('[data-column], #by')].map(one => one.value),"
            "[...document.querySelectorAll('input[type=checkbox]')].map(one => one.checked)]"
        )
    )


def test_what_is_typed_survives_a_reload_and_a_run_reads_it(
    chrome: Any, phone: Path, vibe: Vibe, fit: Path, tmp_path: Path
) -> None:
    tap(chrome, "[id='t1.1.1']")
    typed(chrome, "r1.speed_rpm", "1455,5")
    typed(chrome, "r1.load_percent", "80")
    typed(chrome, "r1.oil_temperature_c", "54")
    typed(chrome, "r1.note", '=cmd "hot", new\ngrease')
    typed(chrome, "r2.speed_rpm", "145o")
    typed(chrome, "by", "Å. Ö")
    tap(chrome, "[id='r1.direction'] option:nth-child(2)")
    assert chrome.find_element("id", "m2.speed_rpm").text.endswith("This is not a number.")
    typed(chrome, "r2.speed_rpm", "14")
    assert "1430 to 1500" in chrome.find_element("id", "m2.speed_rpm").text
    typed(chrome, "r2.speed_rpm", "1460")
    assert chrome.find_element("id", "m2.speed_rpm").text == ""
    before = state(chrome)
    assert sum(before[1]) == 1
    chrome.refresh()
    assert state(chrome) == before
    assert "1 of 11 captures ticked, speed read at 2 of 2" in chrome.find_element("id", "count").text
    tap(chrome, "#save")
    saved = tmp_path / "downloads" / "readings.csv"
    wait_for(saved.is_file)
    assert "Saved" in chrome.find_element("id", "count").text
    text = saved.read_text(encoding="utf-8")
    assert "by Å. Ö" in text.splitlines()[1]
    assert "output side radial" in text

    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "T-1.h5").write_bytes(fit.read_bytes())
    (tmp_path / "round.toml").write_text(
        'kind = "route"\ntitle = "R"\nroute = "walk.toml"\ncaptures = "captures"\npdf = false\n', encoding="utf-8"
    )
    answer = vibe("run", tmp_path / "round.toml", "--readings", saved, "--out", tmp_path / "out", "--workers", 1)
    assert answer.status == 0, answer.err
    report = json.loads((tmp_path / "out" / "T-1" / "health.json").read_text(encoding="utf-8"))
    remarks = " ".join(report["captures"][0]["remarks"])
    assert "oil 54 °C" in remarks
    assert "input turns clockwise" in remarks
    assert '=cmd "hot", new grease' in remarks

    tap(chrome, "#clear")
    assert state(chrome) == before  # one tap is no decision
    tap(chrome, "#clear")
    typed_there, ticked = state(chrome)
    assert not any(typed_there)
    assert not any(ticked)


def test_it_works_where_the_browser_keeps_nothing(chrome: Any, phone: Path) -> None:
    refuse = "Storage.prototype.setItem = () => { throw new DOMException('no', 'SecurityError'); };"
    script = chrome.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": refuse})
    try:
        chrome.get(phone.as_uri())
        assert chrome.find_element("id", "refused").is_displayed()
        typed(chrome, "r1.speed_rpm", "1455")
        chrome.execute_script("document.getElementById('as-text').open = true;")
        wait_for(lambda: ",1455," in chrome.find_element("id", "text").get_property("value"))
        assert [line for line in chrome.get_log("browser") if line["level"] == "SEVERE"] == []
    finally:
        chrome.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": script["identifier"]})
        chrome.execute_script("addEventListener('beforeunload', event => event.stopImmediatePropagation(), true);")


@pytest.mark.parametrize("width", [390, 1000])
def test_it_can_be_tapped_with_a_thumb_and_read_by_all(chrome: Any, phone: Path, width: int) -> None:
    axe = pytest.importorskip("axe_selenium_python", reason="needs axe-selenium-python").Axe(chrome)
    chrome.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    )
    chrome.execute_script("for (const fold of document.querySelectorAll('details')) fold.open = true;")
    wide, room = chrome.execute_script("return [document.documentElement.scrollWidth, innerWidth];")
    assert wide <= room
    small = chrome.execute_script(
        "return [...document.querySelectorAll('a, button, input, select, textarea, summary')].filter(one => {"
        "const box = one.getBoundingClientRect(); return box.width < 44 || box.height < 44; })"
        ".map(one => one.outerHTML)"
    )
    assert small == []
    clipped = chrome.execute_script(
        "return [...document.querySelectorAll('body *:not(.hidden):not(textarea):not(input)')].filter(one =>"
        "one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).display !== 'inline').map(one => one.outerHTML)"
    )
    assert clipped == []
    axe.inject()
    found = axe.run()["violations"]
    assert [(one["id"], one["impact"]) for one in found if one["impact"] in ("serious", "critical")] == []
