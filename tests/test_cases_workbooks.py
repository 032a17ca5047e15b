"""Habits of workbooks that no label tells of: averages, rigs by day, headers over two rows."""

import io
import json
import time
import warnings
import zipfile

import openpyxl
import pandas as pd
import pytest

import fanstats as fs

SWEEP = ((5, 600, 22.0, 200), (7, 850, 28.0, 280), (9, 1090, 33.1, 360), (12, 1400, 39.0, 460))
HEAD = ["session", "drive [V]", "speed [rpm]", "noise [dBA]", "airflow [fpm]"]


def book(sheets, merges=()):
    """An XLSX file of rows by sheet; merges are in the first sheet."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for title, rows in sheets.items():
        sheet = made.create_sheet(title)
        for row in rows:
            sheet.append(row)
    for reference in merges:
        made.worksheets[0].merge_cells(reference)
    file = io.BytesIO()
    made.save(file)
    file.seek(0)
    return file


def read(source, **options):
    """Read without regard to the warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", fs.FanstatsWarning)
        return fs.read_readings(source, **options)


def entries(readings, kind):
    """The report's entries of a kind."""
    return [entry for entry in json.loads(readings.attrs["report"]) if entry["kind"] == kind]


@pytest.mark.parametrize(
    "row",
    [
        ["mean", None, None, 30.5, 325],
        [None, "average", None, 30.5, 325],
        [None, "Average of the above", None, 30.5, 325],
        [None, None, "AVG (4 steps)", 30.5, 325],
        ["Std. dev:", None, None, 7.2, 111],
    ],
)
def test_a_row_of_averages_is_known_wherever_the_word_stands(row):
    """In the session's cell, or among numbers: no reading, no blank label, and reported."""
    rows = [HEAD, *(["d1", *step] for step in SWEEP), row]
    with pytest.warns(fs.FanstatsWarning, match="1 x note"):
        readings = fs.read_readings(book({"Quell": rows}), sheets="all")

    assert readings.sizes["row"] == len(SWEEP)
    (note,) = entries(readings, "note")
    assert (note["line"], note["rule"]) == (6, "a row of averages is no reading")


@pytest.mark.parametrize("name", ["Total Hush", "Mean Machine", "Sum 41"])
def test_a_model_whose_name_begins_like_an_average_is_a_model(name):
    """Only the word itself, or the word with what it is over, makes a row of averages."""
    readings = read(book({"s": [["model", *HEAD[1:]], *([name, *step] for step in SWEEP)]}))

    assert set(readings["model"].values) == {name}


@pytest.mark.parametrize(
    ("row", "rule"),
    [
        ((None, None, 30.5, 325), "a row that holds the mean of the others is no reading"),
        ((8.25, 985, 30.5, 325), "a row that holds the mean of the others is no reading"),
        ((8.25, 985, 30.525, 325.0), "a row that holds the mean of the others is no reading"),
    ],
)
def test_an_average_without_a_word_is_doubted(row, rule):
    """A row below a sweep that names no step, or is the mean of it: warned about by row."""
    rows = [["model", *HEAD[1:]], *(["A", *step] for step in SWEEP), ["A", *row]]
    with pytest.warns(fs.FanstatsWarning, match="implausible"):
        readings = fs.read_readings(book({"s": rows}))

    assert readings.sizes["row"] == len(SWEEP) + 1
    assert [(e["line"], e["rule"]) for e in entries(readings, "implausible")] == [(6, rule)]


def test_fans_dialled_in_have_no_sweep_to_be_an_average_of():
    """Level and airflow without drive or speed are what such a table is about."""
    rows = [["model", "noise [dBA]", "airflow [fpm]"]]
    rows += [[name, 36.0 + 0.1 * name.count("B"), flow] for name, flow in (("A", 410), ("B", 440))]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        readings = fs.read_readings(book({"s": rows}))

    assert entries(readings, "implausible") == []


def test_a_level_dialled_in_below_a_sweep_is_taken_as_one_and_listed():
    """It has neither drive nor speed and is no mean: used without a warning."""
    rows = [["model", *HEAD[1:]], *(["A", *step] for step in SWEEP), ["A", None, None, 29.0, 312]]
    readings = read(book({"s": rows}))

    assert readings.sizes["row"] == len(SWEEP) + 1
    assert entries(readings, "implausible") == []
    (noted,) = [e for e in entries(readings, "assumed") if e["line"]]
    assert noted["rule"] == "a row of a sweep with neither drive nor speed is a level dialled in"


