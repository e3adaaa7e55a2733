"""A result says what the command line says, and its curves are what was measured."""

from __future__ import annotations

import io
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import vibe

TH_02 = ("TH-02_thickener_rake_south.h5", "thickener_rake_south.toml")


def test_it_is_the_report_of_the_command_line(repository: Path, tmp_path: Path) -> None:
    from vibe.cli.main import main

    capture, drive = repository / "sample_signals" / TH_02[0], repository / "configs" / "drives" / TH_02[1]
    with pytest.raises(SystemExit):
        main(["diagnose", str(capture), "--drive", str(drive), "--json", str(tmp_path / "a.json")])
    assert vibe.diagnose(capture, drive).to_json() == (tmp_path / "a.json").read_text(encoding="utf-8")


def test_arrays_are_judged_as_the_capture_is(damaged: vibe.Capture, drive: vibe.Drive, result: vibe.Result) -> None:
    arrays = {channel.name: channel.samples for channel in damaged.channels}
    full_scale = {channel.name: channel.full_scale for channel in damaged.channels if channel.full_scale is not None}
    copy = vibe.Capture.from_arrays(
        arrays, sample_rate_hz=25_600, unit="m/s^2", drive=drive, full_scale=full_scale, load_percent=75.0
    )
    again = vibe.diagnose(copy, drive)
    assert (again.state, again.health.findings, again.health.levels) == (
        result.state, result.health.findings, result.health.levels,
    )  # fmt: skip


def test_damage_is_found_and_its_sound_twin_is_sound(drive: vibe.Drive, result: vibe.Result) -> None:
    assert result.state in ("plan", "act")
    assert result.findings[0].component == "stage1.lobe"
    sound = vibe.diagnose(vibe.simulate(drive, seed=3), drive)
    assert (sound.state, len(sound.findings)) == ("sound", 0)
    # Without one finding the columns are still there.
    assert sound.findings.to_frame().columns.to_list() == result.findings.to_frame().columns.to_list()
    assert sound.findings.to_frame().empty


def test_frames_hold_what_the_report_holds(result: vibe.Result) -> None:
    levels = result.levels.to_frame()
    assert isinstance(levels, pd.DataFrame)
    velocity = levels[(levels["point"] == "input side radial") & (levels["measure"] == "velocity_rms")]["value"].iloc[0]
    stated = json.loads(result.to_json())["levels"]
    assert velocity in [row["value"] for row in stated if row["point"] == "input side radial"]
    assert len(result.not_detectable.to_frame()) == len(json.loads(result.to_json())["not_observable"])
    assert result.quality.to_frame()["quality"].to_list() == ["usable", "usable"]


def test_the_envelope_shows_the_comb_of_the_damage(result: vibe.Result) -> None:
    curve = result.envelope_spectrum("input side radial")
    assert curve.channel == "input side radial"
    # A damaged lobe is loaded 18/17 times per input turn.
    assert curve.x[curve.y.argmax()] == pytest.approx(18 / 17, abs=2 * (curve.x[1] - curve.x[0]))
    assert curve.floor is not None
    assert curve.y.max() > 10 * np.median(curve.floor)
    assert curve.marks[0].at == pytest.approx(18 / 17, rel=2e-3)
    assert curve.to_frame().columns.to_list() == ["order", "modulation_percent", "floor"]
    assert not curve.y.flags.writeable


def test_a_band_or_a_tone_may_be_asked_for(result: vibe.Result) -> None:
    wide = result.envelope_spectrum("input side radial", band_hz=(0, 12_800))
    narrow = result.envelope_spectrum("input side radial", band_hz=(3000, 4000))
    assert wide.title != narrow.title
    assert wide.marks == narrow.marks == ()
    own = result.envelope_spectrum("output side radial", tone="stage1.ring_pin")
    assert own.channel == "output side radial"
    assert own.marks[0].at == pytest.approx(1.0, rel=2e-3)


def test_a_line_of_known_size_is_read_at_its_size() -> None:
    """1 m/s² r.m.s. at the shaft's 25 Hz is 1000 / (2 pi 25) = 6.37 mm/s r.m.s."""
    rate, hz = 10_000, 25.0
    time = np.arange(10 * rate) / rate
    x = math.sqrt(2) * np.sin(2 * math.pi * hz * time) + np.random.default_rng(1).normal(0, 0.05, time.size)
    shaft = vibe.Drive(tag="S-1", input={"speed_rpm": 1500.0})
    result = vibe.diagnose(vibe.Capture.from_arrays({"top": x}, sample_rate_hz=rate, unit="m/s^2"), shaft)
    velocity, acceleration = result.spectrum("top"), result.spectrum("top", quantity="acceleration")
    assert velocity.x[velocity.y.argmax()] == pytest.approx(hz, abs=0.11)
    assert acceleration.y.max() == pytest.approx(1.0, rel=0.03)
    assert velocity.y.max() == pytest.approx(6.366, rel=0.03)
    waveform = result.waveform("top", start_s=1.0, duration_s=0.2)
    assert waveform.x[[0, -1]] == pytest.approx([1.0, 1.2 - 1 / rate])
    np.testing.assert_allclose(waveform.y, x[rate : rate + 2000], atol=0.01)


