"""The page in a real browser, from a file, with the network off."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.report.browsing import fresh, wait_for
from vibe.core.drive_report import DriveReport
from vibe.report.pages.drive_page import write_drive


@pytest.fixture(scope="module")
def browser(offline_browser: Any) -> Any:
    return fresh(offline_browser, width=1100)


def test_page_zooms_and_hovers_offline(tmp_path: Path, damaged: DriveReport, browser: Any) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.by import By

    files = write_drive(damaged, tmp_path, force=False, pdf=False)
    browser.get(files.html.as_uri())
    figure = browser.find_element(By.CSS_SELECTOR, "figure[data-live]")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", figure)
    wait_for(lambda: figure.get_attribute("data-started") == "done")
    assert not figure.find_element(By.TAG_NAME, "img").is_displayed()
    view = "const v = Bokeh.index.get_by_id(JSON.parse(arguments[0].querySelector('script').textContent).root_id);"
    canvas = wait_for(
        lambda: browser.execute_script(view + "return v && v.frame.bbox.width > 100 && v.canvas_view.el", figure)
    )

    # The canvas is not blank: some of its pixels have the line's blue.
    blue = browser.execute_script(
        view + "const c = v.canvas_view.primary.canvas; const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; let n = 0;"
        "for (let i = 0; i < d.length; i += 4) if (d[i] < 60 && d[i + 2] > 140 && d[i + 3] > 100) n++; return n",
        figure,
    )  # fmt: skip
    assert blue > 200

    span = view + "const r = v.model.x_range; return r.end - r.start"
    before = browser.execute_script(span, figure)
    box = browser.execute_script(view + "const b = v.frame.bbox; return [b.left, b.top, b.width, b.height]", figure)
    left, top, width, height = box
    middle = (int(left + width / 2 - canvas.size["width"] / 2), int(top + height / 2 - canvas.size["height"] / 2))
    step = int(width / 6)
    actions = ActionChains(browser, duration=40)
    actions.move_to_element_with_offset(canvas, middle[0] - step, middle[1]).click_and_hold()
    actions.move_by_offset(step, 5).move_by_offset(step, 5).release().perform()
    after = wait_for(lambda: (s := browser.execute_script(span, figure)) < 0.6 * before and s)
    assert after == pytest.approx(before / 3, rel=0.1)

    ActionChains(browser, duration=40).move_to_element_with_offset(canvas, *middle).move_by_offset(3, 3).perform()
    shown = (
        "const found = []; const walk = (root) => { for (const e of root.querySelectorAll('*')) {"
        "if (e.className === 'bk-Tooltip' || e.classList.contains('bk-tooltip-row-label')) found.push(e.textContent);"
        "if (e.shadowRoot) walk(e.shadowRoot); } }; walk(document); return found.join(' ')"
    )
    assert "Order of the input" in wait_for(lambda: browser.execute_script(shown))

    messages = [m for m in browser.get_log("browser") if m["level"] in ("SEVERE", "WARNING")]
    assert messages == []
    asked = [
        entry["message"]
        for entry in browser.get_log("performance")
        if '"Network.requestWillBeSent"' in entry["message"]
    ]
    assert asked
    assert not any('"url":"http' in message or '"url":"ws' in message for message in asked)


def test_print_and_scriptless_readers_get_the_still_picture(tmp_path: Path, sound: DriveReport, browser: Any) -> None:
    from selenium.webdriver.common.by import By

    files = write_drive(sound, tmp_path, force=False, pdf=False)
    browser.get(files.html.as_uri())
    figure = browser.find_element(By.CSS_SELECTOR, "figure[data-live]")
    browser.execute_script("arguments[0].scrollIntoView()", figure)
    wait_for(lambda: figure.get_attribute("data-started") == "done")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert figure.find_element(By.TAG_NAME, "img").is_displayed()
        assert not figure.find_element(By.CLASS_NAME, "live").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})

    for script in (tmp_path / "assets").glob("*.js"):
        script.unlink()
    browser.get(files.html.as_uri())
    assert browser.find_element(By.CSS_SELECTOR, "figure[data-live] img").is_displayed()
