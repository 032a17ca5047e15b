"""Tables in: labelled readings out, and a word about everything that is left out or assumed."""

from __future__ import annotations

import ast
import contextlib
import csv
import datetime
import io
import json
import time
import warnings
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
import xarray as xr
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fanstats.errors import FanstatsError, FanstatsWarning
from fanstats.levels import energy_mean
from fanstats.loading.readings import load_report, read_readings
from fanstats.progress import progress


def read(text: str, **options: Any) -> xr.Dataset:
    """Read the text of a CSV file."""
    return read_readings(io.StringIO(text), name="fans.csv", **options)


def quietly(source: Any, **options: Any) -> xr.Dataset:
    """Read without regard to the warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FanstatsWarning)
        return read_readings(source, **options)


def workbook(sheets: dict[str, list[list[Any]]], **merges: list[str]) -> bytes:
    """Make an XLSX file, cells merged by sheet."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
        for reference in merges.get(title, []):
            sheet.merge_cells(reference)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def entries(readings: xr.Dataset, kind: str = "") -> list[dict[str, Any]]:
    """List the report's entries of a kind."""
    return [e for e in json.loads(readings.attrs["report"]) if kind in ("", e["kind"])]


def accounted(readings: xr.Dataset) -> bool:
    """Whether every row is used or reported."""
    attrs = readings.attrs
    return bool(attrs["rows_in"] == attrs["rows_used"] + attrs["rows_reported"])


# Shape of the result ---------------------------------------------------------------------------

WIDE = """model,unit,session,sitting,rig,drive [V],speed [rpm],noise [dBA],background [dBA],\
airflow none [fpm],airflow wire mesh [fpm],temperature [degC],ambient [degC],note,skip
A12,1,s1,1,r,5,600,20.4,18.1,210,150,60.1,21.0,,
A12,1,s1,1,r,7,850,25.2(3),18.1,300 +/- 6,220,55.0,21.0,ticking,
A12,2,s1,1,r,7,870,25.9,18.1,305,225,54.4,21.1,,
B7,1,s2,1,r,0,0,18.0,17.9,,,,21.2,,
B7,1,s2,1,r,5,610,22.0,17.9,230,160,58.0,21.2,,cable touched the blade
"""


def test_wide_table_becomes_labelled_readings() -> None:
    """Labels become coordinates, quantities variables with units; skipped rows are reported."""
    readings = read(WIDE)

    assert dict(readings.sizes) == {"row": 4, "obstruction": 2}
    assert readings["obstruction"].values.tolist() == ["none", "wire mesh"]
    assert readings["airflow"].dims == ("row", "obstruction")
    assert readings["airflow"].attrs == {"units": "fpm", "long_name": "airflow"}
    np.testing.assert_equal(readings["airflow"].values[:, 1], [150, 220, 225, np.nan])
    np.testing.assert_equal(readings["noise_standard"].values, [np.nan, 0.3, np.nan, np.nan])
    np.testing.assert_equal(
        readings["airflow_half_width"].values, [[np.nan] * 2, [6, np.nan], *[[np.nan] * 2] * 2]
    )
    assert "speed_standard" not in readings
    for label in ("model", "unit", "session", "sitting", "rig", "source"):
        assert readings[label].dtype.kind == "U"
    assert readings["line"].values.tolist() == [2, 3, 4, 5]
    assert readings.attrs["background_per"] == "row"
    assert (readings.attrs["rows_in"], readings.attrs["rows_used"]) == (5, 4)
    assert accounted(readings)
    assert [e["found"] for e in entries(readings, "skipped")] == ["cable touched the blade"]
    assert [(e["line"], e["found"]) for e in entries(readings, "note")] == [(3, "ticking")]
    assert [e["line"] for e in entries(readings, "stalled")] == [5]
    assert readings["speed"].values[3] == 0.0


def test_absent_labels_have_stated_defaults() -> None:
    """Without a unit or sitting column there is one of each, and the report says so."""
    readings = read("model,noise [dBA]\nA12,30\n")

    assert [readings[n].item() for n in ("unit", "sitting", "session", "rig")] == ["1", "1", "", ""]
    assert len(entries(readings, "assumed")) == 2


def test_attributes_survive_a_file(tmp_path: Path) -> None:
    """Readings are netCDF-safe and come back the same."""
    readings = read(WIDE)
    readings.to_netcdf(tmp_path / "readings.nc")

    with xr.open_dataset(tmp_path / "readings.nc") as again:
        xr.testing.assert_identical(readings, again.load())


def test_report_in_sentences() -> None:
    """The report is printed as sentences with file, rows and column, counts first."""
    with pytest.warns(FanstatsWarning, match="2 x below range"):
        readings = read("model,drive [V],noise [dBA]\nA,5,<20\nB,5,Lo\nC,5,30\n")

    lines = load_report(readings).splitlines()
    assert lines[0] == "3 rows in: 3 used, 0 reported."
    assert lines[1] == "Read: 3 models in 3 samples; drive [V] 3, noise [dBA] 1."
    assert any(
        line.startswith("fans.csv, rows 2 and 3, column 'noise [dBA]': below range:")
        and "found '<20' and 'Lo'" in line
        for line in lines
    )


def test_report_says_what_was_read_and_joined() -> None:
    """Models, samples, sessions and rigs, readings of each column, what came from other sheets."""
    said = load_report(read(WIDE)).splitlines()[1]
    joined = load_report(read_readings(facts_book())).splitlines()[1]

    assert said == (
        "Read: 2 models in 3 samples, 2 sessions, 1 rig; drive [V] 4, speed [rpm] 4, noise [dBA] "
        "4, airflow none [fpm] 3, airflow wire mesh [fpm] 3, temperature [°C] 3, background [dBA] "
        "4, ambient [°C] 4."
    )
    assert joined == (
        "Read: 2 models in 2 samples, 2 sessions; drive [V] 2, noise [dBA] 2; joined by session: "
        "background [dBA], ambient [°C], load [W]; prices of 2 models."
    )


def test_report_needs_readings() -> None:
    """A Dataset from elsewhere has no report, and that is said."""
    with pytest.raises(FanstatsError, match="must come from read_readings"):
        load_report(xr.Dataset())


def test_the_warning_points_at_the_caller() -> None:
    """The one warning of a load names the caller's file, not the library's."""
    with pytest.warns(FanstatsWarning) as caught:
        read_readings(io.StringIO("model,noise [dBA],colour\nA,30,red\n"))

    assert len(caught) == 1
    assert Path(caught[0].filename) == Path(__file__)


# Labels ----------------------------------------------------------------------------------------


def test_text_labels_na_and_none_stay_text() -> None:
    """A model NA and an obstruction None are kept; nothing of a label goes missing."""
    readings = read(
        "model,obstruction,drive [V],noise [dBA]\nA12,None,12,30.0\nA12,Grille,12,33.0\n"
        "NA,None,12,31.0\nNA,Grille,12,34.0\n"
    )

    assert readings["model"].values.tolist() == ["A12", "NA"]
    penalty = readings["noise_obstructed"].sel(obstruction="Grille") - readings["noise"]
    assert penalty.values.tolist() == [3.0, 3.0]
    assert readings.attrs["rows_used"] == 4


def test_blank_session_is_kept_alone_and_warned_about() -> None:
    """A blank session is one nobody recorded: kept, since it can cancel no error, and reported."""
    with pytest.warns(FanstatsWarning, match=r"row 3, column 'session'"):
        readings = read(
            "model,session,drive [V],noise [dBA]\nA12,s1,12,30\nA12,,12,36\nA12,s2,12,31\n"
        )

    assert readings["session"].values.tolist() == ["s1", "", "s2"]
    assert readings["noise"].values.tolist() == [30.0, 36.0, 31.0]
    assert readings.attrs["rows_in"] == readings.attrs["rows_used"] == 3