def test_the_turn_has_one_place_for_one_damaged_lobe(result: vibe.Result) -> None:
    turn = result.turn_map()
    assert (turn.tone, turn.part, turn.count) == ("stage1.lobe", "lobe", 17)
    assert len(turn.marked) >= 1
    assert turn.level.max() == pytest.approx(1.0)
    frame = turn.to_frame()
    strongest = int(frame["part"].to_numpy()[frame["level"].to_numpy().argmax()])
    assert min((strongest - turn.marked[0]) % 17, (turn.marked[0] - strongest) % 17) <= 1


def test_everything_draws_on_given_axes(result: vibe.Result) -> None:
    figure = Figure()
    for curve in (result.envelope_spectrum(), result.spectrum(), result.waveform()):
        ax = figure.add_subplot()
        assert curve.plot(ax=ax, color="k") is ax
        assert ax.get_xlabel() == curve.x_label
        assert "[" in ax.get_ylabel()
        np.testing.assert_array_equal(ax.get_lines()[0].get_ydata(), curve.y)
    turn = result.turn_map()
    for ax in (figure.add_subplot(), figure.add_subplot(projection="polar")):
        assert turn.plot(ax=ax) is ax
    figure.savefig(io.BytesIO(), format="png")


def test_without_axes_a_figure_is_made(result: vibe.Result) -> None:
    import matplotlib as mpl

    mpl.use("agg")
    import matplotlib.pyplot as plt

    before = len(plt.get_fignums())
    result.turn_map().plot()
    result.spectrum().plot()
    assert len(plt.get_fignums()) == before + 2
    plt.close("all")


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (lambda r: r.spectrum("motor"), "'motor' was not analysed; there are 'input side radial'"),
        (lambda r: r.spectrum(quantity="jerk"), "'velocity' or 'acceleration'"),
        (lambda r: r.spectrum(capture=1), "from 0 to 0"),
        (lambda r: r.envelope_spectrum(tone="stage7.lobe"), "there are those of .*'stage1.lobe'"),
        (lambda r: r.turn_map("input.shaft"), "maps of .*'stage1.lobe'"),
        (lambda r: r.waveform(start_s=99.0), "10 s of samples"),
    ],
)
def test_what_is_not_there_is_refused_with_what_is(ask: Any, says: str, result: vibe.Result) -> None:
    with pytest.raises(vibe.CallError, match=says):
        ask(result)


def test_a_capture_that_is_no_good_is_unknown_and_has_no_curves(drive: vibe.Drive) -> None:
    dead = vibe.Capture.from_arrays({"top": np.zeros(50_000)}, sample_rate_hz=10_000, unit="g")
    result = vibe.diagnose(dead, drive)
    assert result.state == "unknown"
    assert result.quality[0].quality == "rejected"
    assert result.channel_names == ()
    with pytest.raises(vibe.CallError, match="nothing was analysed"):
        result.spectrum()


def test_of_several_captures_one_may_be_unreadable_but_not_all(
    damaged: vibe.Capture, drive: vibe.Drive, tmp_path: Path
) -> None:
    (tmp_path / "empty.h5").touch()
    with pytest.raises(vibe.CaptureError, match="is empty"):
        vibe.diagnose(tmp_path / "empty.h5", drive)
    result = vibe.diagnose([tmp_path / "empty.h5", damaged], drive)
    assert result.findings[0].component == "stage1.lobe"
    assert result.quality.to_frame()["quality"].to_list() == ["unreadable", "usable", "usable"]
    with pytest.raises(vibe.CallError, match="is empty"):
        result.spectrum(capture=0)


def test_saved_files_stand_by_themselves(result: vibe.Result, tmp_path: Path) -> None:
    saved = result.save(tmp_path / "out", pdf=False)
    assert saved.json == tmp_path / "out" / "health.json"
    assert json.loads(saved.json.read_text(encoding="utf-8"))["state"] == result.state
    assert saved.html is not None
    page = saved.html.read_text(encoding="utf-8")
    scripts = set(re.findall(r"assets/[\w.-]+\.js", page))
    assert scripts
    assert all((tmp_path / "out" / script).is_file() for script in scripts)
    assert "../" not in page
    with pytest.raises(vibe.OutputError, match="exists already"):
        result.save(tmp_path / "out", pdf=False)
    assert result.save(tmp_path / "out", html=False, pdf=False, force=True).html is None
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"health.json", "assets"}


@pytest.mark.usefixtures("printing")
def test_a_pdf_is_made_where_it_can_be(result: vibe.Result, tmp_path: Path) -> None:
    saved = result.save(tmp_path, html=False)
    assert saved.pdf is not None
    assert saved.pdf.read_bytes().startswith(b"%PDF")


def test_hostile_names_do_no_harm_in_a_notebook(damaged: vibe.Capture) -> None:
    bad = "<script>alert(1)</script>"
    drive = vibe.Drive(tag=bad, name=bad, input={"speed_rpm": 1458.0})
    capture = vibe.Capture.from_arrays({bad: damaged.channels[0].samples}, sample_rate_hz=25_600, unit="m/s^2")
    result = vibe.diagnose(capture, drive)
    shown = (result, result.levels, result.quality, drive, capture, vibe.check(capture, drive))
    for one in shown:
        text = one._repr_html_()
        assert "&lt;script&gt;" in text
        assert "<script" not in text
    assert "<script" not in vibe.plan(drive)._repr_html_()


def test_what_people_print_is_short(result: vibe.Result, damaged: vibe.Capture) -> None:
    assert "of TH-02: input side radial acceleration 25600 Hz 10 s" in repr(damaged)
    assert repr(result).startswith("TH-02: ")
    assert "stage1.lobe" in repr(result.findings)
    assert len(repr(result.spectrum())) < 200
