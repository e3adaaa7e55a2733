"""What the screens of a desk say: lists and counts, drives, two dates, files that are dropped, pages on a disk."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from tests.desk.sites_of_desk import ADDRESS, Browser, decision, desk_of
from tests.report.poison import EVIL
from vibe.core.records.case_row import LISTS, CaseRow
from vibe.desk import rendering, words
from vibe.desk.today import AskedList, asked, view_of
from vibe.desk.words import case_address
from vibe.history.store.store import Store


@pytest.fixture(scope="module")
def many(looker: Browser) -> list[CaseRow]:
    """Rows of three sites whose truth is in their numbers."""
    one = looker.desk.sites.rows()[0]
    return [
        replace(
            one, id=f"c{i}", drives=(f"D-{i:03}",), name="Screw press" if i % 2 else "Clarifier", urgency=float(i % 97),
            site=("North", "Quay", "Dam")[i % 3], state="act" if i % 97 >= 50 else "watch",
            list=tuple(LISTS)[i % 5], owner="J. Sole" if i % 7 == 0 else "", kind="fault" if i % 4 else "sensor",
        )
        for i in range(600)
    ]  # fmt: skip


def test_every_open_case_is_on_exactly_one_list(many: list[CaseRow]) -> None:
    lists = {one.name: one for one in view_of(many, AskedList()).lists}
    assert sum(lists[name].count for name in LISTS) == lists["all"].count == 600
    assert sum(lists[name].act for name in LISTS) == lists["all"].act == sum(row.state == "act" for row in many)


def test_filters_are_or_within_and_between_them_and_leave_their_own_counts_alone(many: list[CaseRow]) -> None:
    wanted = asked([("list", "all"), ("site", "North"), ("site", "Quay"), ("kind", "sensor"), ("q", "CLARIFIER d-0")])
    view = view_of(many, wanted)
    found = [
        row for row in many
        if row.site in ("North", "Quay") and row.kind == "sensor" and row.name == "Clarifier" and "D-0" in row.drive
    ]  # fmt: skip
    assert sorted(row.id for row in view.found) == sorted(row.id for row in found)
    assert found
    counts = {one.value: one.count for one in view.facets["site"]}
    assert counts["Dam"] == sum(row.site == "Dam" and row.kind == "sensor" and "D-0" in row.drive for row in many)
    act = sum(row.state == "act" for row in many)
    assert view.hidden_act == act - sum(row.state == "act" for row in found)


def test_pages_follow_urgency_and_the_address_keeps_the_view(many: list[CaseRow]) -> None:
    seen = []
    for page in (1, 2, 3, 4, 5, 6, 99):
        view = view_of(many, AskedList(list="all", page=page))
        seen += [row.id for row in view.rows] if page < 7 else []
        assert view.asked.page == min(page, 6)
    assert len(set(seen)) == 600
    order = {row.id: row.urgency for row in many}
    assert [order[name] for name in seen] == sorted(order.values(), reverse=True)
    wanted = asked([("list", "work"), ("site", "A & B"), ("q", "x  y"), ("sort", "due"), ("page", "3")])
    from urllib.parse import parse_qsl

    assert asked(parse_qsl(wanted.address().partition("?")[2])) == wanted


def test_what_is_due_is_said_once_and_is_no_later_than_the_report_of_a_drive_in_state_act(looker: Browser) -> None:
    rows = {row.drive: row for row in looker.desk.sites.rows() if row.kind == "fault"}
    worst = rows["SP-01"]
    measured = datetime.fromisoformat(worst.measured)
    assert (worst.state, worst.due_is) == ("act", "")
    assert date.fromisoformat(worst.due) == (measured + timedelta(days=2)).date()
    page = looker.get(case_address(worst)).text
    assert f"<small>by {words.day(worst.due)}</small>" in page
    # Where nobody decided and nothing presses, the date is that of another measurement, and the page says so.
    strip = rendering.environment().get_template("strip.html.j2")
    for due_is, said in (("", "By"), ("measure again", "Measure again by")):
        shown = strip.render(row=replace(worst, due_is=due_is), read_only=True)
        assert f'<span class="soft">{said} {words.day(worst.due)}.</span>' in shown


@pytest.mark.parametrize(
    ("hours", "said"), [(0.1, "today"), (9, "today"), (11, "yesterday"), (33, "yesterday"), (35, "2 days ago")]
)
def test_days_that_have_passed_are_those_of_the_calendar(hours: float, said: str) -> None:
    now = datetime(2026, 3, 9, 10, 0).astimezone()
    assert words.age((now - timedelta(hours=hours)).isoformat(), now) == said


@pytest.mark.parametrize(
    "query", ["list=nowhere", "page=-1", "page=x", "page=99999999999", "sort=drop", "at=%00", "q=%ff"]
)
def test_an_address_that_makes_no_sense_is_a_list_all_the_same(looker: Browser, query: str) -> None:
    answer = looker.get(f"/?{query}")
    assert answer.status_code == 200
    assert "SP-01" in answer.text or "No case with this filter" in answer.text


def test_today_works_without_scripts(looker: Browser) -> None:
    page = looker.get("/").text
    assert page.index("SP-01") < page.index("SP-02")
    assert re.search(r'<a href="/case/Northfield/[a-z0-9-]+"', page)
    assert '<form method="get" action="/" data-facets>' in page
    assert "style=" not in page
    assert not re.search(r"<script(?! src=)", page)
    csv = looker.get("/cases.csv?list=all")
    assert csv.text.startswith("site,id,drives")
    assert csv.text.count("\n") == 3


def ran_in(page: str) -> list[str]:
    """What of a page could do something that is not ours: elements and attributes, as a browser reads them."""
    found: list[str] = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            names = dict(attrs)
            wrong = [name for name in names if name.startswith("on") or name == "style"]
            if wrong or tag in ("img", "iframe", "style") or (tag == "script" and "src" not in names):
                found.append(f"<{tag} {' '.join(names)}>")
            found.extend(
                value for name, value in attrs
                if value and name in ("href", "src", "action") and not value.startswith(("/", "#", "static/"))
            )  # fmt: skip

    Reader().feed(page)
    return found


def test_html_in_every_field_stays_text(own_store: Path, browser: Browser) -> None:
    row = browser.desk.sites.rows()[1]
    address = f"/case/{row.site}/{row.id}"
    hostile = EVIL.replace("\x00", "")
    for path, form in (
        ("/note", {"text": hostile}), ("/assign", {"owner": hostile[:90]}),
        ("/decide", decision(row, because=hostile, owner=hostile[:90], order=hostile)),
    ):  # fmt: skip
        assert browser.post(address + path, form).status_code == 201
    event = {"site": row.site, "tag": row.drive, "kind": "other", "day": "2026-01-05", "note": hostile}
    assert browser.post("/drive/event", event).status_code == 303
    wrong = browser.post(address + "/decide", decision(row, because=hostile, due="x" + hostile, nonce=hostile))
    assert wrong.status_code == 422
    browser.desk.sites.refresh()
    hostile_row = replace(
        browser.desk.sites.rows()[0], title=hostile, sentence=hostile, advice=hostile, name=hostile, owner=hostile,
        why=hostile, change=hostile, course_of=hostile, marks=(hostile,), sure=hostile,
    )  # fmt: skip
    browser.desk.sites.put(hostile_row)
    pages = [
        browser.get("/?list=all").text, browser.get(f"/case/{hostile_row.site}/{hostile_row.id}").text,
        browser.get(address).text, browser.get(f"/drive?site={row.site}&tag={row.drive}").text, wrong.text,
        browser.get("/", params={"q": hostile, "site": hostile}).text,
        browser.get("/drive", params={"q": hostile}).text,
        browser.get("/case/x/" + "%3Cscript%3E").text, browser.get("/rules").text,
    ]  # fmt: skip
    for page in pages:
        assert ran_in(page) == []
        assert "\x1b" not in page
        assert "\u202e" not in page
    assert "&lt;img src=x" in pages[1]
    assert "&lt;img src=x" in pages[2]


def test_a_drive_with_its_life_levels_and_file(browser: Browser, own_store: Path) -> None:
    page = browser.get("/drive?site=Northfield&tag=SP-01").text
    assert "18 accepted, 0 rejected" in page
    assert "Lobe of the disc" in page
    levels = browser.get("/drive/levels?site=Northfield&tag=SP-01", headers={"x-part": "1"}).text
    assert "this drive" in levels
    assert "Impacts" in levels
    assert browser.get("/drive?site=Northfield&tag=SP-99").status_code == 404
    with Store.open(own_store) as store:
        text = store.drive_toml("SP-01") or ""
    # What stands in the form is the file, line by line: sent back as it is, it is the same.
    edited = re.search(r'<textarea name="text"[^>]*>(.*?)</textarea>', page, re.S)
    assert edited is not None
    assert html.unescape(edited[1]).strip() == text.strip()
    assert text.count("\n") > 5
    form = {"site": "Northfield", "tag": "SP-01"}
    bad = browser.post("/drive/file", form | {"text": text.replace("lobes = 17", "lobes = -3")})
    assert bad.status_code == 422
    assert "lobes" in bad.text
    other = text.replace("lobes = 17", "lobes = 19").replace("ring_pins = 18", "ring_pins = 20")
    shown = browser.post("/drive/file", form | {"text": other})
    assert shown.status_code == 200
    assert "Keep as version 2" in shown.text
    held = re.search(r'name="checked" value="([^"]*)"', shown.text)
    assert held is not None
    assert html.unescape(held[1]) == other
    with Store.open(own_store) as store:
        assert store.drive_toml("SP-01") == text
    assert browser.post("/drive/file", form | {"text": other, "checked": other}).status_code == 303
    with Store.open(own_store) as store:
        assert store.drive_toml("SP-01") == other
        assert [one.toml for one in store.drive_versions("SP-01")] == [text, other]


def test_a_repair_closes_what_was_confirmed(browser: Browser) -> None:
    row = browser.desk.sites.rows()[0]
    assert browser.post(f"/case/{row.site}/{row.id}/decide", decision(row)).status_code == 201
    form = {"site": row.site, "tag": row.drive, "kind": "repair", "note": "Disc changed.", "new_baseline": "yes"}
    assert browser.post("/drive/event", form | {"day": "2999-01-01"}).status_code == 422
    from datetime import datetime

    assert browser.post("/drive/event", form | {"day": datetime.now().date().isoformat()}).status_code == 303
    browser.desk.sites.refresh()
    assert browser.desk.sites.row(row.site, row.id) is None


def test_two_dates_are_compared_as_they_were_known(browser: Browser) -> None:
    from datetime import datetime, timedelta

    today = datetime.now().date()
    early, late = (today - timedelta(weeks=12)).isoformat(), today.isoformat()
    address = f"/since?from={early}&to={late}"
    done = browser.get(address)
    while done.status_code == 303 and done.headers["location"].startswith("/job/"):
        name = done.headers["location"].rpartition("/")[2]
        assert browser.desk.board.wait(name, 60).state == "done"
        done = browser.get(address)
    if done.status_code == 303:
        done = browser.get(address)
    assert done.status_code == 200
    assert "SP-01" in done.text.partition('id="new"')[2].partition('id="graver"')[0]
    for wrong, expected in (
        (f"from={late}&to={early}", "must come after"), (f"from={early}&to=2999-01-01", "has not come"),
        ("from=soon", "no day of the calendar"),
    ):  # fmt: skip
        answer = browser.get(f"/since?{wrong}")
        assert (answer.status_code, expected in answer.text) == (422, True)


def test_files_are_looked_at_before_they_are_taken_in(browser: Browser, repository: Path) -> None:
    capture = repository / "sample_signals" / "TH-02_thickener_rake_south.h5"
    drive = repository / "configs" / "drives" / "thickener_rake_south.toml"
    files = [
        ("file", ("../../evil.h5", capture.read_bytes())), ("file", (drive.name, drive.read_bytes())),
        ("file", ("rubbish.h5", b"\x89HDF\r\n\x1a\n" + b"\xff" * 500)),
    ]  # fmt: skip
    sent = browser.http.post(
        "/import", files=files, data={"token": browser.token, "site": "Northfield"}, headers={"origin": ADDRESS}
    )
    preview: Any = _done(browser, sent)
    assert "1 rejected" in preview.text
    assert "evil.h5" in preview.text
    assert "TH-02" in preview.text
    assert not list(browser.desk.sites.stores[0].folder.parent.glob("*.h5"))
    with Store.open(browser.desk.sites.stores[0].folder) as store:
        assert not store.captures("TH-02")


def _done(browser: Browser, answer: Any) -> Any:
    """The page to which long work leads."""
    while answer.status_code == 303:
        address = answer.headers["location"]
        if address.startswith("/job/"):
            job = browser.desk.board.wait(address.rpartition("/")[2], 60)
            assert job.state == "done", job.message
        answer = browser.get(address)
    return answer


def test_every_page_says_where_a_watched_folder_needs_somebody(own_store: Path, tmp_path: Path) -> None:
    from vibe.desk.context import Desk
    from vibe.desk.watched import WatchedFolder

    known = desk_of(own_store)
    (tmp_path / "in").mkdir()
    watched = WatchedFolder({"Northfield": own_store}, tmp_path / "in", came=known.sites.wake)
    one = Browser(Desk(sites=known.sites, keys=known.keys, by="M. Arden", inbox=watched))

    def said() -> list[str]:
        return re.findall(r'Inbox <span class="mark">([^<]+)</span>', one.get("/").text)

    watched.start()
    assert said() == []
    watched.stop()
    assert said() == ["stopped"]
    (tmp_path / "in").rmdir()
    watched.start()
    assert "no folder that can be watched" in watched.trouble
    assert said() == ["in trouble"]


def test_a_capture_of_a_drive_that_two_sites_have_goes_where_somebody_says(
    judged_store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil
    import time

    from tests.flow.desk.dropped import TOML, capture
    from tests.flow.desk.test_inbox import Here
    from vibe.desk.context import Desk
    from vibe.desk.watched import WatchedFolder
    from vibe.flow.desk import inbox

    monkeypatch.setattr("vibe.flow.jobs.processes.Processes", Here)
    monkeypatch.setattr(inbox, "LOOK_EVERY_S", 0.05)
    stores = {name: Path(shutil.copytree(judged_store, tmp_path / name)) for name in ("Northfield", "Southbank")}
    for store in stores.values():
        with Store.open(store) as opened:
            opened.put_drive("SC-04", TOML.format(tag="SC-04"), "screw conveyor")
    (tmp_path / "in").mkdir()
    capture(tmp_path / "in" / "night.h5", 1, drive="SC-04")
    known = desk_of(*stores.values())
    watched = WatchedFolder(stores, tmp_path / "in", came=known.sites.wake)
    one = Browser(Desk(sites=known.sites, keys=known.keys, by="M. Arden", inbox=watched))

    def soon(words: str) -> str:
        end = time.monotonic() + 60
        while words not in (page := one.get("/inbox").text):
            assert time.monotonic() < end, page
            time.sleep(0.05)
        return str(page)

    def kept() -> list[int]:
        counts = []
        for store in stores.values():
            with Store.open(store) as opened:
                counts.append(len(opened.captures("SC-04")))
        return counts

    watched.start()
    try:
        page = soon("It is of Southbank")
        assert "It is of Northfield" in page
        assert kept() == [0, 0]
        form = {"do": "choose", "file": "night.h5", "site": "Southbank"}
        assert one.post("/inbox/act", form, part=False).status_code == 303
        assert "It is of" not in soon("night.h5<small>")
        assert kept() == [0, 1]
    finally:
        watched.stop()


def test_long_work_says_how_far_it_is_and_stops_when_asked(browser: Browser) -> None:
    import threading
    import time

    from vibe.flow.desk.background import JobControl

    begun = threading.Event()

    def work(control: JobControl) -> None:
        for number in range(10_000):
            control.step(number, 10_000, "SP-01")
            begun.set()
            time.sleep(0.005)

    job = browser.desk.board.start("Comparing two dates", work)
    browser.desk.after_jobs[job.id] = "/since"
    assert begun.wait(10)
    page = browser.get(f"/job/{job.id}").text
    assert "of 10000" in page
    assert ">Stop</button>" in page
    assert browser.post(f"/job/{job.id}/stop", {}, part=False).status_code == 303
    assert browser.desk.board.wait(job.id, 10).state == "stopped"
    page = browser.get(f"/job/{job.id}").text
    assert "<b>Stopped.</b>" in page
    assert ">Stop</button>" not in page
    assert browser.get(f"/job/{job.id}", headers={"x-part": "1"}).json()["over"]


def test_all_pages_as_files(own_store: Path, tmp_path: Path) -> None:
    from vibe.core.errors import OutputError
    from vibe.desk.export import export_pages

    out = tmp_path / "out"
    files = export_pages([own_store], out, say=lambda _: None)
    names = {path.name for path in files}
    assert {"index.html", "list-all.html", "drives.html", "desk.css", "draw.js"} <= names
    assert sum(name.startswith("case-") for name in names) == len(desk_of(own_store).sites.rows())
    for path in files:
        if path.suffix == ".html":
            text = path.read_text(encoding="utf-8")
            assert '<form method="post"' not in text
            for link in re.findall(r'(?:href|src)="([^"#]+)"', text):
                assert (out / link).is_file(), (path.name, link)
    case = next(path for path in files if path.name.startswith("case-")).read_text(encoding="utf-8")
    assert 'data-rows="envelope:order:' in case
    assert 'data-rows="series:' in case
    with pytest.raises(OutputError, match="--force"):
        export_pages([own_store], out, say=lambda _: None)


@pytest.mark.slow
def test_a_capture_that_comes_into_the_watched_folder_becomes_part_of_the_list(
    own_store: Path, repository: Path, tmp_path: Path
) -> None:
    import shutil
    import time

    from vibe.desk.context import Desk
    from vibe.desk.watched import WatchedFolder

    folder = tmp_path / "in"
    folder.mkdir()
    with Store.open(own_store) as store:
        store.put_drive("TH-02", (repository / "configs/drives/thickener_rake_south.toml").read_text(), "thickener")
    known = desk_of(own_store)
    watched = WatchedFolder({"Northfield": own_store}, folder, came=known.sites.wake)
    desk = Desk(sites=known.sites, keys=known.keys, by="M. Arden", inbox=watched)
    watched.start()
    try:
        one = Browser(desk)
        assert "It is watched" in one.get("/inbox").text
        before = known.sites.captures
        shutil.copy(repository / "sample_signals/TH-02_thickener_rake_south.h5", folder / "new.h5")
        (folder / "rubbish.h5").write_bytes(b"no capture")
        end = time.monotonic() + 120
        while watched.status is None or watched.status.taken < 1 or not watched.status.failed:
            assert time.monotonic() < end
            time.sleep(0.3)
        known.sites.refresh()
        assert known.sites.captures == before + 1
        page = one.get("/inbox").text
        assert "new.h5" in page
        assert "rubbish.h5" in page
        assert 'Inbox <span class="mark">1 not taken</span>' in one.get("/").text  # on every page
        assert one.post("/inbox/act", {"do": "stop"}).status_code == 303
        assert not watched.running
        assert "Watch again" in one.get("/inbox").text
    finally:
        watched.stop()


def test_a_desk_shows_what_was_added_and_then_all_that_it_concerns(
    own_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_of(own_store)
    sites, looker = desk.sites, Browser(desk)
    (one,) = sites.stores
    judged = one.judged
    assert judged is not None
    row, sister, *_ = sorted(judged.rows, key=lambda row: -row.urgency)
    rest, rev = tuple(other for other in judged.rows if other != row), sites.rev
    answers = {
        False: replace(judged, rows=(replace(row, urgency=1.0), *rest), waiting=frozenset((*sister.drives, "B"))),
        True: replace(judged, rows=(replace(row, urgency=2.0), *rest), change=judged.change + 1),
    }
    shown: list[tuple[bool, float, bool]] = []
    said = "2 drives are being judged again"

    def urgency() -> float:
        return next(other.urgency for other in sites.rows() if other.id == row.id)

    def marked(one: CaseRow) -> bool:
        page = looker.get(f"/case/{one.site}/{one.id}").text
        return "being judged</span>" in page.partition("<h1>")[2].partition("</h1>")[0]

    def judged_now(_: object, *, whole: bool = False) -> object:
        shown.append((whole, urgency(), said in looker.get("/?list=all").text))
        if whole:
            assert [marked(one) for one in (row, sister)] == [False, True]
            assert looker.get("/?list=all").text.count("data-waiting>being judged") == 1
            assert looker.get("/api/news").json()["waiting"] == 2
        return answers[whole]

    monkeypatch.setattr(sites, "_judged", judged_now)
    with Store.open(own_store) as store:
        store.touch([row.drive])
    sites.refresh()
    assert shown == [(False, row.urgency, False), (True, 1.0, True)]
    assert (urgency(), sites.rev, marked(sister)) == (2.0, rev + 2, False)
    assert "data-waiting" not in looker.get("/?list=all").text
    assert looker.get("/api/news").json()["waiting"] == 0
    sites.refresh()  # up to date by now
    assert len(shown) == 2


def test_limits_that_are_tried_come_from_each_drives_own_past_and_not_from_one_drives(looker: Browser) -> None:
    from vibe.desk.pages import rules
    from vibe.flow.desk.rules import SOURCES

    assert tuple(rules.SOURCES) == SOURCES
    picked = html.unescape(looker.get("/rules").text.split('<select name="source">')[1].split("</select>")[0])
    assert re.findall(r"<option value=\"([^\"]*)\"( selected)?>([^<]*)", picked) == [
        ("ISO rules", "", "ISO rules"),
        ("this drive", " selected", "each drive's own past"),
        ("sister drives", "", "sister drives"),
    ]
