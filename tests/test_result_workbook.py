"""Results in a spreadsheet: numbers, error bars, and text that stays text."""

from __future__ import annotations

import numpy as np
import openpyxl
import pandas as pd
import pytest

import fanstats as fs
from fanstats.output.report import write_workbook
from fanstats.output.result_workbook import _title
from tests.tables import power_law_rows, readings

EVIL = ("=1+1", "+A1", "-2", "@SUM(1)", "'quoted", "a/b\\c:[*?]")


@pytest.fixture(scope="module")
def estimates():
    """Six models with names a spreadsheet would run, one of them without an estimate."""
    names = [*EVIL, "<b>loud</b>"]
    levels = [30.0, 31.0, 32.0, 33.0, 34.0, 35.0, 70.0]
    groups = [
        power_law_rows(str(place), room=24.0, level_at_900=level)
        for place, level in enumerate(levels)
    ]
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")))
    found = fs.equal_noise(readings(*groups), 33.0, bench=bench, rng=1, draws=400)
    return found.assign_coords(model=names)


@pytest.fixture(scope="module")
def book(estimates, tmp_path_factory):
    path = write_workbook(estimates, tmp_path_factory.mktemp("out") / "results.xlsx")
    return openpyxl.load_workbook(path)


def rows(sheet):
    """Rows of a sheet as dictionaries by heading."""
    head, *body = sheet.iter_rows(values_only=True)
    return [dict(zip(head, row, strict=True)) for row in body]


def test_the_summary_comes_back_number_by_number(estimates, book):
    """Numbers are numbers, what is missing is blank, scopes are in a reader's words."""
    table = fs.summary(estimates)
    found = pd.DataFrame(rows(book["Summary"]))

    for column in ("value", "low", "high", "minus", "plus", "standard_uncertainty", "share_above"):
        # a workbook keeps 16 digits
        np.testing.assert_allclose(found[column].astype(float), table[column], rtol=1e-15)
    assert found["model"].tolist() == table["model"].tolist()
    assert set(found["scope"]) == {"this sample", "the typical one", "the one you would buy"}
    assert all(cell.data_type == "n" for cell in book["Summary"]["F"][1:])


def test_each_quantity_has_error_bars_beside_its_values(estimates, book):
    """Value, minus and plus stand side by side, best first, one row a model, header frozen."""
    sheet = book["airflow wire mesh"]
    found = rows(sheet)
    order = fs.rank(estimates, quantity="airflow", obstruction="wire mesh").table["model"].tolist()
    heads = [cell.value for cell in sheet[1]]

    assert heads[2:5] == ["value [fpm]", "minus [fpm]", "plus [fpm]"]
    assert [row["model"] for row in found] == order
    assert sheet.freeze_panes == "A2"
    for row in found[:-1]:
        assert row["value [fpm]"] - row["minus [fpm]"] == pytest.approx(row["low [fpm]"])
        assert row["value [fpm]"] + row["plus [fpm]"] == pytest.approx(row["high [fpm]"])
    assert found[-1]["model"] == "<b>loud</b>"
    assert found[-1]["value [fpm]"] is None
    assert found[-1]["status"]


def test_pair_chances_add_up(book):
    """The chance one way and the other make one; a model against itself is blank."""
    found = rows(book["pairs airflow none"])
    square = pd.DataFrame(found).set_index("chance that the row is ahead of").astype(float)

    np.testing.assert_allclose((square + square.T).to_numpy()[np.triu_indices(6, 1)], 1.0)
    assert np.isnan(np.diag(square)).all()


def test_text_that_begins_like_a_formula_is_text(book):
    """No cell of the workbook is a formula; such texts are marked so that editing keeps them."""
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    texts = {cell.value: cell for cell in book["Summary"]["E"]}

    assert not [cell for cell in cells if cell.data_type == "f"]
    for name in EVIL[:5]:
        assert texts[name].data_type == "s"
        assert texts[name].quotePrefix
    assert not texts["<b>loud</b>"].quotePrefix


@pytest.mark.parametrize(
    ("text", "taken", "title"),
    [
        ("airflow wire mesh", (), "airflow wire mesh"),
        ("airflow [a/b]:*?\\", (), "airflow  a b"),
        ("x" * 40, (), "x" * 31),
        ("x" * 40, ("x" * 31,), "x" * 29 + " 2"),
        ("AIRFLOW", ("airflow",), "AIRFLOW 2"),
        ("'''", (), "table"),
    ],
)
def test_names_of_sheets_are_those_a_spreadsheet_allows(text, taken, title):
    r"""At most 31 characters, none of []:*?/\\, none twice whatever its case."""
    assert _title(text, set(taken)) == title


def test_control_characters_do_not_break_the_file(estimates, tmp_path):
    """A name with a bell in it is written with a replacement sign."""
    names = ["a\x07b", *estimates["model"].to_numpy()[1:]]
    path = write_workbook(estimates.assign_coords(model=names), tmp_path / "r.xlsx")

    assert openpyxl.load_workbook(path)["Summary"]["E2"].value == "a\ufffdb"


@pytest.mark.parametrize(
    ("name", "match"),
    [("r.csv", "must end in .xlsx"), ("no/r.xlsx", "no/r.xlsx' cannot: No such file")],
)
def test_places_that_cannot_be_written_are_refused(estimates, tmp_path, monkeypatch, name, match):
    """The ending and the folder are checked, and nothing half is left."""
    monkeypatch.chdir(tmp_path)

    with pytest.raises(fs.FanstatsError, match=match):
        write_workbook(estimates, name)
    assert list(tmp_path.iterdir()) == []