@pytest.mark.parametrize(
    ("column", "match"),
    [
        ("model", "row 3, column 'model': every reading needs a model; found 1 blank"),
        ("unit", "row 3, column 'unit': every reading needs a unit"),
        ("rig", "row 3, column 'rig': every reading needs a rig"),
    ],
)
def test_blank_labels_that_decide_averages_are_refused(column: str, match: str) -> None:
    """A blank model, unit or rig beside named ones is refused: guessing it changes results."""
    names = "model," if column != "model" else ""
    lead = "A12," if column != "model" else ""
    text = f"{names}{column},noise [dBA]\n{lead}x,30\n{lead},31\n{lead}y,32\n"

    with pytest.raises(FanstatsError, match=match):
        read(text)


def test_a_unit_blank_all_through_a_model_is_its_only_one() -> None:
    """Samples need names only where a model has several; the assumption is listed."""
    readings = read("model,unit,noise [dBA]\nA,,30\nB,1,31\nB,2,32\n")

    assert readings["unit"].values.tolist() == ["1", "1", "2"]
    assert any("its only one" in e["rule"] for e in entries(readings, "assumed"))


def test_spaces_are_tidied_and_near_twins_kept_apart() -> None:
    """`A12 ` is A12; `a12` is kept apart and warned about."""
    with pytest.warns(FanstatsWarning, match="near-duplicate label"):
        readings = read("model , drive [V],noise [dBA]\nA12 ,12,30\nA12,12,32\n a12,12,31\n")

    models = readings["model"].values
    assert models.tolist() == ["A12", "A12", "a12"]
    levels = readings["noise"].values[models == "A12"]
    assert float(energy_mean(levels)) == pytest.approx(31.1141, abs=5e-5)
    assert entries(readings, "near-duplicate label")[0]["found"] == "A12, a12"


@pytest.mark.parametrize("twins", [("s1", "S1"), ("1", "01"), ("3/4/2024", "03/04/2024")])
def test_near_twins_of_other_labels_are_named(twins: tuple[str, str]) -> None:
    """Sessions that differ in case, leading zeros or date padding are named."""
    with pytest.warns(FanstatsWarning, match="near-duplicate"):
        readings = read(f"model,session,noise [dBA]\nA,{twins[0]},30\nA,{twins[1]},31\n")

    assert readings["session"].values.tolist() == list(twins)


def test_dates_as_sessions_are_text_of_one_convention() -> None:
    """Without a session column the date names it, as text; day and month are never swapped."""
    readings = read(
        "model,date,noise [dBA]\nA12,03/04/2024,30\nA12,14/04/2024,31\nA12,05/04/2024,32\n"
    )

    assert readings["session"].values.tolist() == ["03/04/2024", "14/04/2024", "05/04/2024"]
    assert any("date names the session" in e["rule"] for e in entries(readings, "assumed"))


def test_contradicting_dates_are_refused() -> None:
    """Day first in one row and month first in another fit no convention."""
    with pytest.raises(
        FanstatsError, match=r"'14/04/2024' \(day first\) in row 2 and '04/15/2024'"
    ):
        read("model,session,noise [dBA]\nA,14/04/2024,30\nA,04/15/2024,31\n")


def test_half_converted_dates_are_refused() -> None:
    """A spreadsheet that read 03/04 as a date and left 14/04 as text has perhaps swapped them."""
    rows = [
        ["model", "session", "noise [dBA]"],
        ["A", datetime.datetime(2024, 3, 4), 30.0],
        ["A", "14/04/2024", 31.0],
    ]

    with pytest.raises(FanstatsError, match=r"'2024-03-04' \(a date cell\) in row 2"):
        read_readings(workbook({"S": rows}))


def test_units_of_measure_in_the_unit_column_are_refused() -> None:
    """A long table whose `unit` means dBA is not three samples; each unit's row is named."""
    text = "model,noise [dBA],unit\nA,31.0,dBA\nA,38.5,dBC\nA,31.4,dB(A)\n"

    with pytest.raises(FanstatsError, match=r"names the sample; found .*'dBC' \(row 3\)"):
        read(text)


@pytest.mark.parametrize("cell", ["x" * 300, "a\x07b"])
def test_labels_that_are_no_labels_are_refused(cell: str) -> None:
    """Endless labels and control characters are refused by row and column."""
    with pytest.raises(FanstatsError, match="row 2, column 'model'"):
        read(f"model,noise [dBA]\n{cell},30\n")


def test_a_spreadsheet_error_as_a_label_takes_the_row_out() -> None:
    """#REF! is no model; the rest of the table stays usable."""
    with pytest.warns(FanstatsWarning, match="spreadsheet error"):
        readings = read("model,noise [dBA]\n#REF!,30\nA,31\n")

    assert readings["model"].values.tolist() == ["A"]
    assert accounted(readings)


# Text files ------------------------------------------------------------------------------------

BOM = b'\xef\xbb\xbf"model","drive [V]","noise [dBA]"\nA12,12,30.5\n'


@pytest.mark.parametrize("way", ["str", "Path", "bytes", "binary", "text", "StringIO", "utf-16"])
def test_byte_order_mark_is_no_part_of_the_header(way: str, tmp_path: Path) -> None:
    """A file saved by a spreadsheet reads the same by every road."""
    path = tmp_path / "fans.csv"
    path.write_bytes(BOM)
    text = BOM.decode("utf-8")
    with contextlib.ExitStack() as stack:
        source: Any = {
            "str": str(path),
            "Path": path,
            "bytes": BOM,
            "binary": stack.enter_context(path.open("rb")),
            "text": stack.enter_context(path.open(encoding="utf-8", newline="")),
            "StringIO": io.StringIO(text),
            "utf-16": text.removeprefix("\ufeff").encode("utf-16"),
        }[way]
        readings = read_readings(source)

    assert set(readings.data_vars) == {"drive_voltage", "noise"}
    assert readings["model"].values.tolist() == ["A12"]
    assert readings["noise"].values.tolist() == [30.5]


THOUSANDS = "model;drive [V];noise [dBA];speed [rpm]\nA12;12;31,4;1.234,5\nA12;12;31,6;1.236\n"


def test_decimal_comma_and_thousands_points() -> None:
    """With both said, 1.234,5 rpm is 1234.5."""
    readings = read(THOUSANDS, decimal=",", thousands=".")

    assert readings["noise"].values.tolist() == [31.4, 31.6]
    assert readings["speed"].values.tolist() == [1234.5, 1236.0]


@pytest.mark.parametrize("decimal", [",", None])
def test_unsaid_thousands_points_are_refused_at_their_cell(decimal: Any) -> None:
    """The message names the cell at fault, never a good one."""
    with pytest.raises(FanstatsError, match=r"row 2, column 'speed \[rpm\]', cell '1\.234,5'"):
        read(THOUSANDS, decimal=decimal)


@pytest.mark.parametrize(("separator", "mark"), [(",", "."), (";", ","), ("\t", ","), ("|", ".")])
def test_separators_and_decimal_marks_are_found(separator: str, mark: str) -> None:
    """Comma, semicolon, tab and bar separate; the decimal mark follows from the cells."""
    rows = [["model", "drive [V]", "noise [dBA]"], ["A", "12", f"31{mark}4"]]
    readings = read("\n".join(separator.join(row) for row in rows))

    assert readings["noise"].item() == 31.4


def test_excel_separator_line_is_no_row() -> None:
    """`sep=;` in the first line says the separator; rows keep their numbers."""
    readings = read("sep=;\nmodel;noise [dBA]\nA;31\n")

    assert readings["line"].item() == 3


