"""Lists of alarms as other systems write them; what may mean two things is left out and named."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from vibe.core.errors import ConfigError
from vibe.core.records.alarms import Reported
from vibe.ingest.tables.exceedances import read_exceedances

HEAD = "tag,point,time,measure,value,limit\n"
ROW = "TH-01,input side,2024-11-04T10:02:27+01:00,acceleration_rms,0.858,0.77\n"


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "alarms.csv"
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


def one(tmp_path: Path, text: str | bytes, zone: str | None = None) -> Reported:
    stated = read_exceedances(written(tmp_path, text), time_zone=zone)
    assert stated.bad == ()
    (row,) = stated.rows
    return row


def why(tmp_path: Path, text: str, zone: str | None = None) -> str:
    stated = read_exceedances(written(tmp_path, text), time_zone=zone)
    (left,) = stated.bad
    return f"{left.line}: {left.why}"


def test_the_plain_form(tmp_path: Path) -> None:
    row = one(tmp_path, HEAD + ROW)
    assert row == Reported(
        line=2, tag="TH-01", point="input side", at=row.at, measure="acceleration_rms", value=0.858, limit=0.77,
        unit="m/s²",
    )  # fmt: skip
    assert row.at.astimezone(UTC) == datetime(2024, 11, 4, 9, 2, 27, tzinfo=UTC)


def test_other_names_signs_and_decimal_commas(tmp_path: Path) -> None:
    text = (
        "# export of the night\n"
        "Machine;Measuring point;Time stamp;Parameter;Reading [g];Threshold\n"
        "TH-01;input side;04.11.2024 10:02;Acc Peak;0,5;0,25\n"
    )
    row = one(tmp_path, text, "Europe/Vienna")
    assert (row.measure, row.line) == ("acceleration_peak", 3)
    assert row.value == pytest.approx(0.5 * 9.80665)
    assert row.limit == pytest.approx(0.25 * 9.80665)
    assert row.at.astimezone(UTC) == datetime(2024, 11, 4, 9, 2, tzinfo=UTC)


@pytest.mark.parametrize(
    ("hint", "sign"), [("sep=|", "|"), ("sep=;", ";"), ('"sep=^"', "^"), ("SEP=\t", "\t"), ("", "|")]
)
def test_what_parts_columns_is_said_by_a_first_line_or_seen(tmp_path: Path, hint: str, sign: str) -> None:
    rows = (HEAD + ROW).replace(",", sign)
    row = one(tmp_path, "# nightly\n" + (f"{hint}\n" if hint else "") + rows)
    assert (row.tag, row.value, row.limit) == ("TH-01", 0.858, 0.77)
    assert row.line == (4 if hint else 3)


@pytest.mark.parametrize(
    ("cell", "value"),
    [("0.5", 0.5), ("1e-3", 1e-3), ("1.234,5", 1234.5), ("1,234.5", 1234.5), ("1 234.5", 1234.5), ("-2", -2.0),
     ("0,795", 0.795), ("12,5", 12.5), ("1.234.567", 1234567.0)],
)  # fmt: skip
def test_numbers(tmp_path: Path, cell: str, value: float) -> None:
    row = one(tmp_path, HEAD.replace(",", ";") + f"TH-01;p;2024-11-04T10:00+00:00;kurtosis;{cell};\n")
    assert row.value == pytest.approx(value)
    assert row.limit is None


@pytest.mark.parametrize(
    ("measure", "value", "known", "in_store"),
    [
        ("Velocity RMS", "0.1 in/s", "velocity_rms", 2.54),
        ("vRMS (mm/s)", "2.5", "velocity_rms", 2.5),
        ("velocity_rms", "0.0025 m/s", "velocity_rms", 2.5),
        ("a peak [g]", "1", "acceleration_peak", 9.80665),
        ("AccelerationRms", "1", "acceleration_rms", 1.0),
        ("Crest factor", "4.1", "crest_factor", 4.1),
        ("bearing index", "7", "bearing_index", 7.0),
    ],
)
def test_measures_and_units(tmp_path: Path, measure: str, value: str, known: str, in_store: float) -> None:
    row = one(tmp_path, HEAD + f"TH-01,p,2024-11-04T10:00Z,{measure},{value},\n")
    assert row.measure == known
    assert row.value == pytest.approx(in_store)


@pytest.mark.parametrize(
    "time",
    ["2024-11-04T09:02:27Z", "2024-11-04 10:02:27", "2024/11/04 10:02:27", "04.11.2024 10:02:27", "1730710947",
     "1730710947000"],
)  # fmt: skip
def test_times(tmp_path: Path, time: str) -> None:
    row = one(tmp_path, HEAD + f"TH-01,p,{time},kurtosis,4,3\n", "Europe/Vienna")
    assert row.at.astimezone(UTC) == datetime(2024, 11, 4, 9, 2, 27, tzinfo=UTC)


def test_dates_with_slashes_need_one_row_that_tells(tmp_path: Path) -> None:
    rows = "".join(f"TH-01,p,{day}/11/2024 10:00,kurtosis,{day},3\n" for day in ("04", "13"))
    stated = read_exceedances(written(tmp_path, HEAD + rows), time_zone="UTC")
    assert [(row.at.day, row.at.month) for row in stated.rows] == [(4, 11), (13, 11)]
    assert "day or the month" in why(tmp_path, HEAD + "TH-01,p,04/11/2024 10:00,kurtosis,4,3\n", "UTC")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("TH-01,p,2024-11-04T10:00Z,kurtosis,much,3", "'much' is no number"),
        ("TH-01,p,2024-11-04T10:00Z,kurtosis,nan,3", "'nan' is no number"),
        ("TH-01,p,2024-11-04T10:00Z,kurtosis,1e999,3", "out of range"),
        ('TH-01,p,2024-11-04T10:00Z,kurtosis,"1,234",3', "may be 1.234 or 1234"),
        ("TH-01,p,2024-11-04T10:00Z,velocity_rms,3 furlong/s,3", "unit 'furlong/s' is not known"),
        ("TH-01,p,2024-11-04T10:00Z,velocity_rms,3 g,3", "'g' is no unit of velocity_rms"),
        ("TH-01,p,yesterday,kurtosis,4,3", "'yesterday' cannot be read"),
        ("TH-01,p,2024-11-04 10:00,kurtosis,4,3", "no offset from UTC"),
        ("TH-01,p,1900-11-04T10:00Z,kurtosis,4,3", "year 1900"),
        (",p,2024-11-04T10:00Z,kurtosis,4,3", "tag is empty"),
        ("TH-01,p", "time is empty"),
    ],
)
def test_a_bad_row_is_named_by_line_and_costs_no_other(tmp_path: Path, row: str, said: str) -> None:
    stated = read_exceedances(written(tmp_path, f"{HEAD}{ROW}{row}\n\n{ROW.replace('0.858', '0.9')}"))
    assert [one.line for one in stated.rows] == [2, 5]
    (left,) = stated.bad
    assert left.line == 3
    assert said in left.why


def test_a_row_that_comes_twice_counts_once(tmp_path: Path) -> None:
    assert "3: repeats line 2" in why(tmp_path, HEAD + ROW + ROW.replace("10:02:27+01:00", "09:02:27+00:00"))


def test_old_and_wide_encodings(tmp_path: Path) -> None:
    text = HEAD + ROW.replace("input side", "Gehäuse")
    for encoding in ("utf-8-sig", "cp1252", "utf-16"):
        assert one(tmp_path, text.encode(encoding)).point == "Gehäuse"


def test_a_header_alone_is_no_error(tmp_path: Path) -> None:
    stated = read_exceedances(written(tmp_path, HEAD))
    assert (stated.rows, stated.bad) == ((), ())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("a,b,c\n1,2,3\n", "no column 'tag'"),
        ("tag,machine,point,time,measure,value\n", "two columns are the tag"),
        (b"\x00\x01\x02\xff", "is no text"),
    ],
)
def test_what_is_no_list_of_alarms_is_refused(tmp_path: Path, text: str | bytes, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        read_exceedances(written(tmp_path, text))


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        read_exceedances(tmp_path / "none.csv")
    with pytest.raises(ConfigError, match="folder"):
        read_exceedances(tmp_path)
    with pytest.raises(ConfigError, match="time zone"):
        read_exceedances(written(tmp_path, HEAD), time_zone="Europe/Atlantis")
