"""Whatever a file, a tag or a person's words hold: pages show it as text, write nothing elsewhere and ask nobody."""

from __future__ import annotations

import csv
import html
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from tests.made_once import made_once
from tests.report.browsing import fresh, wait_for
from tests.report.hostile_pages import INSIDE, LIVE, PAGES
from tests.report.poison import EVIL
from vibe.core.text import printable
from vibe.report.pages.content_policy import loader, policy
from vibe.report.pages.shell import TEMPLATES

NO_TEXT = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
CHANGES_A_STYLE = re.compile(r"url\(|@import|expression\(", re.IGNORECASE)


class Parts(HTMLParser):
    """Elements with their attributes, and what style elements hold."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.styles: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1][0] == "style":
            self.styles.append(data)


def everything(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): b"" if path.is_dir() or path.is_symlink() else path.read_bytes()
        for path in folder.rglob("*")
    }


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every kind of page once, each in ``<kind>/deep/out``."""

    def make(folder: Path) -> dict[str, Path]:
        return {kind: page(folder / kind.replace(" ", "-") / "deep" / "out") for kind, page in PAGES.items()}

    return made_once(tmp_path_factory, "hostile_pages", make)


@pytest.mark.parametrize("kind", PAGES)
def test_every_text_stays_a_text_and_every_file_in_its_folder(made: dict[str, Path], kind: str) -> None:
    written = made[kind]
    out = next(folder for folder in written.parents if folder.name == "out")
    assert [path.name for path in out.parent.iterdir()] == ["out"]
    assert [path.name for path in out.parent.parent.iterdir()] == ["deep"]
    assert {path.name for path in out.parents[2].iterdir()} == {name.replace(" ", "-") for name in PAGES}
    assert all(re.fullmatch(r"[\w.\-]+", part, re.ASCII) for name in everything(out) for part in Path(name).parts)

    text = written.read_text(encoding="utf-8")
    shown = re.sub(r'<script type="application/json".*?</script>', "", text, flags=re.DOTALL)
    assert "window.__ran=1" in shown
    assert "&lt;/script&gt;&lt;script&gt;window.__ran=1" in shown
    assert not NO_TEXT.search(shown)
    parts = Parts()
    parts.feed(text)
    names = {name for _, attrs in parts.tags for name in attrs}
    assert not {name for name in names if name.startswith("on") or name in ("style", "srcdoc", "integrity", "action")}
    for tag, attrs in parts.tags:
        assert tag not in ("base", "form", "iframe", "object", "embed", "link", "audio", "video", "foreignobject"), tag
        for name in ("src", "href", "xlink:href"):
            target = attrs.get(name)
            if tag == "img":
                assert name != "src" or (target or "").startswith("data:image/")
            elif target is not None:
                assert re.fullmatch(r"#[\w-]+|(\.\./)?[\w./-]+", target, re.ASCII), target
    assert not any(CHANGES_A_STYLE.search(style) for style in parts.styles)