@pytest.mark.parametrize(
    ("source", "match"),
    [
        (b"model,noise [dBA]\nA\xb0,30\n", "row 2: text must be utf-8; found the byte 0xb0"),
        (b"%PDF-1.7", "a PDF page is no table"),
        (b"\xd0\xcf\x11\xe0abc", r"an old \.xls workbook"),
        (b"model,noise [dBA]\nA,\x0030\n", "row 2: a NUL character"),
        ('model,noise [dBA]\n"A,30\nB,31\n', "row 2: a quotation mark is opened and not closed"),
        ("model,noise [dBA]\nA,31,4\n", "row 2: a row has at most as many cells as the header"),
        ("", "there is no table; found nothing but blank cells"),
        ("model,noise [dBA]\n", "found none below the header"),
        ("hello\nworld\n", "row 1: a table of readings needs a header row"),
        ("session,background [dBA]\ns1,20\n", "needs a header row with 'model'"),
        (b"PK\x03\x04junk", "the workbook is damaged"),
    ],
)
def test_what_is_no_table_is_refused_with_the_mend(source: str | bytes, match: str) -> None:
    """Structural faults name the place, the rule and what was found."""
    with pytest.raises(FanstatsError, match=match):
        read_readings(io.StringIO(source) if isinstance(source, str) else source)


def test_sources_that_cannot_be_opened(tmp_path: Path) -> None:
    """Missing files, folders, closed handles, texts as paths and other things are refused."""
    closed = io.StringIO("x")
    closed.close()
    for source, match in [
        (tmp_path / "none.csv", "cannot be opened"),
        (tmp_path, "cannot be opened"),
        (closed, "cannot be read"),
        ("model,noise [dBA]\nA,30\n", r"Pass io\.StringIO"),
        (12, "must be a path, bytes, an open file or a data frame; got int"),
        ({"a": 1}, "must hold data frames"),
    ]:
        with pytest.raises(FanstatsError, match=match):
            read_readings(source)  # type: ignore[arg-type]


def test_another_encoding_can_be_said() -> None:
    """A file of an old spreadsheet is read when its encoding is said."""
    readings = read_readings("model,temperature [°C]\nA,40\n".encode("cp1252"), encoding="cp1252")

    assert readings["temperature"].attrs["units"] == "degC"


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"decimal": ";"}, "`decimal` must be"),
        ({"thousands": "x"}, "`thousands` must be one of"),
        ({"thousands": ".", "decimal": "."}, "must differ"),
        ({"sheets": "May"}, "`sheets` must be 'all' or names of sheets"),
        ({"fill_down": "colour"}, "`fill_down` must name columns"),
        ({"columns": {"SPL": "noise"}}, r"`columns\['SPL'\]` must be a header"),
        ({"header_row": 9}, "`header_row` must be a row that is not blank; got 9"),
        ({"separator": ";;"}, "`separator` must be one character"),
        ({"encoding": "nonsense"}, "`encoding` must be one"),
    ],
)
def test_options_are_checked(options: dict[str, Any], match: str) -> None:
    """A wrong option is named, with what it may be."""
    with pytest.raises(FanstatsError, match=match):
        read_readings(b"model,noise [dBA]\nA,30\n", **options)


# Cells and rows --------------------------------------------------------------------------------


def test_stray_text_in_a_numeric_column_is_reported_by_kind() -> None:
    """A unit is accepted, a limit and a spreadsheet error are reported with their rows."""
    with pytest.warns(FanstatsWarning, match="1 x below range, 1 x spreadsheet error"):
        readings = read(
            "model,drive [V],noise [dBA]\nA12,12,31.5 dBA\nA12,12,31.7\nA12,12,<20\n"
            "A12,12,#VALUE!\n"
        )

    levels = readings["noise"].values
    assert float(energy_mean(levels[np.isfinite(levels)])) == pytest.approx(31.6012, abs=5e-5)
    assert [e["line"] for e in entries(readings, "below range")] == [4]
    assert [e["line"] for e in entries(readings, "spreadsheet error")] == [5]


def test_another_weighting_in_a_cell_is_refused_by_row() -> None:
    """dB(A) is dBA; dBC among them stops the load at its row."""
    with pytest.raises(FanstatsError, match=r"row 3, column 'noise \[dBA\]', cell '38.5 dBC'"):
        read("model,noise [dBA]\nA,31.0 dBA\nA,38.5 dBC\nA,31.4 dB(A)\n")


def test_noise_and_room_need_one_weighting() -> None:
    """A room in dBC cannot be taken off noise in dBA."""
    with pytest.raises(FanstatsError, match="noise in dBA, room noise in dBC"):
        read("model,noise [dBA],background [dBC]\nA,30,20\n")


def test_columns_of_one_quantity_share_a_unit() -> None:
    """Airflow in fpm and m/s ends up in fpm; velocity and flow do not mix."""
    readings = read("model,airflow none [fpm],airflow mesh [m/s]\nA,600,3.048\n")

    np.testing.assert_allclose(readings["airflow"].values, [[600.0, 600.0]], rtol=1e-12)
    with pytest.raises(FanstatsError, match="found 'cfm' beside 'fpm'"):
        read("model,airflow none [fpm],airflow mesh [cfm]\nA,600,3\n")


def test_ambient_comes_in_the_unit_of_the_temperature() -> None:
    """A rise is a plain difference, whatever thermometer hung in the room."""
    readings = read("model,temperature [degC],ambient [degF]\nA,40,68 +/- 1.8\nB,40,68.0(9)\n")

    np.testing.assert_allclose(readings["ambient"].values, [20.0, 20.0])
    np.testing.assert_allclose(readings["ambient_half_width"].values, [1.0, np.nan])
    np.testing.assert_allclose(readings["ambient_standard"].values, [np.nan, 0.5])


def rise_of(readings: xr.Dataset) -> np.ndarray:
    """The rise as the readings hold it, a difference in kelvins or degrees Fahrenheit."""
    return (readings["temperature"] - readings["ambient"]).values


def test_a_rise_that_was_worked_out_already_is_read() -> None:
    """A column of rises stands over 0 degrees, or over the ambient where that was noted too."""
    alone = read("model,drive [V],temperature rise [K]\nA,5,40.5 +/- 0.4\nA,7,30\n")
    noted = read("model,drive [V],delta t [degC],ambient [degC]\nA,5,40.5,21\nA,7,30,\n")

    assert rise_of(alone).tolist() == rise_of(noted).tolist() == [40.5, 30.0]
    assert alone["temperature"].attrs["units"] == "degC"
    assert alone["temperature_half_width"].values[0] == 0.4
    assert noted["ambient"].values.tolist() == [21.0, 0.0]
    for readings, found in ((alone, "2 rows"), (noted, "1 row")):
        (told,) = [e for e in entries(readings, "assumed") if e["column"] == "temperature rise"]
        assert told["found"] == found


def test_a_rise_converts_without_the_zero_of_its_scale() -> None:
    """9 K are 16.2 degrees Fahrenheit of rise, in a column, in a cell and on another sheet."""
    cells = read("model,temperature rise none [degF],temperature rise mesh [K]\nA,9 K,9\n")
    sheets = {
        "1": pd.DataFrame({"model": ["A"], "temperature rise [degF]": [16.2]}),
        "2": pd.DataFrame({"model": ["A"], "temperature rise [K]": [9.0]}),
    }

    np.testing.assert_allclose(rise_of(cells), [[16.2, 16.2]])
    np.testing.assert_allclose(rise_of(quietly(sheets, sheets="all")), [16.2, 16.2])