def days(*rows):
    """A workbook of one fan on two days, and a sheet of facts about days."""
    readings = [["model", *HEAD], *(["A", day, *step] for day in ("d1", "d2") for step in SWEEP)]
    return book({"s": readings, "Days": [["session", "rig", "background [dBA]"], *rows]})


def test_the_rig_of_a_day_is_the_rig_of_its_readings():
    """Written once on the sheet of days, it stands in every row, and the report says so."""
    readings = read(days(["d1", "shelf", 18.0], ["d2", "box", 17.0]))

    pairs = set(zip(readings["session"].values, readings["rig"].values, strict=True))
    assert pairs == {("d1", "shelf"), ("d2", "box")}
    assert sorted(set(readings["background"].values)) == [17.0, 18.0]
    said = fs.load_report(readings)
    assert "2 rigs" in said
    assert "joined by session: rig, background [dBA]" in said


@pytest.mark.parametrize(
    ("rows", "match"),
    [
        ([["d1", "shelf", 18.0], ["d2", None, 17.0]], "found none for session 'd2'"),
        ([["d1", "shelf", 18.0]], "found none for session 'd2'"),
        (
            [["d1", "shelf", 18.0], ["d1", "box", 17.0], ["d2", "box", 17.0]],
            r"session 'd1' was held on 2 rigs \('shelf', 'box'\).*readings a column 'rig'",
        ),
    ],
)
def test_a_rig_in_doubt_is_refused(rows, match):
    """Which rig a reading was taken on decides what errors it shares: the one cell is named."""
    with pytest.raises(fs.FanstatsError, match=match):
        read(days(*rows))


def test_rigs_of_rows_stand_as_they_are():
    """Rows that name their rig are not asked again."""
    rows = [["model", "rig", *HEAD], *(["A", "attic", "d1", *step] for step in SWEEP)]
    facts = [["session", "rig", "background [dBA]"], ["d1", "attic", 18.0]]
    readings = read(book({"s": rows, "Days": facts}))

    assert set(readings["rig"].values) == {"attic"}
    assert "rig_per" not in readings.attrs


def test_a_header_over_two_rows_is_refused_with_the_cell_to_write():
    """Airflow merged over its obstructions would lose the second and misname the first."""
    rows = [
        ["model", "drive [V]", "noise [dBA]", "airflow [fpm]", None],
        [None, None, None, "mesh", "dust filter"],
        ["A", 5, 20.0, 130, 110],
        ["A", 12, 36.0, 270, 230],
    ]
    with pytest.raises(fs.FanstatsError, match="as in 'airflow dust filter \\[fpm\\]'") as caught:
        read(book({"s": rows}, ["D1:E1"]))

    assert "header (row 1), column 5" in str(caught.value)
    assert "row 2" in str(caught.value)


def test_a_sheet_with_a_column_a_model_comes_with_the_line_that_melts_it(tmp_path):
    """In a workbook too, and the line works."""
    path = tmp_path / "fans.xlsx"
    path.write_bytes(book({"s": [["drive [V]", "Arda", "Bolo"], [5, 20, 22], [12, 36, 38]]}).read())
    with pytest.raises(fs.FanstatsError, match="models stand across the top") as caught:
        read(path)

    line = str(caught.value)[str(caught.value).index("read_readings(") :]
    line = line.replace("'fans.xlsx'", repr(str(path)))
    readings = eval(line, {"pd": pd, "read_readings": read})
    assert readings["model"].values.tolist() == ["Arda", "Arda", "Bolo", "Bolo"]
    assert readings["noise"].values.tolist() == [20.0, 36.0, 22.0, 38.0]


def test_what_is_true_of_many_sheets_is_said_once():
    """Sixty sheets of one habit make one sentence, not sixty."""
    fans = {f"Fan {n:02d}": [HEAD, *(["d1", *step] for step in SWEEP)] for n in range(12)}
    said = fs.load_report(read(book(fans), sheets="all")).splitlines()

    about = [line for line in said if "the sheet's name is the model" in line]
    assert len(about) == 1
    assert "sheets 'Fan 00', 'Fan 01'" in about[0]
    assert "and 6 more" in about[0]
    assert len(said) < 8


def test_a_sheet_a_day_is_a_session_a_sheet():
    """The same fans on sheets named after days are no repeats of one sitting; facts find them."""
    names = {"2024-05-03": 0.0, "2024-05-04": 0.4, "2025-01-11": -0.3}
    sheets = {
        day: [["model", *HEAD[1:]], *(["A", v, n, level + off, q] for v, n, level, q in SWEEP)]
        for day, off in names.items()
    }
    facts = [["session", "background [dBA]"], *([day, 18.0] for day in names)]
    readings = read(book({**sheets, "Days": facts}), sheets="all")

    assert set(readings["session"].values) == set(names)
    assert entries(readings, "repeat") == []
    assert set(readings["background"].values) == {18.0}
    assert [e["found"] for e in entries(readings, "assumed") if "session" in e["mend"]] == [*names]


