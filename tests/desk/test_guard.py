"""Attacks on the desk: from other pages of the same browser, from names that point here, by size and by path."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.desk.sites_of_desk import ADDRESS, PORT, Browser, decision, desk_of
from vibe.desk import guard
from vibe.desk.app import desk_app
from vibe.desk.guard import Proxy


def fresh(browser: Browser) -> TestClient:
    """Somebody on this machine who has not opened the link."""
    return TestClient(desk_app(browser.desk), base_url=ADDRESS, follow_redirects=False)


def test_the_link_works_once_and_leaves_no_secret_in_addresses(judged_store: Path) -> None:
    desk = desk_of(judged_store)
    first, second = Browser(desk, opened=False), Browser(desk, opened=False)
    assert first.get("/start", params={"key": "guessed"}).status_code == 403
    begun = first.get("/start", params={"key": desk.keys.key})
    assert (begun.status_code, begun.headers["location"]) == (303, "/")
    cookie = begun.headers["set-cookie"].lower()
    assert all(word in cookie for word in ("httponly", "samesite=strict", "path=/"))
    assert f"vibe_{PORT}=" in cookie
    assert second.get("/start", params={"key": desk.keys.key}).status_code == 403
    assert second.get("/").status_code == 403
    page = first.get("/")
    assert page.status_code == 200
    assert desk.keys.key not in page.text
    # Who is in already and opens the link again is simply in.
    assert first.get("/start", params={"key": desk.keys.key}).headers["location"] == "/"


@pytest.mark.parametrize(
    "host",
    [
        "evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:1", f"127.0.0.1:{PORT}.evil.example",
        f"127.0.0.1.evil.example:{PORT}", f"[::1]:{PORT}", "", f"user@127.0.0.1:{PORT}",
    ],
)  # fmt: skip
def test_a_name_that_points_here_is_not_the_desk(looker: Browser, host: str) -> None:
    assert looker.get("/", headers={"host": host}).status_code == 421
    assert looker.get("/", headers={"host": f"LOCALHOST:{PORT}"}).status_code == 200


@pytest.mark.parametrize(
    "origin",
    [
        None,
        "null",
        "http://evil.example",
        f"http://localhost:{PORT}",
        "http://127.0.0.1:1",
        f"https://127.0.0.1:{PORT}",
    ],
)
def test_another_page_changes_nothing(browser: Browser, origin: str | None) -> None:
    row = browser.desk.sites.rows()[0]
    headers = {} if origin is None else {"origin": origin}
    form = decision(row) | {"token": browser.token}
    answer = browser.http.post(f"/case/Northfield/{row.id}/decide", data=form, headers=headers)
    assert answer.status_code == 403
    assert browser.post(f"/case/Northfield/{row.id}/decide", decision(row)).status_code == 201


@pytest.mark.parametrize("token", ["", "0" * 64, "another session's"])
def test_a_forged_token_changes_nothing(browser: Browser, token: str) -> None:
    row = browser.desk.sites.rows()[0]
    if token == "another session's":
        token = browser.desk.keys.token("of a session that never was")
    answer = browser.post(f"/case/Northfield/{row.id}/decide", decision(row) | {"token": token})
    assert answer.status_code == 403
    assert browser.desk.sites.rows()[0] == row


def test_all_that_changes_something_asks_for_cookie_origin_and_token(browser: Browser) -> None:
    """Whatever address is added later is held to it too."""
    app: Any = desk_app(browser.desk)
    paths = [route.path for route in app.app.routes if "POST" in route.methods]
    assert len(paths) >= 6
    for path in paths:
        address = path.format(site="Northfield", case="abc-def", job="1", batch="1")
        assert fresh(browser).post(address, headers={"origin": ADDRESS}).status_code == 403
        assert browser.http.post(address, data={"token": browser.token}).status_code == 403
        assert browser.post(address, {"token": "forged"}).status_code == 403


def test_reading_asks_for_the_cookie(browser: Browser) -> None:
    app: Any = desk_app(browser.desk)
    outsider = fresh(browser)
    for path in [route.path for route in app.app.routes if "GET" in route.methods]:
        answer = outsider.get(path.format(site="Northfield", case="x", version="1", name="desk.js", job="1", batch="1"))
        assert (answer.status_code, "vibe printed" in answer.text) == (403, True), path


def test_every_answer_says_what_a_browser_may_do_with_it(browser: Browser) -> None:
    answers = [
        browser.get("/"), browser.get("/nowhere"), browser.get("/case/Northfield/none"), fresh(browser).get("/"),
        browser.get("/", headers={"host": "evil.example"}), browser.get("/api/spectrum?site=nowhere"),
        browser.post("/assign", {}),
    ]  # fmt: skip
    assert [one.status_code for one in answers] == [200, 404, 404, 403, 421, 404, 422]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"
        assert (
            answer.headers["cross-origin-resource-policy"]
            == answer.headers["cross-origin-opener-policy"]
            == "same-origin"
        )
        assert "access-control-allow-origin" not in answer.headers


@pytest.mark.parametrize(
    "path",
    [
        "/static/{v}/..%2f..%2fguard.py", "/static/{v}/../guard.py", "/static/{v}/%2e%2e/guard.py",
        "/static/{v}/....//guard.py", "/static/{v}/..%5cguard.py", "/static/{v}/", "/static/x/desk.css",
        "/case/..%2f..%2f/abc", "/case/Northfield/..%2f..%2fstore.sqlite", "/drive?site=../../&tag=x",
        "/api/spectrum?site=Northfield&capture=../../store.sqlite&point=a",
    ],
)  # fmt: skip
def test_no_path_leads_out(looker: Browser, path: str) -> None:
    from vibe.desk import rendering

    answer = looker.get(path.format(v=rendering.static_hash()))
    assert answer.status_code in (404, 422)
    assert "class Guard" not in answer.text
    assert "SQLite format" not in answer.text


def test_a_body_that_is_too_long_is_refused_by_its_length_and_while_it_comes(
    browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = browser.desk.sites.rows()[0]
    path, headers = f"/case/Northfield/{row.id}/decide", {"origin": ADDRESS, "x-token": browser.token}
    two_gb = headers | {"content-length": str(2 << 30), "content-type": "application/x-www-form-urlencoded"}
    assert browser.http.post(path, content=b"", headers=two_gb).status_code == 413
    assert browser.http.post("/import", content=b"", headers=two_gb).status_code == 413
    assert browser.http.post(path, content=b"", headers=headers | {"content-length": "-1"}).status_code == 413
    taken = 0

    def pieces() -> Iterator[bytes]:
        nonlocal taken
        yield b"because="
        while taken < 64 << 20:
            taken += 1 << 16
            yield b"a" * (1 << 16)

    monkeypatch.setattr(guard, "FORM_BYTES", 1 << 20)
    streamed = headers | {"content-type": "application/x-www-form-urlencoded"}
    answer = browser.http.post(path, content=pieces(), headers=streamed)
    assert answer.status_code == 413
    assert browser.desk.sites.rows()[0] == row


def test_a_read_only_desk_has_no_address_that_changes_anything(own_store: Path) -> None:
    reader = Browser(desk_of(own_store, read_only=True))
    app: Any = desk_app(reader.desk)
    assert not [route.path for route in app.app.routes if "POST" in route.methods]
    row = reader.desk.sites.rows()[0]
    assert reader.post(f"/case/Northfield/{row.id}/decide", decision(row)).status_code == 404
    page = reader.get(f"/case/Northfield/{row.id}")
    assert page.status_code == 200
    assert '<form method="post"' not in page.text
    assert "Read only" in page.text
    assert '<form method="post"' not in reader.get("/").text


def test_a_header_names_the_user_only_from_the_trusted_address(own_store: Path) -> None:
    proxy = Proxy(header="X-User", trusted="10.0.0.7", hosts=("desk.works.example",))
    desk = desk_of(own_store, by="", proxy=proxy)
    trusted = Browser(desk, opened=False, client=("10.0.0.7", 1))
    other = Browser(desk, opened=False, client=("10.0.0.8", 1))
    said = {"x-user": "P. Quint", "host": "desk.works.example"}
    assert trusted.get("/", headers=said).status_code == 200
    assert "P. Quint" in trusted.get("/", headers=said).text
    assert trusted.get("/", headers={"host": "desk.works.example"}).status_code == 403
    assert other.get("/", headers=said).status_code == 403
    row = desk.sites.rows()[0]
    form = decision(row, by="M. Arden") | {"token": desk.keys.token("proxy P. Quint")}
    answer = trusted.http.post(
        f"/case/Northfield/{row.id}/decide", data=form,
        headers=said | {"origin": "https://desk.works.example", "x-part": "1"},
    )  # fmt: skip
    assert answer.status_code == 201
    assert "P. Quint" in trusted.get(f"/case/Northfield/{row.id}", headers=said).text