def test_a_rise_beside_its_temperature_is_left_out_aloud() -> None:
    """Which of two says what was read: the temperature; rows with a rise alone keep it."""
    text = "model,drive [V],temperature [degC],temperature rise [K]\nA,5,61,40\nA,7,,30\n"
    with pytest.warns(FanstatsWarning, match="1 x ignored column"):
        readings = read(text)

    np.testing.assert_equal(readings["temperature"].values, [61.0, 30.0])
    np.testing.assert_equal(rise_of(readings), [np.nan, 30.0])


def test_a_rise_of_a_long_table_goes_to_its_obstruction() -> None:
    """One row an obstruction holds rises as it holds airflow."""
    readings = read(
        "model,drive [V],obstruction,speed [rpm],temperature rise [K]\n"
        "A,5,none,500,40\nA,5,mesh,,50\n"
    )

    assert readings["temperature"].sel(obstruction=["none", "mesh"]).values.tolist() == [[40, 50]]


def test_a_large_workbook_shows_how_far_reading_has_got(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal a bar runs over the bytes of the file, and is gone in the end."""

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    data = workbook({"Fans": [["model", "noise [dBA]"], *[["A", 30.0 + i] for i in range(60)]]})
    stream = Terminal()
    monkeypatch.setattr("sys.stderr", stream)
    monkeypatch.setitem(vars(progress)["__wrapped__"].__kwdefaults__, "delay", 0.0)
    quietly(data, name="fans.xlsx")

    assert "reading fans.xlsx" in stream.getvalue()
    assert "reading rows" in stream.getvalue()
    assert not stream.getvalue().replace("\r", "\n").splitlines()[-1].strip()


def test_impossible_numbers_are_reported() -> None:
    """A speed below 0 or a duty above 100 % is a slip of the pen: not used, and reported."""
    with pytest.warns(FanstatsWarning, match="2 x unreadable cell"):
        readings = read("model,drive [%],speed [rpm],noise [dBA]\nA,150,-3,30\nB,50,900,31\n")

    assert np.isnan(readings["drive_duty"].values[0])
    assert np.isnan(readings["speed"].values[0])


def test_a_duty_written_as_a_fraction_is_doubted() -> None:
    """0.4 in a column of percent is kept and warned about."""
    with pytest.warns(FanstatsWarning, match="look like fractions"):
        read("model,drive [%],noise [dBA]\nA,0.4,30\nA,1,34\n")


def test_rows_of_averages_units_and_words_are_notes() -> None:
    """What is no reading is listed as a note; rows in = rows used + rows reported."""
    with pytest.warns(FanstatsWarning, match="1 x note"):
        readings = read(
            "Bench of May\n\nmodel,drive [V],noise\n,V,dBA\nA,12,30\n\nA,12,31\nmean,,30.5\n"
            "windy from here on,,\nmodel,drive [V],noise\nB,12,29\n"
        )

    assert readings["model"].values.tolist() == ["A", "A", "B"]
    assert readings["noise"].attrs["units"] == "dBA"
    assert [e["line"] for e in entries(readings, "note")] == [4, 10, 8, 9]
    assert (readings.attrs["rows_in"], readings.attrs["rows_reported"]) == (7, 4)


def test_a_row_of_units_must_agree_with_the_header() -> None:
    """A header in dBA above a unit dBC is refused."""
    with pytest.raises(FanstatsError, match="header and row of units must agree"):
        read("model,noise [dBA]\n,dBC\nA,30\n")


def test_skip_holds_reasons_not_answers() -> None:
    """`no` in the skip column is refused: it would take the row out."""
    with pytest.raises(FanstatsError, match="row 2, column 'skip': a text here takes the row out"):
        read("model,noise [dBA],skip\nA,30,no\n")


def test_a_skipped_row_may_hold_anything() -> None:
    """Faults in a row that is skipped stop nothing."""
    readings = read("model,noise [dBA],skip\n,38 dBC,gust\nA,30,\n")

    assert readings["model"].values.tolist() == ["A"]
    assert accounted(readings)


def test_a_row_is_reported_once() -> None:
    """A row of averages that is also skipped is one row, reported once."""
    readings = read("model,noise [dBA],skip\nmean,30,not a reading\nA,30,\n")

    assert [e["kind"] for e in entries(readings) if e["line"] == 2] == ["skipped"]


def test_repeats_are_counted_and_may_be_refused() -> None:
    """Rows of one key are repeats; with repeats refused the key is named."""
    text = "model,drive [V],noise [dBA]\nA,5,20.0\nA,5,20.4\nA,7,25.0\n"
    readings = read(text)

    repeated = readings["noise"].values[readings["drive_voltage"].values == 5]
    assert float(energy_mean(repeated)) == pytest.approx(20.2046, abs=5e-5)
    assert entries(readings, "repeat")[0]["found"].startswith("1 repeat, the first model A")
    with pytest.raises(
        FanstatsError, match=r"row 3: repeats are not allowed here; found model A, .*5 V"
    ):
        read(text, allow_repeats=False)


def test_voltage_and_duty_stand_side_by_side() -> None:
    """One of the two drives is filled a row; neither is dropped."""
    readings = read("model,drive [V],drive [%],noise [dBA]\nA,12,,30\nA,,40,25\n")

    np.testing.assert_equal(readings["drive_voltage"].values, [12, np.nan])
    np.testing.assert_equal(readings["drive_duty"].values, [np.nan, 40])


# Headers ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "match"),
    [
        ("noise [dBA],noise [dBA]", r"found 'noise \[dBA\]' at columns 2 and 3"),
        ("noise [dBA],Noise (dBC)", r"'noise \[dBA\]' and 'Noise \(dBC\)' at columns 2 and 3"),
        ("airflow none [fpm],airflow free air [fpm]", "at columns 2 and 3"),
        ("airflow [fpm],airflow none [fpm]", "at columns 2 and 3"),
        (
            "noise,speed [rpm]",
            r"column 2: 'noise': a quantity needs its unit .* write noise \[dBA\]",
        ),
        ("noise dBA,speed [rpm]", r"write noise \[dBA\]"),
        ("airflow [gal/min],speed [rpm]", "airflow comes in fpm"),
        (
            ",".join(f"airflow mesh{n} [fpm]" for n in range(41)),
            "found 41 in headers",
        ),
    ],
)
def test_headers_that_cannot_be_read_are_refused(header: str, match: str) -> None:
    """Twins are refused with both positions, a missing unit with the header to write."""
    with pytest.raises(FanstatsError, match=match):
        read(f"model,{header}\nA12,30.0,40.0\n")


def test_headers_without_units_come_with_the_one_line_that_maps_them() -> None:
    """All headers that cannot be read are named at once, and the line given reads the sheet."""
    text = "Fan,RPM,Noise dBA,Volts,airflow mesh m/s\nA,900,30,7,1.9\n"
    with pytest.raises(FanstatsError, match=r"column 2: 'RPM'.*goes for 'Noise dBA'") as caught:
        read(text)
    line = str(caught.value).partition("columns=")[2].partition("}")[0] + "}"
    readings = read(text, columns=ast.literal_eval(line))

    assert readings["model"].item() == "A"
    assert [readings[n].item() for n in ("speed", "noise", "drive_voltage")] == [900.0, 30.0, 7.0]
    assert readings["airflow"].sel(obstruction="mesh").item() == 1.9


def test_a_mapping_that_would_clash_is_not_offered() -> None:
    """Two columns that would both be the airflow are named, and no line pretends to read them."""
    with pytest.raises(FanstatsError, match="'airflow'") as caught:
        read("model,airflow [fpm],airflow\nA,900,30\n")

    assert "columns=" not in str(caught.value)


def test_a_header_that_pandas_numbered_is_a_twin() -> None:
    """`noise [dBA].1` in a data frame is a second column of noise, not an unknown one."""
    frame = pd.read_csv(io.StringIO("model,noise [dBA],noise [dBA]\nA12,30,40\n"))

    with pytest.raises(FanstatsError, match="at columns 2 and 3"):
        read_readings(frame)


def test_unknown_headers_are_left_out_with_a_suggestion() -> None:
    """An unknown header is reported with the nearest known one; None leaves it out quietly."""
    with pytest.warns(FanstatsWarning, match="1 x ignored column"):
        readings = read(
            "model,noise [dBA],ambient [dBA],colour\nA,30,20,red\n", columns={"Colour ": None}
        )

    ignored = entries(readings, "ignored column")
    assert "Did you mean 'background [dBA]'?" in ignored[0]["mend"]
    assert ignored[1]["rule"] == "left out on request"


@pytest.mark.parametrize(
    ("header", "mend"),
    [
        ("rise over room [K]", "A rise is headed temperature rise [K]"),
        ("start [V]", "Start and stop are found from rows at 0 rpm"),
        ("target [dBA]", "The level to read off at is asked for later"),
        ("mesh noise [dBA]", r"columns={'mesh noise [dBA]': 'noise mesh [dBA]'}"),
    ],
)
def test_headers_with_a_meaning_of_their_own_are_explained(header: str, mend: str) -> None:
    """A rise, a start or a target is no quantity of a row: the mend says what to give."""
    readings = quietly(io.StringIO(f"model,drive [V],{header}\nA,7,5\n"))

    (ignored,) = entries(readings, "ignored column")
    assert mend in ignored["mend"]


def test_columns_maps_headers_of_the_user() -> None:
    """A map of headers ignores case and spaces; a name that no table has is reported."""
    readings = read(
        "Fan,SPL  @ 1 m,Tach\nA,30,900\n",
        columns={"fan": "model", "spl @ 1 M": "noise [dBA]", "TACH": "speed [rpm]"},
    )
    assert (readings["noise"].item(), readings["speed"].item()) == (30.0, 900.0)
    with pytest.warns(FanstatsWarning, match="that no table has"):
        read("model,noise [dBA]\nA,30\n", columns={"tacho": "speed [rpm]"})


def test_models_across_the_top_come_with_the_line_that_turns_them(tmp_path: Path) -> None:
    """The refusal holds one line of Python, and that line works."""
    path = tmp_path / "fans.csv"
    path.write_text("fan,A12,B7\nnoise [dBA],30.5,31\nspeed [rpm],1000,1100\n", encoding="utf-8")
    with pytest.raises(FanstatsError, match="models stand across the top") as caught:
        read_readings(path)

    line = str(caught.value).partition("Turn it: ")[2].replace("'fans.csv'", repr(str(path)))
    readings = eval(line, {"pd": pd, "read_readings": read_readings})
    assert readings["model"].values.tolist() == ["A12", "B7"]
    assert readings["noise"].values.tolist() == [30.5, 31.0]


def test_one_column_a_model_comes_with_the_line_that_melts_it(tmp_path: Path) -> None:
    """A column a model under a drive is refused, with the line that gives them a model column."""
    path = tmp_path / "fans.csv"
    path.write_text("drive [V],A12,B7\n5,30,31\n7,34,36\n", encoding="utf-8")
    with pytest.raises(FanstatsError, match="needs a column 'model'") as caught:
        read_readings(path)

    line = str(caught.value)[str(caught.value).index("read_readings(") :]
    readings = eval(
        line.replace("'fans.csv'", repr(str(path))), {"pd": pd, "read_readings": read_readings}
    )
    assert sorted(readings["noise"].values.tolist()) == [30.0, 31.0, 34.0, 36.0]


def test_header_row_is_found_or_given() -> None:
    """Lines above the header are passed over; a given row is taken as it is."""
    text = "noise [dBA],model\nmodel,noise [dBA],drive [V]\nA,30,12\n"

    assert read(text)["line"].item() == 3
    assert read(text, header_row=2)["noise"].item() == 30.0


# Long form -------------------------------------------------------------------------------------

LONG = """model,obstruction,drive [V],speed [rpm],noise [dBA],airflow [fpm],temperature [degC]
A,none,12,1000,30,500,50
A,wire mesh,12,,,400,55
A,filter,12,,33,300,58
A,solid front,12,900,34,200,60
A,none,7,600,22,300,54
"""


def test_long_form_joins_the_free_air_row_of_its_step() -> None:
    """A row behind an obstruction without a speed joins its step; with one it is a step itself."""
    readings = read(LONG)

    assert readings["obstruction"].values.tolist() == ["none", "wire mesh", "filter", "solid front"]
    assert readings["row_obstruction"].values.tolist() == ["", "solid front", ""]
    np.testing.assert_equal(
        readings["airflow"].values,
        [[500, 400, 300, np.nan], [np.nan, np.nan, np.nan, 200], [300, *[np.nan] * 3]],
    )
    np.testing.assert_equal(readings["noise"].values, [30, np.nan, 22])
    np.testing.assert_equal(readings["noise_obstructed"].values[0], [np.nan, np.nan, 33, np.nan])
    np.testing.assert_equal(readings["temperature"].values[0], [50, 55, 58, np.nan])
    assert (readings.attrs["rows_in"], readings.attrs["rows_used"]) == (5, 5)


def test_long_form_rows_that_contradict_stay_apart() -> None:
    """A mesh row with another room noise than its free-air row is not joined to it."""
    readings = read(
        "model,obstruction,drive [V],background [dBA],airflow [fpm]\n"
        "A,none,12,20,500\nA,mesh,12,21,400\nA,filter,12,20,300\n"
    )

    np.testing.assert_equal(readings["airflow"].values, [[500, np.nan, 300], [np.nan, 400, np.nan]])


def test_long_form_row_with_a_speed_of_its_own_is_a_step() -> None:
    """A speed read behind an obstruction is not the free-air row's, even where that has none."""
    readings = read(
        "model,obstruction,drive [V],speed [rpm],airflow [fpm]\nA,none,12,,500\nA,mesh,12,900,400\n"
    )

    np.testing.assert_equal(readings["speed"].values, [np.nan, 900])
    assert readings["row_obstruction"].values.tolist() == ["", "mesh"]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (
            "model,obstruction,speed [rpm],airflow [fpm]\nA,none,1000,500\nA,none,900,450\n"
            "A,mesh,,400\n",
            "row 4: a row behind an obstruction must name its step",
        ),
        (
            "model,obstruction,drive [V],airflow [fpm]\nA,none,12,500\nA,,12,400\n",
            "row 3, column 'obstruction': airflow needs to say what stood before the fan",
        ),
        (
            "model,obstruction,airflow mesh [fpm]\nA,none,500\n",
            "either in headers or in a column; found both",
        ),
        (
            "model,obstruction,airflow [fpm]\n" + "".join(f"A,o{n},5\n" for n in range(300)),
            "at most 40 obstructions; found 300",
        ),
    ],
)
def test_long_form_in_doubt_is_refused(text: str, match: str) -> None:
    """A row whose step or obstruction is open is refused by its row."""
    with pytest.raises(FanstatsError, match=match):
        read(text)


