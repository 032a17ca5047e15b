"""The empty workbook: headings the reader knows, examples that stay out, refusals."""

from __future__ import annotations

import json

import openpyxl
import pytest

import fanstats as fs
from fanstats.loading.headers import parse_header
from fanstats.output.template import write_template
from fanstats.quantities import QUANTITIES


def typed_into(path):
    """What somebody types below the example rows, in the order of the headings."""
    book = openpyxl.load_workbook(path)
    rows = {
        "Readings": [
            {"model": "Left", "session": "may", "drive [V]": 7, "speed [rpm]": 900,
             "noise [dBA]": 31.2, "airflow none [fpm]": 400, "airflow wire mesh [fpm]": 290},
            {"model": "Left", "session": "may", "drive [V]": 12, "speed [rpm]": 1400,
             "noise [dBA]": 40.5, "airflow none [fpm]": 640, "airflow wire mesh [fpm]": 460},
        ],
        "Sessions": [{"session": "may", "background [dBA]": 24.4, "ambient [degC]": 21.0}],
        "Prices": [{"model": "Left", "price [EUR]": 11.5, "pack": 2}],
    }  # fmt: skip
    for title, typed in rows.items():
        sheet = book[title]
        places = {cell.value: cell.column for cell in sheet[1]}
        for line, row in enumerate(typed, start=3):
            for heading, value in row.items():
                sheet.cell(line, places[heading], value)
    book.save(path)
    return path


def test_the_empty_template_is_read_back_and_holds_nothing(tmp_path):
    """Every heading is known; the example rows of all three sheets are skipped, with the reason."""
    path = write_template(tmp_path / "fans.xlsx")
    with pytest.warns(fs.FanstatsWarning, match="no row is left"):
        readings = fs.read_readings(path)

    report = json.loads(readings.attrs["report"])
    assert readings.sizes["row"] == 0
    assert "prices" not in readings.attrs
    skipped = [e["source"] for e in report if e["found"].startswith("example row")]
    assert sorted(skipped) == [
        f"fans.xlsx, sheet {s!r}" for s in ("Prices", "Readings", "Sessions")
    ]
    assert "ignored column" not in {e["kind"] for e in report}


def test_a_filled_template_is_read_without_a_warning(tmp_path):
    """Rows below the example are readings; session facts and prices find their rows."""
    readings = fs.read_readings(typed_into(write_template(tmp_path / "fans.xlsx")))

    assert readings["noise"].values.tolist() == [31.2, 40.5]
    assert readings["background"].values.tolist() == [24.4, 24.4]
    assert readings["airflow"].sel(obstruction="wire mesh").values.tolist() == [290.0, 460.0]
    assert json.loads(readings.attrs["prices"])["Left"]["pack"] == 2


@pytest.mark.parametrize("units", QUANTITIES["airflow"].units)
def test_units_and_obstructions_are_the_users_choice(tmp_path, units):
    """Headings carry the units asked for, and the example is plausible in each."""
    path = write_template(
        tmp_path / "fans.xlsx", obstructions=["none", "dust filter"], airflow=units, noise="dBC",
        temperature="K", currency="USD",
    )  # fmt: skip
    book = openpyxl.load_workbook(path)
    heads = [cell.value for cell in book["Readings"][1]]

    assert f"airflow dust filter [{units}]" in heads
    assert "noise [dBC]" in heads
    assert book["Prices"]["B1"].value == "price [USD]"
    for sheet in ("Readings", "Sessions", "Prices"):
        parsed = [parse_header(cell.value) for cell in book[sheet][1]]
        assert all(header.kind != "unknown" and not header.problem for header in parsed)
    book["Readings"].cell(2, len(heads)).value = None
    book["Sessions"].cell(2, book["Sessions"].max_column).value = None
    book.save(tmp_path / "kept.xlsx")
    kept = fs.read_readings(tmp_path / "kept.xlsx")
    assert kept["airflow"].attrs["units"] == units
    assert not [e for e in json.loads(kept.attrs["report"]) if e["kind"] == "implausible"]


def test_a_file_that_stands_there_is_left_alone(tmp_path):
    """Nobody's readings are written over."""
    path = write_template(tmp_path / "fans.xlsx")
    before = path.read_bytes()

    with pytest.raises(fs.FanstatsError, match="exists and was left as it is"):
        write_template(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"path": "fans.csv"}, "must end in .xlsx"),
        ({"path": "nowhere/fans.xlsx"}, "nowhere/fans.xlsx' cannot: No such file"),
        ({"obstructions": []}, "1 to 40 names"),
        ({"obstructions": "mesh"}, "must be a list of names"),
        ({"obstructions": ["none", "open"]}, "each once; got 'open'"),
        ({"obstructions": ["room"]}, "got 'room'"),
        ({"obstructions": ["a]b"]}, r"got 'a\]b'"),
        ({"noise": "sone"}, "`noise` must be one of"),
        ({"airflow": "knots"}, "`airflow` must be one of"),
        ({"currency": "shells"}, "`currency` must be one of"),
    ],
)
def test_what_could_not_be_read_back_is_refused(tmp_path, monkeypatch, options, match):
    """A name that is no obstruction, an unknown unit, a place that cannot be written."""
    monkeypatch.chdir(tmp_path)

    with pytest.raises(fs.FanstatsError, match=match):
        write_template(**{"path": "fans.xlsx", **options})
    assert list(tmp_path.iterdir()) == []