@pytest.mark.parametrize("kind", PAGES)
def test_the_policy_allows_what_the_page_needs_and_nothing_more(made: dict[str, Path], kind: str) -> None:
    written = made[kind]
    text = written.read_text(encoding="utf-8")
    metas = re.findall(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', text)
    assert len(metas) == 1
    assert text.index("Content-Security-Policy") < text.index("<style>") < text.index("<title>")
    style = text.partition("<style>")[2].partition("</style>")[0]
    scripts = re.findall(r"<script data-loads>(.*?)</script>", text)
    said = html.unescape(metas[0])
    assert "unsafe-eval" not in said
    assert re.findall(r"(default-src|base-uri|form-action) ([^;]+)", said) == [
        ("default-src", "'none'"), ("base-uri", "'none'"), ("form-action", "'none'")
    ]  # fmt: skip
    assert not re.search(r"https?:|file:|blob:|\*|'self'", said)
    if kind in LIVE:
        names = re.findall(r'"([^"]+)"', scripts[0])
        assert scripts == [str(loader(names))]
        assert said == policy(style, names)
        assert "'strict-dynamic'" in said
        assert "style-src-attr 'none'" in said
        for name in names:
            assert (written.parent / name).resolve().is_file()
    elif kind in INSIDE:
        own = (TEMPLATES / INSIDE[kind]).read_text(encoding="utf-8")
        assert re.findall(r"<script[^>]*>(.*?)</script>", text, re.DOTALL) == [own]
        assert said == policy(style, own_script=own)
        assert "unsafe" not in said
    else:
        assert scripts == []
        assert said == policy(style)
        assert "script-src" not in said
        assert "unsafe" not in said


@pytest.mark.parametrize("kind", ["index", "plan", "route sheet", "population"])
def test_no_cell_of_a_table_is_a_formula(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.report import hostile_pages, poison

    for start in ("=cmd|'/C calc'!A0", "\r\n-1+cmd"):  # every other start: test_cells_never_become_formulas
        for module in (hostile_pages, poison):
            monkeypatch.setattr(module, "EVIL", start)
        monkeypatch.setattr(hostile_pages, "poisoned", lambda value, start=start: poison.poisoned(value, start))
        out = tmp_path / f"{abs(hash(start))}"
        PAGES[kind](out)
        tables = list(out.rglob("*.csv"))
        assert tables
        for table in tables:
            with table.open(encoding="utf-8", newline="") as stream:
                cells = [cell for row in csv.reader(stream) for cell in row]
            assert any("1+1" in c or "cmd" in c or "SUM" in c for c in cells)
            for cell in cells:
                assert cell.strip()[:1] not in tuple("=+@\uff1d") or re.fullmatch(r"[+]?[\d.e+-]+", cell), cell
                assert not cell.strip().startswith("-") or re.fullmatch(r"-[\d.e+-]+", cell), cell


def test_a_link_that_waits_in_the_folder_is_not_followed(tmp_path: Path) -> None:
    out, outside = tmp_path / "out", tmp_path / "outside"
    outside.mkdir()
    for kind in ("index", "route sheet", "alarm", "certificate"):
        page, place = PAGES[kind], out / kind.replace(" ", "-")
        written = page(place)
        names = sorted(name for name in everything(place) if (place / name).is_file())
        trap = outside / written.name
        trap.write_text("theirs")
        for name in names:
            (place / name).unlink()
            (place / name).symlink_to(trap)
        with pytest.raises(Exception, match=r"exists already|plain file|link"):
            page(place)
        assert trap.read_text() == "theirs", kind


@pytest.fixture(scope="module")
def browser(offline_browser: Any) -> Any:
    return fresh(offline_browser, width=1200)


def test_in_a_browser_nothing_runs_nothing_complains_and_nothing_leaves(made: dict[str, Path], browser: Any) -> None:
    browser.execute_cdp_cmd("Page.enable", {})
    browser.get("about:blank")
    browser.get_log("performance")
    seen: dict[str, int] = {}
    for kind, page in made.items():
        browser.get(page.as_uri())
        for picture in browser.find_elements(
            "css selector", "figure[data-live], [data-trend], [data-tones], [data-viewer]"
        ):
            browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", picture)
            wait_for(lambda picture=picture: picture.get_attribute("data-started") == "done")
            seen[kind] = seen.get(kind, 0) + 1
        # Whatever waits for a click, a move or a focus gets one.
        ran = browser.execute_script(
            "for (const one of document.querySelectorAll('body *')) for (const kind of ['mouseover', 'focus', 'error',"
            "'load', 'click']) if (one.tagName !== 'A') one.dispatchEvent(new Event(kind));"
            "return [typeof window.__ran, document.querySelectorAll('img[src=x], [onmouseover], base, form').length,"
            "getComputedStyle(document.body).backgroundImage]"
        )
        assert ran == ["undefined", 0, "none"], kind
        complaints = [m for m in browser.get_log("browser") if m["level"] in ("SEVERE", "WARNING")]
        assert complaints == [], kind
    assert seen.keys() == LIVE
    log = [entry["message"] for entry in browser.get_log("performance")]
    asked = [message for message in log if '"Network.requestWillBeSent"' in message]
    urls = {re.search(r'"request":\{.*?"url":"(\w+):', message)[1] for message in asked}  # type: ignore[index]
    assert "file" in urls
    assert urls <= {"file", "data"}
    assert not any("javascriptDialogOpening" in message for message in log)


def test_a_script_that_found_its_way_into_a_page_does_not_run(tmp_path: Path, browser: Any) -> None:
    """The policy is the second wall: with the first one taken down on purpose, still nothing runs."""
    (tmp_path / "theirs.js").write_text("window.__ran = 'a file'")
    for kind in ("report", "index"):
        page = PAGES[kind](tmp_path / kind)
        broken = page.with_name("broken.html")
        text = page.read_text(encoding="utf-8").replace(
            "<h1 ",
            "<script>window.__ran = 'inline'</script><script src='../../theirs.js'></script><script src='../theirs.js'>"
            "</script><img src='data:,' onerror='window.__ran = 1'><h1 ", 1,
        )  # fmt: skip
        broken.write_text(text, encoding="utf-8")
        browser.get(broken.as_uri())
        assert browser.execute_script("return typeof window.__ran") == "undefined"
        assert any("Content Security Policy" in entry["message"] for entry in browser.get_log("browser"))


def test_spaces_of_other_scripts_stay_spaces() -> None:
    assert printable("\u6c34\u3000\u53f7 12\u00a0mm \u2009x") == "\u6c34\u3000\u53f7 12\u00a0mm \u2009x"
    assert printable("a\u202eb\x1b[1m\x00\u2028\ud800") == "a\ufffdb\ufffd[1m\ufffd\ufffd\ufffd"
    assert not NO_TEXT.search(printable(EVIL))