def test_long_and_wide_tables_give_the_same_readings() -> None:
    """The two forms of one table differ in nothing but the lines they stand in."""
    wide = read(
        "model,drive [V],speed [rpm],noise [dBA],airflow none [fpm],airflow mesh [fpm]\n"
        "A,5,600,20,200,150\nA,7,800,25,300,220\n"
    )
    long = read(
        "model,obstruction,drive [V],speed [rpm],noise [dBA],airflow [fpm]\nA,mesh,7,,,220\n"
        "A,none,5,600,20,200\nA,mesh,5,,,150\nA,none,7,800,25,300\n"
    )

    for name in wide.data_vars:
        columns = {"obstruction": wide["obstruction"]} if wide[name].ndim == 2 else {}
        np.testing.assert_equal(long[name].sel(columns).values, wide[name].values)


def test_a_plain_airflow_beside_others_is_free_air() -> None:
    """`airflow [fpm]` beside `airflow mesh [fpm]` is free air, and the report says so."""
    readings = read("model,airflow [fpm],airflow mesh [fpm]\nA,500,400\n")

    assert readings["airflow"].sel(obstruction="none").item() == 500.0
    assert any("is free air" in e["rule"] for e in entries(readings, "assumed"))


# Workbooks -------------------------------------------------------------------------------------

