"""``vibe desk`` as a command: what it refuses, the one link that it prints, and the pages it writes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from tests.desk.sites_of_desk import filled


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("works") / "Northfield", ("SP-01", "SP-02"), weeks=2)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ((), "which store"),
        (("--store", "nowhere"), "holds no history"),
        (("--practice", "--store", "x"), "brings its own store"),
        (("--store", "{store}", "--store", "{store}"), "given twice"),
        (("--store", "{store}", "--user-header", "X-User"), "belong together"),
        (("--store", "{store}", "--webhook", "http://x.invalid"), "go with --inbox"),
        (("--store", "{store}", "--port", "99999"), "65535"),
    ],
)
def test_what_cannot_be_served_is_said_in_one_sentence(
    vibe: Vibe, store: Path, given: tuple[str, ...], sentence: str
) -> None:
    answer = vibe("desk", *(one.format(store=store) for one in given))
    assert answer.status == 2
    assert sentence in answer.err


def test_pages_are_written_and_nothing_is_replaced_unasked(vibe: Vibe, store: Path, tmp_path: Path) -> None:
    out = tmp_path / "pages"
    answer = vibe("desk", "--store", store, "--export", out)
    assert answer.status == 0, answer.err
    assert str((out / "index.html").resolve()) in answer.out
    again = vibe("desk", "--store", store, "--export", out)
    assert (again.status, "--force" in again.err) == (2, True)
    assert vibe("desk", "--store", store, "--export", out, "--force").status == 0


def test_a_link_is_printed_that_opens_the_desk_on_a_machine_without_fonts(store: Path, tmp_path: Path) -> None:
    (tmp_path / "fonts.conf").write_text("<fontconfig></fontconfig>")
    without = os.environ | {"FONTCONFIG_FILE": str(tmp_path / "fonts.conf")}
    call = [sys.executable, "-m", "vibe", "desk", "--store", str(store), "--by", "M. Arden"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=without) as desk:
        try:
            assert desk.stdout is not None
            link = desk.stdout.readline().strip()
            assert re.fullmatch(r"http://127\.0\.0\.1:\d+/start\?key=[\w-]{43}", link)
            browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(_jar()))
            with browser.open(link, timeout=20) as answer:
                assert answer.geturl().endswith("/")
                assert "deciding as </span><b>M. Arden</b>" in answer.read().decode()
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(link, timeout=20)
        finally:
            desk.terminate()
            _, said = desk.communicate(timeout=20)
    assert "Traceback" not in said


def _jar() -> CookieJar:
    from http.cookiejar import DefaultCookiePolicy

    return CookieJar(DefaultCookiePolicy(strict_ns_domain=0))
