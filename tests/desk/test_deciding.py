"""What is put on record: by one, by two at once, twice by mistake, and taken back."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.desk.sites_of_desk import Browser, decision, desk_of
from vibe.core.records.case_row import CaseRow
from vibe.flow.cases import decide
from vibe.history.store.store import Store


def severe(browser: Browser) -> CaseRow:
    return next(row for row in browser.desk.sites.rows() if row.severity == "severe")


def moderate(browser: Browser) -> CaseRow:
    return next(row for row in browser.desk.sites.rows() if row.severity == "moderate")


def address(row: CaseRow, what: str = "decide") -> str:
    return f"/case/{row.site}/{row.id}/{what}"


def recorded(folder: Path, row: CaseRow) -> list[tuple[str, str]]:
    with Store.open(folder) as store:
        return [(one.verdict, one.by) for one in store.decisions(row.id)]


def test_a_decision_is_kept_with_owner_day_and_work_order(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    form = decision(row)
    assert browser.post(address(row), form).status_code == 201
    with Store.open(own_store) as store:
        kept = store.decisions(row.id)[-1]
    assert (kept.verdict, kept.by, kept.owner, kept.work_order) == (
        "confirmed",
        "M. Arden",
        "J. Sole",
        "Order the disc.",
    )
    assert kept.due is not None
    assert kept.due.date().isoformat() == form["due"]
    now = browser.desk.sites.row(row.site, row.id)
    assert now is not None
    assert (now.list, now.owner, now.due, now.urgency) == (
        "work",
        "J. Sole",
        form["due"],
        row.urgency,
    )
    # Judged anew from the store alone it stands where it stood.
    browser.desk.sites.refresh()
    anew = browser.desk.sites.row(row.site, row.id)
    assert anew is not None
    assert (anew.list, anew.owner, anew.due) == ("work", "J. Sole", form["due"])
    assert "In work" in browser.get("/?list=work").text
    assert row.drive in browser.get("/?list=work").text


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"as": ""}, "as"), ({"as": "withdrawn"}, "as"), ({"as": "note"}, "as"), ({"because": "  x "}, "because"),
        ({"due": ""}, "due"), ({"due": "soon"}, "due"), ({"due": "2020-01-01"}, "due"), ({"due": "9999-12-31"}, "due"),
        ({"because": "x" * 5000}, "because"), ({"owner": "x" * 200}, "owner"),
    ],
)  # fmt: skip
def test_what_cannot_be_recorded_is_said_at_its_field_and_no_word_is_lost(
    browser: Browser, own_store: Path, changes: dict[str, str], field: str
) -> None:
    row = severe(browser)
    form = decision(row, because="The sound of August, twice as loud.") | changes
    answer = browser.post(address(row), form)
    assert answer.status_code == 422
    assert f'name="{field}"' in answer.text
    assert 'class="wrong"' in answer.text
    assert form["because"] in answer.text
    assert "Order the disc." in answer.text
    assert recorded(own_store, row) == []


def test_the_name_is_never_blank(own_store: Path) -> None:
    nobody = Browser(desk_of(own_store, by=""))
    row = severe(nobody)
    answer = nobody.post(address(row), decision(row))
    assert answer.status_code == 422
    assert "Say who decides" in answer.text
    assert 'name="by"' in answer.text
    assert nobody.post(address(row), decision(row, by="T. Marsh")).status_code == 201
    assert recorded(own_store, row) == [("confirmed", "T. Marsh")]


def test_a_severe_finding_leaves_the_list_only_for_who_types_its_drive(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    form = decision(row, **{"as": "not-a-fault"})
    assert "To take it off the list, type the drive" in browser.post(address(row), form).text
    assert "Not the same as" in browser.post(address(row), form | {"twice": "SP-02"}).text
    assert recorded(own_store, row) == []
    done = browser.post(address(row), form | {"twice": row.drive})
    assert (done.status_code, done.json()["closed"]) == (201, True)
    assert browser.desk.sites.row(row.site, row.id) is None
    browser.desk.sites.refresh()
    assert browser.desk.sites.row(row.site, row.id) is None
    # One that is not severe is not asked twice.
    other = moderate(browser)
    assert browser.post(address(other), decision(other, **{"as": "not-a-fault", "nonce": "n2"})).status_code == 201


def test_a_form_that_is_sent_twice_is_recorded_once(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    first, second = (browser.post(address(row), decision(row, nonce="same")) for _ in range(2))
    assert first.status_code == second.status_code == 201
    assert first.json()["record"] == second.json()["record"]
    assert recorded(own_store, row) == [("confirmed", "M. Arden")]


def test_two_people_decide_at_once(own_store: Path) -> None:
    one, other = Browser(desk_of(own_store)), Browser(desk_of(own_store, by="P. Quint"))
    row = severe(one)
    assert other.post(address(row), decision(row, because="Bearing on order.")).status_code == 201
    mine = decision(row, because="Measured again: the same.", **{"as": "recheck"})
    clash = one.post(address(row), mine)
    assert clash.status_code == 409
    assert "P. Quint decided meanwhile" in clash.text
    assert "Bearing on order." in clash.text
    assert "Yours is not recorded; your words are kept." in clash.text
    assert mine["because"] in clash.text
    assert recorded(own_store, row) == [("confirmed", "P. Quint")]
    seen = clash.text.partition('name="after_all" value="')[2].partition('"')[0]
    assert one.post(address(row), mine | {"after_all": seen, "nonce": "n2"}).status_code == 201
    assert recorded(own_store, row) == [("confirmed", "P. Quint"), ("recheck", "M. Arden")]


def test_notes_and_owners_never_clash(own_store: Path) -> None:
    one, other = Browser(desk_of(own_store)), Browser(desk_of(own_store, by="P. Quint"))
    row = severe(one)
    assert other.post(address(row, "note"), {"text": "Felt at the housing."}).status_code == 201
    assert other.post(address(row, "assign"), {"owner": "P. Quint"}).status_code == 201
    assert one.post(address(row, "note"), {"text": " "}).status_code == 422
    assert one.post(address(row), decision(row)).status_code == 201
    assert recorded(own_store, row) == [("note", "P. Quint"), ("assigned", "P. Quint"), ("confirmed", "M. Arden")]
    one.desk.sites.refresh()
    now = one.desk.sites.row(row.site, row.id)
    assert now is not None
    assert (now.list, now.owner) == ("work", "J. Sole")
    page = one.get(f"/case/{row.site}/{row.id}").text
    assert "Felt at the housing." in page
    assert "Assigned to P. Quint" in page


def test_a_case_that_became_graver_meanwhile_is_shown_first(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    number, urgency, state = row.seen.split(" ")
    old = f"{number} {float(urgency) - 6.0:.1f} {state}"
    clash = browser.post(address(row), decision(row, seen=old))
    assert clash.status_code == 409
    assert "became graver meanwhile" in clash.text
    assert recorded(own_store, row) == []
    assert browser.post(address(row), decision(row, seen=old, after_all=row.seen)).status_code == 201


def test_what_was_recorded_is_taken_back_by_its_maker_at_once(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    made = browser.post(address(row), decision(row, **{"as": "not-a-fault", "twice": row.drive})).json()
    assert made["closed"]
    other = Browser(desk_of(own_store, by="P. Quint"))
    assert other.post(made["undo"], {"record": str(made["record"])}).status_code in (404, 409)
    assert browser.post(made["undo"], {"record": str(made["record"])}).status_code == 201
    assert browser.post(made["undo"], {"record": str(made["record"])}).status_code == 409
    assert recorded(own_store, row) == [("not-a-fault", "M. Arden"), ("withdrawn", "M. Arden")]
    for _ in range(2):
        now = browser.desk.sites.row(row.site, row.id)
        assert now is not None
        assert (now.list, now.owner) == ("new", "")
        browser.desk.sites.refresh()


def test_after_its_time_nothing_is_taken_back(
    browser: Browser, own_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = severe(browser)
    made = browser.post(address(row), decision(row)).json()
    monkeypatch.setattr(decide, "UNDO_S", -1)
    answer = browser.post(made["undo"], {"record": str(made["record"])})
    assert (answer.status_code, "record another decision" in answer.text) == (409, True)
    assert recorded(own_store, row) == [("confirmed", "M. Arden")]


def test_several_cases_are_decided_together_only_where_none_is_grave(browser: Browser, own_store: Path) -> None:
    rows = browser.desk.sites.rows()
    keys = [f"{row.site}/{row.id}" for row in rows]
    assert "cannot be decided together" in browser.get("/decide", params={"case": keys}).text
    form = {"case": keys, "seen": [row.seen for row in rows]} | decision(rows[0])
    form["seen"] = [row.seen for row in rows]
    assert browser.post("/decide", form).status_code == 422
    other = moderate(browser)
    alone = decision(other) | {"case": [f"{other.site}/{other.id}"], "seen": ["0 1.0 act"]}
    assert browser.post("/decide", alone).status_code == 409
    assert browser.post("/decide", alone | {"seen": [other.seen]}).status_code == 303
    assert recorded(own_store, other) == [("confirmed", "M. Arden")]
    assigned = browser.post("/assign", {"case": keys, "owner": "J. Sole"})
    assert assigned.status_code == 201
    assert f"{len(keys)} cases" in assigned.text


def test_a_group_is_recorded_whole_or_not_at_all(own_store: Path, tmp_path: Path) -> None:
    second = Path(shutil.copytree(own_store, tmp_path / "Southfield"))
    desk = desk_of(own_store, second)
    rows = {row.site: row for row in desk.sites.rows() if row.severity == "moderate"}
    north, south = rows["Northfield"], rows["Southfield"]
    other = Browser(desk_of(second, by="P. Quint"))
    assert other.post(address(south), decision(south)).status_code == 201
    mine = Browser(desk)
    # This desk has not looked since: what came meanwhile is found in the store, after the first case was written.
    keys = [f"{row.site}/{row.id}" for row in (north, south)]
    form = decision(north) | {"case": keys, "seen": [north.seen, south.seen]}
    clash = mine.post("/decide", form)
    assert clash.status_code == 409
    assert "P. Quint decided meanwhile" in clash.text
    assert "Nothing was recorded" in clash.text
    assert recorded(own_store, north) == []
    assert desk.sites.row("Northfield", north.id) == north
    desk.sites.refresh()
    seen = [row.seen for row in desk.sites.rows() if row.severity == "moderate"]
    assert mine.post("/decide", form | {"seen": seen}).status_code == 303
    assert recorded(own_store, north) == [("confirmed", "M. Arden")]
    assert recorded(second, south) == [("confirmed", "P. Quint"), ("confirmed", "M. Arden")]


def test_without_scripts_a_decision_ends_on_the_page_of_its_case(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    wrong = browser.post(address(row), decision(row, because=""), part=False)
    assert wrong.status_code == 422
    assert "<html" in wrong.text
    assert "Say why" in wrong.text
    done = browser.post(address(row), decision(row), part=False)
    assert (done.status_code, done.headers["location"]) == (303, f"/case/{row.site}/{row.id}")
    assert "It stays on record" in browser.get(done.headers["location"]).text


def test_a_due_date_that_passes_makes_it_overdue() -> None:
    from vibe.core.records.history import Decision
    from vibe.health.alarms.case_state import CaseFacts, case_state

    at = datetime(2026, 3, 9, tzinfo=UTC)
    made = Decision(alarm="a", verdict="confirmed", because="x", by="y", at=at, due=at + timedelta(days=3), number=1)
    assert case_state(CaseFacts(at=at + timedelta(days=1), decisions=(made,)))[0] == "in work"
    assert case_state(CaseFacts(at=at + timedelta(days=4), decisions=(made,)))[0] == "overdue"


def test_forms_without_a_nonce_are_forms_of_their_own(browser: Browser, own_store: Path) -> None:
    row = severe(browser)
    first = browser.post(address(row), decision(row, nonce="")).json()
    now = browser.desk.sites.row(row.site, row.id)
    assert now is not None
    second = browser.post(address(row), decision(now, nonce="", because="Looked at again.")).json()
    assert first["record"] != second["record"]
    assert recorded(own_store, row) == [("confirmed", "M. Arden")] * 2