MERGED = [
    ["model", "drive [V]", "noise [dBA]"],
    ["A12", 5, 20.1], [None, 7, 25.2], [None, 12, 36.0],
    ["B7", 5, 22.0], [None, 7, 27.1],
]  # fmt: skip


def test_merged_cells_are_filled_within_their_merge() -> None:
    """A model merged over its steps names them all."""
    readings = read_readings(workbook({"S": MERGED}, S=["A2:A4", "A5:A6"]))

    assert readings["model"].values.tolist() == ["A12"] * 3 + ["B7"] * 2


def test_blanks_that_are_not_merged_are_not_filled() -> None:
    """The same blanks without a merge are refused by row, and filled when asked for."""
    with pytest.raises(FanstatsError, match=r"rows 3, 4, 6, column 'model': .* found 3 blank"):
        read_readings(workbook({"S": MERGED}))

    readings = read_readings(workbook({"S": MERGED}), fill_down=["Model"])
    assert readings["model"].values.tolist() == ["A12"] * 3 + ["B7"] * 2
    assert entries(readings, "assumed")[0]["found"] == "3 cells"


def test_a_merge_across_columns_fills_nothing() -> None:
    """A number merged over two quantities belongs to the first; which others is not ours to say."""
    rows = [["model", "noise [dBA]", "background [dBA]"], ["A", 30.0, None], ["B", 31, 20]]

    readings = read_readings(workbook({"S": rows}, S=["B2:C2"]))

    np.testing.assert_equal(readings["background"].values, [np.nan, 20.0])


def facts_book(**changes: Any) -> bytes:
    """A workbook with readings, session facts, prices and a sheet of words."""
    days = datetime.datetime(2024, 5, 3), datetime.datetime(2024, 5, 4)
    sheets = {
        "Readings": [
            ["model", "session", "drive [V]", "noise [dBA]"],
            ["A", days[0], 5, 20.1], ["B", days[1], 5, 22.0],
        ],
        "Days": [
            ["session", "background [dBA]", "ambient [degC]", "load [W]", "note"],
            [days[0], 18.2, 21, 65, "still"], ["2024-05-04", 18.9, 22, 65, None],
        ],
        "Prices": [["model", "price [EUR]", "pack"], ["A", 19.9, None], ["B", 50, 3]],
        "Memo": [["order more fans"]],
    }  # fmt: skip
    return workbook({**sheets, **changes})


def test_session_facts_and_prices_stand_in_sheets_of_their_own() -> None:
    """Room noise, ambient and load of a session go into its rows; prices are an attribute."""
    readings = read_readings(facts_book())

    assert readings["background"].values.tolist() == [18.2, 18.9]
    assert readings["ambient"].values.tolist() == [21.0, 22.0]
    assert readings["load"].values.tolist() == [65.0, 65.0]
    assert readings.attrs["background_per"] == readings.attrs["ambient_per"] == "session"
    assert readings["background"].attrs["per"] == "session"
    assert json.loads(readings.attrs["prices"]) == {
        "A": {"price": 19.9, "pack": 1, "currency": "EUR"},
        "B": {"price": 50.0, "pack": 3, "currency": "EUR"},
    }
    skipped = entries(readings, "skipped")
    assert [e["source"] for e in skipped] == ["bytes, sheet 'Memo'"]


@pytest.mark.parametrize(
    ("sheet", "rows", "match"),
    [
        ("Days", [["session", "background [dBA]"], [None, 18]], "each row is one session; found a"),
        (
            "Days",
            [["session", "background [dBA]"], ["x", 18], ["x", 19]],
            "each session has one row",
        ),
        ("Prices", [["model", "price [EUR]"], [None, 1]], "a price needs a model"),
        ("Prices", [["model", "price [EUR]", "pack"], ["A", 1, 2.5]], "a pack holds whole units"),
        ("Prices", [["model", "price"], ["A", 1]], r"write price \[EUR\]"),
        (
            "Readings",
            [["model", "session", "background [dBA]"], ["A", "2024-05-04", 20]],
            "background stands either in the rows or in the session sheet; found both",
        ),
        (
            "Readings",
            [
                ["model", "session", "rig", "noise [dBA]"],
                *[["A", "2024-05-04", r, 20] for r in "ab"],
            ],
            "session '2024-05-04' was held on 2 rigs",
        ),
    ],
)
def test_side_sheets_in_doubt_are_refused(sheet: str, rows: Any, match: str) -> None:
    """A second sheet that can be read in two ways is refused by row."""
    with pytest.raises(FanstatsError, match=match):
        quietly(facts_book(**{sheet: rows}))


def test_a_model_may_have_several_offers() -> None:
    """Its price is that of the smallest pack, the cheapest of equal ones; all are kept and told."""
    sheet = [["model", "price [EUR]", "pack"], ["A", 45, 5], ["A", 12, 1], ["A", 11, 1],
             ["A", 45, 5], ["B", 50, 3]]  # fmt: skip
    readings = read_readings(facts_book(Prices=sheet))

    assert json.loads(readings.attrs["prices"]) == {
        "A": {"price": 11.0, "pack": 1, "currency": "EUR"},
        "B": {"price": 50.0, "pack": 3, "currency": "EUR"},
    }
    offers = json.loads(readings.attrs["offers"])["A"]
    assert [(offer["pack"], offer["price"]) for offer in offers] == [(5, 45), (1, 12), (1, 11)]
    (told,) = [e for e in entries(readings, "assumed") if e["column"] == "price"]
    assert told["found"] == "A"
    assert "smallest pack" in told["rule"]
    assert "offers" not in read_readings(facts_book()).attrs


def test_sessions_that_match_nothing_are_named() -> None:
    """Facts without readings and sessions without facts are warned about, near twins named."""
    with pytest.warns(FanstatsWarning, match="1 x note, 2 x warning"):
        readings = read_readings(
            facts_book(
                Readings=[["model", "session", "noise [dBA]"], ["A", "s1", 20], ["B", "S 2", 22]],
                Days=[["session", "background [dBA]"], ["s1", 18], ["s2", 19]],
                Prices=[["model", "price [EUR]"], ["a", 5]],
                Memo=[[]],
            )
        )

    np.testing.assert_equal(readings["background"].values, [18.0, np.nan])
    mends = [e["mend"] for e in entries(readings, "warning")]
    assert mends[0].startswith("Did you mean 'S 2'?")
    assert entries(readings, "note")[0]["mend"].startswith("Did you mean 'A'?")


