"""The readings of a round in one file: as people type them, and as spreadsheets save them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from vibe.core.errors import CaptureError, ConfigError
from vibe.core.route.readings import RoundReadings, StopReadings
from vibe.core.route.route import Route
from vibe.ingest.read import read_capture
from vibe.ingest.route.noted_readings import with_readings
from vibe.ingest.route.route_capture import read_on_route
from vibe.ingest.tables.readings_file import KnownStops, load_readings

KNOWN = KnownStops(
    tags={"th-02": "TH-02", "rake": "TH-02", "sp-01": "SP-01"},
    speeds_rpm={"TH-02": (1430, 1500), "SP-01": (1430, 1490)},
)
CSV = "time_s,P1 [m/s^2]\n" + "".join(f"{k / 1000},{k % 7 - 3}\n" for k in range(300))


def read(folder: Path, text: str | bytes, name: str = "readings.csv") -> RoundReadings:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_readings(path, KNOWN)


def wrong(folder: Path, text: str | bytes, name: str = "readings.csv") -> str:
    with pytest.raises(ConfigError) as said:
        read(folder, text, name)
    return str(said.value).removeprefix(f"{folder / name}")


@pytest.mark.parametrize(
    "text",
    [
        "drive,speed_rpm,load_percent\nTH-02,1460.5,80\n",
        "drive;speed_rpm;load_percent\r\nTH-02;1460,5;80\r\n",
        'tag,rpm,load\nth-02,"1460,5",80 %\n',
        "drive\tspeed [1/min]\tload [%]\nRAKE\t1460,5 r/min\t80\n",
        "# walk of March\n\ndrive,speed_hz,load_percent,name\nTH-02,24.341666666667,80,Rake\n,,,\n",
        "\ufeffdrive,speed_rpm,load_percent\nTH-02,1460.5,80,\n",
        "drive,speed_rpm,load_percent\nTH-02,1460.5,80\nSP-01,,\nSP-01,-,–\n",
        "drive,speed_rpm,load_percent\nTH-02,1460.5,80\n".encode("utf-16"),
    ],
)
def test_however_it_is_typed_it_means_the_same(tmp_path: Path, text: str | bytes) -> None:
    assert read(tmp_path, text).stops == {"th-02": StopReadings(drive="TH-02", speed_rpm=1460.5, load_percent=80.0)}


def test_what_else_was_read_is_kept_in_words(tmp_path: Path) -> None:
    text = 'drive,oil [°F],housing,direction,note,taken\nTH-02,129.2,61,ccw,\'=SUM(1) "hot",in; out\n'
    one = read(tmp_path, text).of("th-02")
    assert one is not None
    assert one.other_readings == (
        'oil 54 °C; housing 61 °C; input turns counterclockwise, seen from the motor; =SUM(1) "hot"'
    )
    toml = '[[stop]]\ndrive = "rake"\noil_temperature_c = 54.0\nnote = "new\\ngrease"\n'
    assert read(tmp_path, toml, "r.toml").stops["th-02"].other_readings == "oil 54 °C; new grease"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", ": is empty"),
        ("speed_rpm\n1460\n", ", line 1: has no column 'drive'"),
        ("drive,sped_rpm\nTH-02,1460\n", ", line 1: unknown column 'sped_rpm'; did you mean 'speed_rpm'?"),
        ("drive,speed [knots]\nTH-02,1460\n", ", line 1: the unit 'knots' is not known here; write r/min or Hz"),
        ("drive,speed_rpm,rpm\nTH-02,1460,1\n", ", line 1: has two columns for speed_rpm"),
        ("drive,speed_rpm\nTH-2,1460\n", ", line 2: there is no drive 'TH-2'; did you mean 'TH-02'?"),
        ("drive,speed_rpm\nxyz,1460\n", ", line 2: there is no drive 'xyz'; there are SP-01, TH-02"),
        ("drive,speed_rpm\n,1460\n", ", line 2: has readings and names no drive"),
        ("drive,speed_rpm\nTH-02,1460\nrake,1461\n", ", line 3: TH-02 is given a second time; line 2 has it already"),
        ("drive,speed_rpm\nTH-02,1460,5\n", ", line 2: has 3 cells where the header has 2 (does a decimal comma"),
        ("drive,speed_rpm,load\nTH-02,1460\n", ", line 2: has 2 cells where the header has 3: leave a cell empty"),
        ("drive,speed_rpm\nTH-02,fast\n", ", line 2: speed_rpm: the number 'fast' is no number"),
        ("drive,speed_rpm\nTH-02,1460 m/s\n", ", line 2: speed_rpm: the unit 'm/s' is not known here"),
        ('drive,speed_rpm\nTH-02,"1,460"\n', ", line 2: speed_rpm: the number '1,460' may be 1.460 or 1460"),
        ("drive,speed_rpm\nTH-02,24.3\n", "r/min, its input turns 1430 to 1500 r/min"),
        ("drive,speed_rpm\nTH-02,0\n", ", line 2: speed_rpm must be above 0, not 0"),
        ("drive,load\nTH-02,-3\n", "load_percent must be at least 0, not -3"),
        ("drive,oil\nTH-02,540\n", "oil_temperature_c must be at most 300, not 540"),
        ("drive,direction\nTH-02,left\n", "direction: 'left' is neither clockwise nor counterclockwise"),
        ('drive,note\nTH-02,"open\n', ", line 2: a quotation mark is not closed"),
        ("drive,speed_rpm\na,1\nb,1\nc,1\nd,1\ne,1\nf,1\n", "and 2 more)"),
        (b"\x00\x01\x02", "is no text: export it as CSV"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(tmp_path: Path, text: str | bytes, said: str) -> None:
    assert said in wrong(tmp_path, text)


def test_toml_is_held_to_the_same(tmp_path: Path) -> None:
    stop = '[[stop]]\ndrive = "TH-02"\nspeed_rpm = 1460\n'
    assert read(tmp_path, stop, "r.toml").stops["th-02"].speed_rpm == 1460
    assert "line 5: TH-02 is given a second time" in wrong(tmp_path, stop + stop, "r.toml")
    assert "line 3: unknown key 'speed'" in wrong(tmp_path, stop.replace("speed_rpm", "speed"), "r.toml")
    assert read(tmp_path, "", "r.toml").remarks == ("r.toml holds no reading yet",)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
@pytest.mark.parametrize("name", ["r.csv", "r.toml"])
def test_a_pipe_is_refused_before_it_is_opened(tmp_path: Path, name: str) -> None:
    os.mkfifo(tmp_path / name)
    with pytest.raises(ConfigError, match="not an ordinary file"):
        load_readings(tmp_path / name, KNOWN)
    with pytest.raises(ConfigError, match="no such file"):
        load_readings(tmp_path / "nowhere.csv", KNOWN)


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "card" / "a.csv"
    path.parent.mkdir()
    path.write_text('# drive = "TH-02"\n# speed_rpm = 1444\n' + CSV, encoding="utf-8")
    return path


READINGS = RoundReadings(
    file="readings.csv", stops={"th-02": StopReadings(drive="TH-02", speed_rpm=1460, load_percent=80, note="hot")}
)


def test_readings_go_before_logger_and_folder_and_it_is_said(capture: Path) -> None:
    once = with_readings(read_capture(capture), READINGS)
    assert (once.speed_rpm, once.load_percent) == (1460, 80)
    assert "speed: 1460 r/min in readings.csv, 1444 r/min in the file itself; readings.csv is taken" in once.remarks
    assert once.remarks[-1] == "read at the stop: hot"
    capture.with_name("folder.toml").write_text("speed_rpm = 1450\nload_percent = 80.04\n", encoding="utf-8")
    twice = with_readings(read_capture(capture), READINGS)
    assert (twice.speed_rpm, twice.load_percent) == (1460, 80)
    said = [remark for remark in twice.remarks if "readings.csv" in remark]
    assert said == ["speed: 1460 r/min in readings.csv, 1450 r/min in its folder.toml; readings.csv is taken"]


def test_a_captures_own_sidecar_goes_before_the_readings_and_it_is_said(capture: Path) -> None:
    capture.with_name("a.csv.toml").write_text("speed_rpm = 1455\n", encoding="utf-8")
    route = Route.model_validate(
        {"title": "W", "drives": ["x"], "stop": [{"drive": "TH-02", "point": [{"name": "P1"}]}]}
    )
    read = read_on_route(capture, capture.parent, route, READINGS)
    assert (read.speed_rpm, read.load_percent) == (1455, 80)
    assert any(
        "1460 r/min in readings.csv, 1455 r/min in its sidecar; the sidecar, which" in one for one in read.remarks
    )
    assert read_on_route(capture, capture.parent, route).load_percent is None


def test_readings_that_agree_are_taken_in_silence(capture: Path) -> None:
    agreed = RoundReadings(file="r.csv", stops={"th-02": StopReadings(drive="TH-02", speed_rpm=1444.2)})
    before = read_capture(capture)
    after = with_readings(before, agreed)
    assert (after.speed_rpm, after.remarks) == (1444.2, before.remarks)
    other = RoundReadings(file="r.csv", stops={"sp-01": StopReadings(drive="SP-01", speed_rpm=1)})
    assert with_readings(before, other) is before


def test_a_sidecar_that_is_a_link_leading_out_is_not_followed(capture: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside.toml"
    outside.write_text("speed_rpm = 1455\nsecret_key = 1\n", encoding="utf-8")
    for name in ("a.csv.toml", "folder.toml"):
        link = capture.with_name(name)
        link.symlink_to(outside)
        with pytest.raises(CaptureError, match="is a link that leads out of its folder") as said:
            read_capture(capture)
        assert "secret_key" not in str(said.value)
        link.unlink()
    inside = capture.with_name("true.toml")
    inside.write_text("speed_rpm = 1455\n", encoding="utf-8")
    capture.with_name("a.csv.toml").symlink_to(inside)
    assert read_capture(capture).speed_rpm == 1455
