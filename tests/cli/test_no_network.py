"""No command asks anything of a network, and nothing that is written sends its reader there."""

from __future__ import annotations

import base64
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import pytest

from tests.cli.calls import DRIVE

WATCH = """
import os, socket, sys

TO_SOMEBODY = {"socket.connect", "socket.sendto", "socket.sendmsg", "socket.bind"}
LOOKING_UP = {"socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr", "socket.getnameinfo"}

def watch(event, args):
    asked = event in LOOKING_UP or event in TO_SOMEBODY and args[0].family != socket.AF_UNIX
    if asked or event == "urllib.Request" and not args[0].startswith("data:"):
        with open(os.environ["ASKED"], "a") as noted:
            print(event, args, file=noted)
        raise OSError("no network here")

sys.addaudithook(watch)
with open(os.environ["WATCHED"], "a") as noted:
    print(os.getpid(), file=noted)
"""
"""Python tells its audit hooks of every connection and every look-up, whichever library begins it; every process that
starts, workers too, loads this first."""


@pytest.fixture
def watched(tmp_path: Path) -> dict[str, str]:
    """An environment in which a look at the network fails and is recorded."""
    (tmp_path / "watch").mkdir()
    (tmp_path / "watch" / "sitecustomize.py").write_text(WATCH, encoding="utf-8")
    path = os.pathsep.join(filter(None, [str(tmp_path / "watch"), os.environ.get("PYTHONPATH")]))
    return os.environ | {
        "PYTHONPATH": path, "ASKED": str(tmp_path / "asked"), "WATCHED": str(tmp_path / "watched")
    }  # fmt: skip


@pytest.mark.parametrize("ask", ["socket.create_connection(('127.0.0.1', 9))", "socket.getaddrinfo('localhost', 80)"])
def test_the_watch_sees(watched: dict[str, str], ask: str) -> None:
    done = subprocess.run([sys.executable, "-c", f"import socket; {ask}"], env=watched, capture_output=True, text=True)
    assert "no network here" in done.stderr
    assert "socket." in Path(watched["ASKED"]).read_text()


def test_a_run_with_pdf_and_plots_in_two_processes_asks_nobody(
    tmp_path: Path, bench: Path, watched: dict[str, str]
) -> None:
    plant = tmp_path / "plant"
    (plant / "captures").mkdir(parents=True)
    for tag in ("T-1", "T-2"):
        (plant / f"{tag}.toml").write_text(DRIVE.replace("T-1", tag), encoding="utf-8")
        shutil.copy(bench / "captures" / "fit.h5", plant / "captures" / f"{tag}.h5")
        with h5py.File(plant / "captures" / f"{tag}.h5", "a") as file:
            file.attrs["drive"] = tag
    (plant / "recipe.toml").write_text('kind = "route"\ntitle = "Two"\ndrives = ["*-?.toml"]\ncaptures = "captures"\n')
    command = [sys.executable, "-m", "vibe.cli.main", "run", str(plant / "recipe.toml"), "--workers", "2"]
    out = tmp_path / "out"
    done = subprocess.run([*command, "--out", str(out)], env=watched, capture_output=True, text=True, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert not Path(watched["ASKED"]).exists(), Path(watched["ASKED"]).read_text()
    assert len(set(Path(watched["WATCHED"]).read_text().split())) > 1, "only one process worked"

    pages = sorted(out.rglob("*.html"))
    assert len(pages) == 3
    for page in pages:
        text = page.read_text(encoding="utf-8")
        pictures = [
            base64.b64decode(one).decode() for one in re.findall(r"data:image/svg\+xml;base64,([\w+/=]+)", text)
        ]
        assert pictures or page.name == "index.html"
        for shown in (text, *pictures):
            assert not re.search(
                r"""(?:src|href)\s*=\s*["']?\s*(?:https?:|ftp:|//)|url\(\s*["']?(?!#|data:)|@import""", shown
            )
    pypdf = pytest.importorskip("pypdf")
    if "PDF could not be made" in done.stderr:
        pytest.skip("this machine makes no PDF")
    for document in sorted(out.rglob("*.pdf")):
        for sheet in pypdf.PdfReader(document).pages:
            for mark in sheet.get("/Annots") or []:
                assert "/URI" not in str(mark.get_object()), document


COMMANDS = """
simulate {drive} --damage stage1.lobe:1.5 --duration-s 4 --out a.h5
diagnose a.h5 --drive {drive} --out case
check a.h5 --drive {drive}
tones {drive}
plan {drive} --out plan
plan {share}/configs/routes/water_works.toml --out walk
practice --out practice --drive TH-02
history add {share}/sample_signals/TH-02_thickener_rake_south.h5 --store store --drives {drive}
history page TH-02 --store store --out pages
history export --store store --out tables
alarms list --store store
practice --commissioning --out new
run {share}/pipelines/commissioning.toml --captures new/good --out certificates
demo
"""


@pytest.mark.slow
def test_every_command_works_where_there_is_no_network_at_all(tmp_path: Path) -> None:
    from vibe.flow.settings import share_dir

    if shutil.which("unshare") is None or subprocess.run(["unshare", "--net", "true"], capture_output=True).returncode:
        pytest.skip("needs unshare and the right to make a network namespace")
    drive = share_dir() / "configs" / "drives" / "thickener_rake_south.toml"
    for line in COMMANDS.format(share=share_dir(), drive=drive).strip().splitlines():
        command = ["unshare", "--net", sys.executable, "-m", "vibe.cli.main", *line.split()]
        environment = os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, env=environment)
        assert done.returncode == 0, (line, done.stderr)
    assert sorted(tmp_path.rglob("certificate.pdf"))