def test_one_sheet_a_fan() -> None:
    """With sheets="all" the sheet's name is the model, and a percent cell is in percent."""
    book = openpyxl.load_workbook(
        io.BytesIO(
            workbook(
                {
                    "A12": [["drive [V]", "noise [dBA]"], [5, 20], [7, 25]],
                    "B7": [["drive [%]", "noise [dBA]"], [0.4, 21]],
                }
            )
        )
    )
    book["B7"]["A2"].number_format = "0%"
    buffer = io.BytesIO()
    book.save(buffer)
    readings = read_readings(buffer.getvalue(), sheets="all")

    assert readings["model"].values.tolist() == ["A12", "A12", "B7"]
    np.testing.assert_equal(readings["drive_duty"].values, [np.nan, np.nan, 40.0])
    assert len(set(readings["source"].values.tolist())) == 2
    with pytest.raises(FanstatsError, match="say sheets='all' where each sheet is one fan"):
        quietly(buffer.getvalue())


def test_sheets_are_chosen_by_name_and_left_out_aloud() -> None:
    """A second sheet of readings is left out with a warning, or read when it is named."""
    rows = [["model", "noise [dBA]"], ["A", 30]]
    book = workbook({"May": rows, "June": [rows[0], ["B", 31]]})
    with pytest.warns(FanstatsWarning, match=r"sheets=\['June'\]"):
        assert read_readings(book)["model"].values.tolist() == ["A"]

    assert quietly(book, sheets="June")["model"].values.tolist() == ["B"]
    assert read_readings(book, sheets=["May", "June"])["model"].values.tolist() == ["A", "B"]
    with pytest.raises(FanstatsError, match=r"names of sheets \('May', 'June'\); got 'July'"):
        read_readings(book, sheets="July")


def test_units_of_several_sheets_convert_or_are_refused() -> None:
    """Sheets in m/s and fpm are put into the first sheet's unit; dBC beside dBA is refused."""
    book = {
        "A": [["airflow [fpm]"], [600]],
        "B": [["airflow [m/s]"], [3.048]],
    }
    readings = read_readings(workbook(book), sheets="all")
    np.testing.assert_allclose(readings["airflow"].values, [600, 600])
    with pytest.raises(FanstatsError, match=r"sheet 'B', noise: .* found 'dBC' beside 'dBA'"):
        read_readings(
            workbook({"A": [["noise [dBA]"], [30]], "B": [["noise [dBC]"], [30]]}), sheets="all"
        )


def test_formulas_and_dates_in_numeric_columns_are_reported() -> None:
    """A formula saved without its result is no blank, and a date is no number."""
    rows = [
        ["model", "noise [dBA]"],
        ["A", "=30+1"], ["B", datetime.datetime(2024, 4, 3)], ["C", True], ["D", 31.5],
    ]  # fmt: skip
    with pytest.warns(FanstatsWarning, match="3 x unreadable cell"):
        readings = read_readings(workbook({"S": rows}))

    assert readings["model"].values.tolist() == ["D"]
    assert entries(readings, "unreadable cell")[0]["found"] == "=30+1"
    assert accounted(readings)


def test_workbooks_that_would_fill_the_memory_are_refused() -> None:
    """A merge or a cell far outside the table is refused before it is unrolled."""
    started = time.perf_counter()
    far = openpyxl.Workbook()
    far.active.append(["model", "noise [dBA]"])
    far.active.cell(1_048_576, 16_000, "x")
    buffer = io.BytesIO()
    far.save(buffer)
    with pytest.raises(FanstatsError, match="reaches to row 1048576, column 16000 with"):
        read_readings(buffer.getvalue())

    small = workbook({"S": [["model", "noise [dBA]"], ["A", 30]]}, S=["A5:B6"])
    bomb = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(small)) as old, zipfile.ZipFile(bomb, "w") as new:
        for part in old.infolist():
            new.writestr(part, old.read(part).replace(b"A5:B6", b"A5:XFD1048576"))
    with pytest.raises(FanstatsError, match="merged ranges cover"):
        read_readings(bomb.getvalue())
    assert time.perf_counter() - started < 5.0


# Data frames -----------------------------------------------------------------------------------


def test_data_frames_of_every_kind_of_column() -> None:
    """Categories, string columns, missing values and a named index are read as they stand."""
    frame = pd.DataFrame(
        {
            "model": pd.Categorical(["A", "B", "NA"]),
            "unit": [1.0, 2.0, 3.0],
            "session": pd.to_datetime(["2024-05-03", "2024-05-03", "2024-05-04"]),
            "noise [dBA]": pd.array([30.5, None, 31.5], dtype="Float64"),
            "drive [V]": np.array([5, 7, 12], dtype=np.int8),
        }
    ).set_index("model")

    readings = read_readings(frame)

    assert readings["model"].values.tolist() == ["A", "B", "NA"]
    assert readings["unit"].values.tolist() == ["1", "2", "3"]
    assert readings["session"].values.tolist() == ["2024-05-03", "2024-05-03", "2024-05-04"]
    np.testing.assert_equal(readings["noise"].values, [30.5, np.nan, 31.5])
    assert readings["line"].values.tolist() == [1, 2, 3]
    assert readings["source"].values.tolist() == ["DataFrame"] * 3


def test_a_mapping_of_data_frames_is_a_workbook() -> None:
    """Frames by sheet name are read like the sheets of a workbook."""
    readings = read_readings(
        {
            "Readings": pd.DataFrame({"model": ["A"], "session": ["s"], "noise [dBA]": [30.0]}),
            "Days": pd.DataFrame({"session": ["s"], "background [dBA]": [20.0]}),
        }
    )

    assert readings["background"].item() == 20.0


def test_headers_of_two_levels_are_refused() -> None:
    """A frame with two header rows is refused with the line that joins them."""
    frame = pd.DataFrame([[1, 2]], columns=pd.MultiIndex.from_product([["noise"], ["a", "b"]]))

    with pytest.raises(FanstatsError, match="headers must stand in one row; found 2 levels"):
        read_readings(frame)


# Whole tables ----------------------------------------------------------------------------------

LETTERS = st.characters(whitelist_categories=("L", "N"), whitelist_characters="-# .;,'\"&")
MODELS = st.text(LETTERS, min_size=1, max_size=12).filter(
    lambda text: text.strip() and not text.startswith(("#", "=")) and "\u2028" not in text
)
AVERAGES = {"mean", "average", "averages", "avg", "avg.", "median", "sum", "total", "std", "std.",
            "stdev", "sd", "model"}  # fmt: skip
NUMBERS = st.floats(0, 99, allow_nan=False).map(lambda value: round(value, 2))


@st.composite
def tables(draw: st.DrawFn) -> pd.DataFrame:
    """Small tables of readings, numbers with two decimals at most, some cells missing."""
    count = draw(st.integers(1, 6))
    models = MODELS.filter(lambda text: text.strip().rstrip(":. ").casefold() not in AVERAGES)
    column = st.lists(NUMBERS, min_size=count, max_size=count)
    return pd.DataFrame(
        {
            "model": draw(st.lists(models, min_size=count, max_size=count)),
            "unit": draw(
                st.lists(st.sampled_from(["1", "2", "NA"]), min_size=count, max_size=count)
            ),
            "drive [V]": draw(column),
            "speed [rpm]": draw(column),
            "noise [dBA]": draw(column),
            "airflow none [m/s]": draw(column),
            "airflow mesh [m/s]": draw(
                st.lists(st.none() | NUMBERS, min_size=count, max_size=count)
            ),
        }
    )


def written(frame: pd.DataFrame, separator: str, mark: str, mend: str) -> bytes:
    """Write a table in one dialect."""
    text = frame.map(
        lambda cell: "" if cell is None or cell != cell
        else f"{cell:.2f}".replace(".", mark) if isinstance(cell, float) else cell
    ).to_csv(sep=separator, index=False, lineterminator=mend)  # fmt: skip
    return text.encode("utf-8-sig" if mark == "," else "utf-8")


