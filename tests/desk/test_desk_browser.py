"""A morning's work in a real browser: filter, read, compare, decide, take back; two at once; a desk that is gone."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.desk.browsing_desk import Served, all_of, find, opened, press, settled, soon, texts
from vibe.history.store.store import Store


@pytest.fixture
def served(judged_store: Path, tmp_path: Path) -> Iterator[Served]:
    one = Served(Path(shutil.copytree(judged_store, tmp_path / "Northfield")))
    yield one
    one.end()


def test_a_morning_with_the_keyboard_alone(chrome: Any, served: Served) -> None:
    from selenium.webdriver.common.keys import Keys as Key

    opened(chrome, served)
    assert texts(chrome, ".cases .drive a") == ["SP-01", "SP-02"]
    # Search narrows the list, says what it hides, and stands in the address.
    press(chrome, "/", "SP-02")
    soon(lambda: texts(chrome, ".cases .drive a") == ["SP-02"])
    assert chrome.current_url.endswith("/?q=SP-02")
    assert "1 case in state act is hidden by this filter" in find(chrome, ".warn").text
    press(chrome, Key.ESCAPE)
    find(chrome, "#clear").click()
    soon(lambda: len(texts(chrome, ".cases .drive a")) == 2)
    # The cursor moves, the strip follows, and the address keeps the place.
    press(chrome, "j")
    soon(lambda: find(chrome, "#strip h2").text.startswith("SP-02"))
    assert "at=Northfield" in chrome.current_url
    press(chrome, "k")
    soon(lambda: find(chrome, "#strip h2").text.startswith("SP-01"))
    press(chrome, "d")
    soon(lambda: "/case/Northfield/" in chrome.current_url)
    # Deciding: the cursor is in the panel; a reason is asked for, and no word is lost.
    soon(lambda: chrome.switch_to.active_element.get_attribute("name") == "as")
    press(chrome, " ")
    find(chrome, "[name=owner]").clear()
    find(chrome, "[name=owner]").send_keys("J. Sole")
    find(chrome, "[name=owner]").send_keys(Key.CONTROL, Key.ENTER)
    soon(lambda: "Say why" in find(chrome, ".panel").text)
    assert chrome.switch_to.active_element.get_attribute("name") == "because"
    assert find(chrome, "[name=owner]").get_attribute("value") == "J. Sole"
    press(chrome, "Harmonics of the lobe.")
    chrome.get_log("browser")  # the refusal is an answer of status 422, which the browser notes
    find(chrome, "[name=because]").send_keys(Key.CONTROL, Key.ENTER)
    soon(lambda: all_of(chrome, ".toast button"))
    assert "Recorded: SP-01, confirmed, J. Sole, due" in find(chrome, ".toast").text
    soon(lambda: "In work, with J. Sole" in find(chrome, ".pairs").text)
    # Taken back: both stay on record.
    press(chrome, "u")
    soon(lambda: all_of(chrome, ".toast") and "Taken back" in find(chrome, ".toast").text)
    assert "New" in find(chrome, ".pairs").text
    assert "(taken back" in find(chrome, "#record").text
    press(chrome, Key.ESCAPE)
    soon(lambda: chrome.current_url.rstrip("/") == served.address)
    settled(chrome)


def test_pictures_are_drawn_from_stored_samples_and_read_by_a_cursor(chrome: Any, served: Served) -> None:
    from selenium.webdriver.common.keys import Keys as Key

    opened(chrome, served)
    row = served.desk.sites.rows()[0]
    chrome.get(f"{served.address}/case/Northfield/{row.id}")
    find(chrome, "#spectra").location_once_scrolled_into_view  # noqa: B018 - scrolls
    soon(lambda: all_of(chrome, "#spectrum-plot svg polyline"))
    soon(lambda: all_of(chrome, ".lines tbody tr"))
    # The lobe strikes 18/17 times a turn: its line stands far over what lies next to it, in A as in B.
    first = find(chrome, ".lines tbody tr").text.split()
    assert first[0] == "1×"
    assert float(first[1]) == pytest.approx(18 / 17, abs=2e-3)
    assert float(first[2]) > 10
    # The cursor moves by keys; Hz and order agree.
    find(chrome, "#spectrum-plot svg").send_keys(Key.ARROW_RIGHT)
    soon(lambda: float(find(chrome, "#f0").get_attribute("value")) > 18 / 17 + 1e-4)
    chrome.execute_script("document.querySelector('[name=axis][value=Hz]').click()")
    soon(lambda: float(find(chrome, "#f0").get_attribute("value")) > 20)
    for kind in ("acceleration", "velocity", "waveform"):
        chrome.execute_script(f"document.querySelector('[name=kind][value={kind}]').click()")
        soon(lambda kind=kind: kind in (chrome.execute_script(LABEL) or ""))
    chrome.execute_script("document.querySelector('#trend').scrollIntoView()")
    soon(lambda: all_of(chrome, "#trend-plot svg circle"))
    assert "m/s²" in find(chrome, "#trend-read").text
    settled(chrome)
    # Every picture is saved as it stands, and its numbers.
    chrome.execute_script(
        "window.saved = {}; give = async (name, blob) => { saved[name.split('.').pop()] = "
        "[name, blob.size, blob.type === 'image/png' ? '' : await blob.text()]; };"
    )
    for kind in ("svg", "png", "csv"):
        find(chrome, f"[data-of=trend][data-save={kind}]").click()
        soon(lambda kind=kind: chrome.execute_script("return saved[arguments[0]]", kind))
    saved = chrome.execute_script("return saved")
    assert all(name.startswith(row.drives[0]) and f"_trend.{kind}" in name for kind, (name, _, _) in saved.items())
    assert saved["svg"][2].startswith("<svg")
    assert saved["png"][1] > 4000
    lines = saved["csv"][2].splitlines()
    with Store.open(served.desk.sites.stores[0].folder) as store:
        assert len(lines) > len(store.captures(row.drives[0])) // 2
    assert "m/s²" in lines[0]


def test_a_band_is_dragged_and_played_and_another_drive_laid_over(chrome: Any, served: Served) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.keys import Keys as Key

    opened(chrome, served)
    row = max(served.desk.sites.rows(), key=lambda row: row.urgency)
    chrome.get(f"{served.address}/case/Northfield/{row.id}")
    find(chrome, "#spectra").location_once_scrolled_into_view  # noqa: B018 - scrolls
    lines = "#spectrum-plot svg polyline"
    soon(lambda: len(all_of(chrome, lines)) == 2)  # A and B
    for name, value in (("axis", "Hz"), ("kind", "acceleration")):
        chrome.execute_script(f"document.querySelector('[name={name}][value={value}]').click()")
    soon(
        lambda: (
            "acceleration" in (chrome.execute_script(LABEL) or "")
            and float(find(chrome, "#to").get_attribute("value")) > 3000
        )
    )
    # With Shift a band is chosen: it is marked, played, and taken for the envelope.
    plot = find(chrome, "#spectrum-plot svg")
    ActionChains(chrome).key_down(Key.SHIFT).move_to_element(plot).click_and_hold().move_by_offset(
        90, 0
    ).release().key_up(Key.SHIFT).perform()
    soon(lambda: find(chrome, "#band-hi").get_attribute("value"))
    low, high = (float(find(chrome, f"#band-{end}").get_attribute("value")) for end in ("lo", "hi"))
    assert 1400 < low < 1800 < high < 2800  # the middle of the picture and 90 pixels more: the ringing at 1800 Hz
    soon(lambda: all_of(chrome, "#spectrum-plot svg rect[stroke-dasharray]"))
    find(chrome, "#listen").click()
    soon(lambda: (find(chrome, "#sound").get_attribute("src") or "").startswith("blob:"))
    for name, value in (("kind", "envelope"), ("axis", "order")):
        chrome.execute_script(f"document.querySelector('[name={name}][value={value}]').click()")
    soon(lambda: "envelope" in chrome.execute_script(LABEL) and texts(chrome, ".lines tbody th")[:1] == ["1×"])
    soon(lambda: float(texts(chrome, ".lines tbody td")[0]) == pytest.approx(18 / 17, abs=2e-3))
    # Sidebands of the cursor, and a capture of another drive over A and B.
    assert not all_of(chrome, SIDE)
    find(chrome, "#side").click()
    soon(lambda: all_of(chrome, SIDE))
    other = find(chrome, "#other")
    other.clear()
    other.send_keys("SP-02", Key.TAB)
    soon(lambda: any("SP-02" in text for text in texts(chrome, "#cap-c option")))
    chrome.execute_script(
        "const c = document.querySelector('#cap-c'); c.selectedIndex = 1; c.dispatchEvent(new Event('change'))"
    )
    soon(lambda: len(all_of(chrome, lines)) == 3)
    settled(chrome)


def test_the_first_list_appears_by_itself(chrome: Any, judged_store: Path, tmp_path: Path) -> None:
    served = Served(Path(shutil.copytree(judged_store, tmp_path / "Northfield")), judged=False)
    try:
        opened(chrome, served)
        assert "The drives are being judged" in find(chrome, "main").text
        served.desk.sites.refresh()
        soon(lambda: find(chrome, "tr[data-key]"))
    finally:
        served.end()


def test_two_people_and_a_desk_that_is_gone(chrome: Any, served: Served) -> None:
    from vibe.flow.cases.decide import DecisionDraft, record_decision

    opened(chrome, served)
    row = next(row for row in served.desk.sites.rows() if row.severity == "moderate")
    chrome.get(f"{served.address}/case/Northfield/{row.id}")
    due = find(chrome, "[name=due]").get_attribute("value")
    with Store.open(served.desk.sites.stores[0].folder) as store:
        draft = DecisionDraft(
            verdict="confirmed", because="On order.", by="P. Quint", owner="P. Quint", due=due, seen=row.seen
        )
        assert record_decision(store, row, served.desk.sites.detail(row), draft).recorded is not None
    chrome.execute_script("document.querySelector('[name=as][value=recheck]').click()")
    find(chrome, "[name=because]").send_keys("Measure once more.")
    find(chrome, "[data-decide-form] [data-records]").click()
    soon(lambda: all_of(chrome, ".clash"))
    assert "P. Quint decided meanwhile" in find(chrome, ".clash").text
    assert find(chrome, "[name=because]").get_attribute("value") == "Measure once more."
    chrome.get_log("browser")
    find(chrome, ".clash button").click()
    soon(lambda: all_of(chrome, ".toast") and "measure again" in find(chrome, ".toast").text)
    # A line that somebody typed when the desk is ended is still there, and recording is not offered.
    find(chrome, "[name=because]").send_keys("Half a sentence")
    served.end()
    chrome.execute_script("poll(); setTimeout(poll, 50)")
    soon(lambda: all_of(chrome, ".notice.gone"))
    assert "has not answered since" in find(chrome, ".notice.gone").text
    assert find(chrome, "[name=because]").get_attribute("value") == "Half a sentence"
    assert not find(chrome, "[data-decide-form] [data-records]").is_enabled()


def test_chosen_files_are_looked_at_and_then_taken_in(
    chrome: Any, served: Served, tmp_path: Path, repository: Path
) -> None:
    drive = repository / "configs" / "drives" / "screen_conveyor.toml"
    events = tmp_path / "done.toml"
    events.write_text(
        '[[event]]\ndrive = "SP-01"\nat = 2026-01-05T09:00:00+01:00\nkind = "grease"\nnote = "<b>dark</b>"\n'
    )
    opened(chrome, served)
    chrome.get(f"{served.address}/import")
    find(chrome, "[type=file]").send_keys(f"{drive}\n{events}")
    assert "2 files" in find(chrome, "[data-chosen]").text
    find(chrome, "[data-records]").click()
    soon(lambda: "/import/" in chrome.current_url and all_of(chrome, "table"))
    assert "SC-01" in chrome.page_source
    with Store.open(served.desk.sites.stores[0].folder) as store:
        assert store.drive_toml("SC-01") is None
        assert not store.events("SP-01")
    find(chrome, "form[action$=take] button").click()
    soon(lambda: "taken" in find(chrome, "h1").text.lower())
    with Store.open(served.desk.sites.stores[0].folder) as store:
        assert store.drive_toml("SC-01") is not None
        assert [event.note for event in store.events("SP-01")] == ["<b>dark</b>"]
    settled(chrome)


WIDTHS = (1400, 390)
SIDE = "#spectrum-plot svg path[stroke='#005c43']"
LABEL = "return document.querySelector('#spectrum-plot svg')?.getAttribute('aria-label')"


@pytest.mark.parametrize("width", WIDTHS)
def test_pages_fit_their_width_and_say_what_they_are(chrome: Any, served: Served, width: int) -> None:
    from axe_selenium_python import Axe

    opened(chrome, served)
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        row = served.desk.sites.rows()[0]
        for path in ("/", f"/case/Northfield/{row.id}", "/drive?site=Northfield&tag=SP-01"):
            chrome.get(served.address + path)
            if "case" in path:
                soon(lambda: all_of(chrome, "#trend-plot svg"))
            assert chrome.execute_script("return document.documentElement.scrollWidth - innerWidth") <= 0, path
            axe = Axe(chrome)
            axe.inject()
            found = axe.run()["violations"]
            grave = [
                (one["id"], [node["target"] for node in one["nodes"]])
                for one in found
                if one["impact"] in ("serious", "critical")
            ]
            assert grave == [], path
    finally:
        chrome.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.slow
@pytest.mark.parametrize("width", [1400, 1000, 390])
def test_every_screen_fits_and_is_accessible(chrome: Any, served: Served, width: int) -> None:
    from axe_selenium_python import Axe

    opened(chrome, served)
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        paths = (
            "/?list=all",
            "/?list=waiting",
            "/since",
            "/drive",
            "/import",
            "/inbox",
            "/rules",
            "/case/x/y",
            "/?q=none",
        )
        for path in paths:
            chrome.get(served.address + path)
            assert chrome.execute_script("return document.documentElement.scrollWidth - innerWidth") <= 0, path
            axe = Axe(chrome)
            axe.inject()
            assert [one["id"] for one in axe.run()["violations"] if one["impact"] != "minor"] == [], path
    finally:
        chrome.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
