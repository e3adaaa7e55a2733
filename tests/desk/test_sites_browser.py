"""Several sites in one list, and a capture that comes while somebody looks, in a real browser."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.desk.browsing_desk import Served, all_of, find, forgotten, opened, settled, soon, texts
from vibe.core.records.history import Decision
from vibe.flow.cases.decide import DecisionDraft, record_decision
from vibe.history.store.store import Store


@pytest.fixture
def two_sites(judged_store: Path, tmp_path: Path) -> Iterator[Served]:
    """Two works with drives of the same tags and cases of the same numbers."""
    stores = [Path(shutil.copytree(judged_store, tmp_path / name)) for name in ("Northfield", "Southbank")]
    one = Served(*stores)
    yield one
    one.end()


def decisions(served: Served, site: str) -> list[Decision]:
    with Store.open(served.desk.sites.store(site).folder) as store:
        return list(store.decisions())


def decide(chrome: Any, because: str) -> None:
    find(chrome, "[name=as][value=confirmed]").click()
    find(chrome, "[name=because]").send_keys(because)
    find(chrome, "[data-decide-form] [data-records]").click()


def test_each_site_gets_what_is_decided_about_its_drives(chrome: Any, two_sites: Served) -> None:
    opened(chrome, two_sites)
    both = [["SP-01", "Northfield"], ["SP-01", "Southbank"], ["SP-02", "Northfield"], ["SP-02", "Southbank"]]

    def pairs() -> list[list[str]]:
        said = "return [...document.querySelectorAll('.cases tbody tr')].map((row) => "
        return sorted(
            chrome.execute_script(said + "['.drive a', '.c-s'].map((one) => row.querySelector(one).innerText))")
        )

    assert pairs() == both
    assert find(chrome, ".fresh").text.startswith("6 drives, 2 sites")
    assert texts(chrome, "fieldset:has([name=site]) small") == ["measured yesterday"] * 2
    # The filter of one site narrows the list, says what it hides, and counts the other all the same.
    find(chrome, "[name=site][value=Southbank]").click()
    soon(lambda: pairs() == both[1::2])
    assert "site=Southbank" in chrome.current_url
    assert "1 case in state act is hidden by this filter" in find(chrome, ".warn").text
    assert [one.replace("\n", " ").split()[-1] for one in texts(chrome, "fieldset:has([name=site]) label")] == [
        "2",
        "2",
    ]
    for site, others in (("Southbank", "Northfield"), ("Northfield", "Southbank")):
        before = len(decisions(two_sites, others))
        chrome.get(f"{two_sites.address}/?site={site}&q=SP-02")
        find(chrome, ".cases .drive a").click()
        soon(lambda site=site: f"/case/{site}/" in chrome.current_url)
        decide(chrome, f"Seen at {site}.")
        soon(lambda: all_of(chrome, ".toast") and "Recorded: SP-02, confirmed" in find(chrome, ".toast").text)
        assert [one.because for one in decisions(two_sites, site)] == [f"Seen at {site}."]
        assert len(decisions(two_sites, others)) == before
    # Both are in work now, each at its own site; what was not decided is where it was.
    chrome.get(f"{two_sites.address}/?list=work")
    assert pairs() == both[2:]
    chrome.get(f"{two_sites.address}/")
    assert pairs() == both[:2]
    settled(chrome)


def test_a_case_that_somebody_else_decided_at_one_site_is_free_at_the_other(chrome: Any, two_sites: Served) -> None:
    sites = two_sites.desk.sites
    rows = {row.site: row for row in sites.rows() if row.drive == "SP-02"}
    assert rows["Northfield"].id == rows["Southbank"].id
    opened(chrome, two_sites)
    pages = {site: f"{two_sites.address}/case/{site}/{row.id}" for site, row in rows.items()}
    chrome.get(pages["Southbank"])
    due = find(chrome, "[name=due]").get_attribute("value")
    with Store.open(sites.store("Southbank").folder) as store:
        row = rows["Southbank"]
        draft = DecisionDraft(
            verdict="confirmed", because="On order.", by="P. Quint", owner="P. Quint", due=due, seen=row.seen
        )
        assert record_decision(store, row, sites.detail(row), draft).recorded is not None
    decide(chrome, "Mine.")
    soon(lambda: all_of(chrome, ".clash"))
    assert "P. Quint decided meanwhile" in find(chrome, ".clash").text
    assert [one.because for one in decisions(two_sites, "Southbank")] == ["On order."]
    chrome.get(pages["Northfield"])
    decide(chrome, "Mine.")
    soon(lambda: all_of(chrome, ".toast") and "Recorded" in find(chrome, ".toast").text)
    assert [one.because for one in decisions(two_sites, "Northfield")] == ["Mine."]
    assert [one.because for one in decisions(two_sites, "Southbank")] == ["On order."]


@pytest.mark.slow
def test_a_capture_that_comes_shows_up_on_a_page_that_is_open(
    chrome: Any, own_store: Path, repository: Path, tmp_path: Path
) -> None:
    """The command as its users start it; the page asks by itself, and moves when its reader wants it to."""
    import time

    folder = tmp_path / "in"
    folder.mkdir()
    with Store.open(own_store) as store:
        store.put_drive("TH-02", (repository / "configs/drives/thickener_rake_south.toml").read_text(), "thickener")
    call = [sys.executable, "-m", "vibe", "desk", "--store", str(own_store), "--inbox", str(folder), "--by", "M. Arden"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as desk:
        try:
            assert desk.stdout is not None
            forgotten(chrome)
            chrome.get(desk.stdout.readline().strip())
            until = time.monotonic() + 60
            while texts(chrome, ".cases .drive a") != ["SP-01", "SP-02"] and time.monotonic() < until:
                time.sleep(0.2)  # a page that waits for the first judgement loads itself
            shutil.copy(repository / "sample_signals/TH-02_thickener_rake_south.h5", folder / "new.h5")
            until = time.monotonic() + 90
            while not all_of(chrome, "#notices [data-newer]") and time.monotonic() < until:
                time.sleep(0.2)
            assert "1 capture arrived; 1 case changed" in find(chrome, "#notices").text
            assert texts(chrome, ".cases .drive a") == ["SP-01", "SP-02"]  # nothing moves under a reader's eyes
            find(chrome, "#notices [data-newer]").click()
            soon(lambda: "TH-02" in texts(chrome, ".cases .drive a"))
            chrome.get(chrome.current_url.split("/?")[0].rstrip("/") + "/inbox")
            assert "new.h5" in find(chrome, "main").text
            settled(chrome)
        finally:
            desk.terminate()
            desk.wait(20)