@given(tables(), st.sampled_from(",;\t|"), st.sampled_from(".,"), st.sampled_from(["\n", "\r\n"]))
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_table_in_any_dialect_is_the_same_table(
    frame: pd.DataFrame, separator: str, mark: str, mend: str
) -> None:
    """Separator, decimal mark, line ends and byte order mark change nothing that is read."""
    expected = quietly(frame)
    readings = quietly(written(frame, separator, mark, mend), decimal=mark)

    assert set(readings.variables) == set(expected.variables)
    for name in expected.variables:
        if name not in ("line", "source"):
            np.testing.assert_array_equal(readings[name].values, expected[name].values)
            assert readings[name].attrs == expected[name].attrs


@given(tables(), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_row_order_changes_nothing_but_the_order(frame: pd.DataFrame, random: Any) -> None:
    """A shuffled table gives the same rows, each with its own labels and numbers."""
    order = list(range(len(frame)))
    random.shuffle(order)
    expected = quietly(frame)
    shuffled = quietly(frame.iloc[order].reset_index(drop=True))

    for name in expected.variables:
        if name not in ("line", "obstruction"):
            np.testing.assert_array_equal(shuffled[name].values, expected[name].values[order])


JUNK = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        [
            "A",
            "31,4",
            "1.234",
            "1.234,5",
            "<20",
            "Lo",
            "#REF!",
            "38 dBC",
            "3 m/s",
            "34.8(2)",
            "1e308",
            "-1",
            "34 +/- 1e300",
            "mean",
            "",
            "none",
            "wire mesh",
            "14/04/2024",
            "04/15/2024",
            "=1",
        ]
    ),
    st.floats().map(str),
    st.integers().map(str),
)
HEADERS = st.one_of(
    st.sampled_from(
        [
            "model",
            "unit",
            "session",
            "rig",
            "sitting",
            "obstruction",
            "skip",
            "note",
            "date",
            "batch",
            "noise [dBA]",
            "noise mesh [dBA]",
            "noise",
            "background [dBC]",
            "speed [rpm]",
            "drive [V]",
            "drive [%]",
            "airflow [fpm]",
            "airflow none [m/s]",
            "airflow wire mesh [cfm]",
            "temperature [degC]",
            "ambient [degF]",
            "load [W]",
            "price [EUR]",
            "pack",
            "repeat",
        ]
    ),
    st.text(max_size=10),
)


def _outcome(source: Any, **options: Any) -> None:
    """Read junk: a right result or the library's own error, nothing else."""
    try:
        readings = quietly(source, **options)
    except FanstatsError:
        return
    assert accounted(readings)
    assert readings.attrs["rows_used"] >= readings.sizes["row"]
    for name in readings.data_vars:
        assert readings[name].dtype == np.float64
        assert not np.isinf(readings[name].values).any()
    assert load_report(readings)


@given(
    st.lists(HEADERS, min_size=1, max_size=5, unique=True),
    st.lists(st.lists(JUNK, max_size=6), max_size=6),
    st.sampled_from(",;\t"),
    st.sampled_from([{}, {"decimal": ","}, {"thousands": ","}, {"fill_down": "model"}]),
)
@example(["model", "airflow [fpm]"], [["A", "1e308 m/s"]], ",", {})
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_junk_in_tables_gives_readings_or_our_own_error(
    header: list[str], rows: list[list[str]], separator: str, options: dict[str, Any]
) -> None:
    """Whatever stands in a table, only FanstatsError comes out, and every row is accounted for."""
    text = "\n".join(separator.join(cells) for cells in [["model", *header], *rows])

    _outcome(io.StringIO(text), **options)


LIKELY = [
    "unit", "session", "rig", "sitting", "obstruction", "skip", "note", "date", "batch",
    "drive [V]", "drive [%]", "speed [rpm]", "airflow [fpm]", "airflow mesh [m/s]",
    "temperature [degC]", "ambient [degF]", "background [dBA]", "load [W]", "noise mesh [dBA]",
]  # fmt: skip
CELLS = st.one_of(
    st.sampled_from(
        ["12", "7", "31.5", "900", "34.8(2)", "0.2 +/- 0.1", "0", "s1", "none", "mesh"]
    ),
    st.sampled_from(["12", "", "NA", "x", "30"]),
    JUNK,
)


@given(
    st.lists(st.sampled_from(LIKELY), min_size=1, max_size=6, unique=True).flatmap(
        lambda header: st.tuples(
            st.just(["model", "noise [dBA]", *header]),
            st.lists(
                st.lists(CELLS, min_size=len(header) + 1, max_size=len(header) + 1), max_size=6
            ),
        )
    ),
    st.sampled_from([{}, {"fill_down": "unit"}, {"decimal": ".", "thousands": ","}]),
)
@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_faulty_cells_give_readings_or_our_own_error(
    table: tuple[list[str], list[list[str]]], options: dict[str, Any]
) -> None:
    """In a table of the right shape, faulty cells are read, reported or refused by name."""
    header, rows = table
    text = io.StringIO()
    csv.writer(text, quoting=csv.QUOTE_ALL).writerows([header, *(["A", *row] for row in rows)])

    _outcome(io.StringIO(text.getvalue().replace("\0", "")), **options)


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_junk_bytes_give_our_own_error(data: bytes) -> None:
    """Any file is a table or refused."""
    _outcome(data)
    _outcome(b"model,noise [dBA]\n" + data)


@given(st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_damaged_workbooks_give_our_own_error(data: st.DataObject) -> None:
    """A workbook with bytes knocked out is read or refused."""
    whole = bytearray(_BOOK)
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(4, len(whole) - 1))
        whole[place] = data.draw(st.integers(0, 255))

    _outcome(bytes(whole[: data.draw(st.integers(4, len(whole)))]))
    _outcome(bytes(whole), sheets="all")


_BOOK = workbook({"S": MERGED, "Days": [["session", "background [dBA]"], ["s", 20]]}, S=["A2:A4"])


@given(
    st.dictionaries(
        st.text(max_size=8) | HEADERS,
        st.lists(
            st.one_of(
                JUNK, st.none(), st.floats(), st.integers(), st.booleans(), st.complex_numbers(),
                st.datetimes(), st.decimals(), st.binary(max_size=4),
            ),
            min_size=3,
            max_size=3,
        ),
        max_size=6,
    )
)  # fmt: skip
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_junk_in_data_frames_gives_readings_or_our_own_error(columns: dict[str, list[Any]]) -> None:
    """Objects of any type in a data frame are read, reported or refused."""
    frame = pd.DataFrame({name: pd.Series(cells, dtype=object) for name, cells in columns.items()})

    _outcome(frame)


def test_reading_time_grows_with_the_rows_not_faster() -> None:
    """Eight times the rows take no more than some eight times as long."""
    rng = np.random.default_rng(5)

    def seconds(rows: int) -> float:
        step = np.arange(rows) % 8
        speed = (500.0 + 150.0 * step) * rng.normal(1.0, 0.01, rows)
        frame = pd.DataFrame(
            {
                "model": [f"M{row // 500}" for row in range(rows)],
                "drive [V]": 5.0 + step,
                "speed [rpm]": speed.round(1),
                "noise [dBA]": (33.0 + 50.0 * np.log10(speed / 900.0)).round(2),
                "airflow none [fpm]": (0.5 * speed * rng.normal(1.0, 0.01, rows)).round(1),
            }
        )
        text = frame.to_csv(index=False)
        best = np.inf
        for _ in range(3):
            started = time.perf_counter()
            readings = read(text)
            best = min(best, time.perf_counter() - started)
        assert readings.sizes["row"] == rows
        return float(best)

    assert seconds(24_000) < 16 * seconds(3_000)