@pytest.mark.parametrize(
    ("head", "first", "second"),
    [
        (["model", *HEAD[1:]], ["A", *SWEEP[0]], ["N", *SWEEP[0]]),
        (["model", *HEAD], ["A", "d1", *SWEEP[0]], ["A", "d2", *SWEEP[1]]),
    ],
)
def test_pages_of_a_table_are_no_sessions(head, first, second):
    """Other fans on each page, or sessions of their own: the sheet's name says nothing."""
    sheets = {"page 1": [head, first], "page 2": [head, second]}
    readings = read(book(sheets), sheets="all")

    assert set(readings["session"].values).isdisjoint(sheets)


def blocks(*title):
    """One sheet with the header twice, something in between."""
    return book({"Fans": [HEAD[1:], *SWEEP, *title, HEAD[1:], *SWEEP[:2]]})


def test_a_second_fan_below_the_first_is_refused_where_the_sheet_names_the_model():
    """A title and a header again: whose rows those are is not ours to say."""
    with pytest.raises(fs.FanstatsError, match=r"row 7: .*second header below 'Fan Brock'"):
        read(blocks(["Fan Brock"]), sheets="all")


def test_a_header_again_without_a_title_is_warned_about_on_a_sheet_of_one_fan():
    """Perhaps another sweep of the same fan: its rows are used, and the doubt is told."""
    with pytest.warns(fs.FanstatsWarning, match="a repeated header"):
        readings = fs.read_readings(blocks(), sheets="all")

    assert readings.sizes["row"] == len(SWEEP) + 2
    (note,) = entries(readings, "note")
    assert "give them a sitting" in note["mend"]


@pytest.mark.parametrize(
    ("cell", "mark"),
    [("1 200", "."), ("1\u00a0200,5", ","), ("1'200", "."), ("1,200.5", "."), ("1.200,5", ",")],
)
def test_the_refusal_of_a_number_names_the_marks_that_read_it(cell, mark):
    """What the message says to say is said, and the cell is read."""
    text = f'model;drive [V];speed [rpm];noise [dBA]\nA;12;"{cell}";36{mark}5\n'.encode()
    with pytest.raises(fs.FanstatsError, match="Say how numbers are written") as caught:
        read(text, decimal=mark if cell != "1,200.5" else ",")

    said = str(caught.value).partition("such as ")[2].partition(", or write")[0]
    marks = dict(part.split("=", 1) for part in said.split(" and "))
    readings = read(text, **{name: value.strip("'\"") or "'" for name, value in marks.items()})
    assert readings["speed"].item() == (1200.5 if cell.endswith("5") else 1200.0)


MERGE = b"<mergeCells count='1'><mergeCell ref='A2:XFD1048576'/></mergeCells>"


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda xml: xml, "merged ranges cover"),
        (lambda xml: xml.replace(b"ref='", b"ref = '"), "merged ranges cover"),
        (lambda xml: xml.replace(b"A2:", b"A" + 60 * b"0" + b"2:"), "merged ranges cover"),
        (lambda xml: xml.replace(b"A2", b"&#65;2"), "damaged"),
        (lambda xml: b"<!DOCTYPE worksheet>" + xml, "no spreadsheet writes it"),
        (lambda xml: xml.decode().encode("utf-16"), "no spreadsheet writes it"),
    ],
)
def test_a_merge_over_the_whole_sheet_is_seen_however_it_is_written(change, match):
    """Single quotes, blanks, zeros, references, encodings: refused before it is unrolled."""
    small = book({"s": [["model", "noise [dBA]"], ["A", 30]]})
    bomb = io.BytesIO()
    with zipfile.ZipFile(small) as old, zipfile.ZipFile(bomb, "w") as new:
        for part in old.infolist():
            xml = old.read(part)
            if part.filename.endswith("sheet1.xml"):
                xml = change(xml.replace(b"</sheetData>", b"</sheetData>" + MERGE))
            new.writestr(part.filename, xml)
    with pytest.raises(fs.FanstatsError, match=match):
        read(bomb.getvalue())


def test_a_row_of_countless_columns_is_refused_without_reading_each_as_a_header():
    """100,000 columns end in a refusal, in a time that a reader hardly notices."""
    names = ",".join(f"c{place}" for place in range(100_000))
    started = time.process_time()
    with pytest.raises(fs.FanstatsError):
        read(f"{names}\n{names}\n".encode())

    assert time.process_time() - started < 5.0
