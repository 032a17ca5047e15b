"""Cells of a numeric column: numbers, their own uncertainty, and what is no number."""

from __future__ import annotations

import datetime
import math
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from fanstats.errors import FanstatsError
from fanstats.loading.cells import Percent, is_blank, parse_cell, read_column, tokens
from fanstats.number_format import NumberFormat, detect_format

COMMA = NumberFormat(decimal=",", thousands=".")


@pytest.mark.parametrize(
    ("text", "value", "standard", "half_width"),
    [
        ("31.5", 31.5, math.nan, math.nan),
        ("31.5 dBA", 31.5, math.nan, math.nan),
        ("31.5dB(A)", 31.5, math.nan, math.nan),
        ("-5", -5.0, math.nan, math.nan),
        ("−5", -5.0, math.nan, math.nan),
        ("1.2E+01", 12.0, math.nan, math.nan),
        (".5", 0.5, math.nan, math.nan),
        ("34.8(2)", 34.8, 0.2, math.nan),
        ("34.8(12)", 34.8, 1.2, math.nan),
        ("1234(5)", 1234.0, 5.0, math.nan),
        ("34.8(0.2)", 34.8, 0.2, math.nan),
        ("34.8(2) dBA", 34.8, 0.2, math.nan),
        ("34.8 +/- 0.2", 34.8, math.nan, 0.2),
        ("34.8±0.2 dB", 34.8, math.nan, 0.2),
        ("34.8 dBA +- 0.2 dB", 34.8, math.nan, 0.2),
        ("40 ± 2 %", 40.0, math.nan, 0.8),
    ],
)
def test_numbers_and_their_own_uncertainty(
    text: str, value: float, standard: float, half_width: float
) -> None:
    """Brackets hold a standard uncertainty in the last digits (JCGM 100, 7.2.2)."""
    cell = parse_cell(text, "dBA")

    assert cell.kind == "number"
    np.testing.assert_allclose(
        [cell.value, cell.standard, cell.half_width], [value, standard, half_width], rtol=1e-12
    )


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("<20", "below range"),
        ("≤ 20 dBA", "below range"),
        ("Lo", "below range"),
        (">130", "above range"),
        ("OL", "above range"),
        ("#VALUE!", "spreadsheet error"),
        ("#N/A", "spreadsheet error"),
        ("#DIV/0!", "spreadsheet error"),
        ("Err:502", "spreadsheet error"),
        ("=A1+B1", "unreadable cell"),
        ("windy", "unreadable cell"),
        ("31?", "unreadable cell"),
        ("31.5*", "unreadable cell"),
        ("34.8 (2)", "unreadable cell"),
        ("10 20", "unreadable cell"),
        ("12.3.4", "unreadable cell"),
        ("03.04.2024", "unreadable cell"),
        ("inf", "unreadable cell"),
        ("1e999", "unreadable cell"),
        ("", "blank"),
        ("NA", "blank"),
        ("n/a", "blank"),
        ("-", "blank"),
    ],
)
def test_cells_without_a_number_say_why(text: str, kind: str) -> None:
    """A cell without a number is blank or has a kind, never a guessed number."""
    cell = parse_cell(text, "dBA")

    assert cell.kind == kind
    assert math.isnan(cell.value)


def test_temperature_tolerance_converts_without_the_offset() -> None:
    """25.0 degC +/- 1.0 degF is a half width of 0.5556 degC, not of -17 degC."""
    cell = parse_cell("25.0 degC +/- 1.0 degF", "degC")

    assert cell.value == 25.0
    assert cell.half_width == pytest.approx(5 / 9, rel=1e-12)


def test_velocity_in_another_unit_is_converted_with_its_uncertainty() -> None:
    """600 fpm with 12 fpm reads 3.048 and 0.06096 in a column of m/s."""
    cell = parse_cell("600(12) fpm", "m/s")

    assert cell.value == pytest.approx(3.048, rel=1e-12)
    assert cell.standard == pytest.approx(0.06096, rel=1e-12)


@pytest.mark.parametrize("text", ["38.5 dBC", "38.5 dB", "12 V", "700 rpm"])
def test_a_unit_the_column_cannot_hold_is_refused(text: str) -> None:
    """Levels of another weighting, or another quantity's unit, stop the load by name."""
    with pytest.raises(FanstatsError, match="one column holds one unit, here dBA"):
        parse_cell(text, "dBA")


@pytest.mark.parametrize("text", ["31,4", "1,234", "1.234,5", "1 234", "1'234"])
def test_a_number_in_another_format_is_refused(text: str) -> None:
    """With a decimal point said or found, a comma is an error and never a factor of a thousand."""
    with pytest.raises(FanstatsError, match=r"is no number with decimal='\.'"):
        parse_cell(text, "rpm")


def test_thousands_marks_need_whole_groups() -> None:
    """12.34 with points between thousands is an error, not 1234."""
    assert parse_cell("1.234.567,5", "rpm", COMMA).value == 1234567.5
    assert parse_cell("1.236", "rpm", COMMA).value == 1236.0
    with pytest.raises(FanstatsError, match="is no number"):
        parse_cell("12.34", "rpm", COMMA)


@pytest.mark.parametrize(
    ("cells", "separator", "expected"),
    [
        (["31,4", "12"], ";", ","),
        (["31.4", "12"], ",", "."),
        (["0,123"], ";", ","),
        (["1.234,5"], ";", ","),
        (["1.234.567"], ";", ","),
        (["1.234"], ",", "."),
        (["34,8(2)", "<20,5", "34,8 +/- 0,2"], ";", ","),
        ([], ";", "."),
    ],
)
def test_number_format_is_found_from_clear_cells(
    cells: list[str], separator: str, expected: str
) -> None:
    """The decimal mark follows from cells that can be read in one way only."""
    found = detect_format([(c, "row 2") for c in cells], tokens, separator=separator)

    assert found.decimal == expected


@pytest.mark.parametrize(
    ("cells", "separator", "match"),
    [
        (["31,4", "31.4"], ";", r"written in one way; found '31,4' in row 2 and '31\.4' in row 3"),
        (["1,234"], ",", "must leave no doubt; found '1,234' in row 2"),
        (["1.234"], ";", r"must leave no doubt; found '1\.234' in row 2"),
    ],
)
def test_number_format_in_doubt_is_refused(cells: list[str], separator: str, match: str) -> None:
    """Two formats in one table, or only cells that fit two, are refused with the cells named."""
    texts = [(text, f"row {row}") for row, text in enumerate(cells, start=2)]

    with pytest.raises(FanstatsError, match=match):
        detect_format(texts, tokens, separator=separator)


def test_cells_that_are_no_text() -> None:
    """Numbers of any type are read; dates and flags are reported, not turned into numbers."""
    cells = [31.5, 7, Decimal("2.5"), np.int64(3), np.float32(0.5), Percent(0.4), ufloat(34.8, 0.2)]
    cells += [None, pd.NA, pd.NaT, float("nan"), True, datetime.date(2024, 4, 3), 1j]

    numbers, faults = read_column(cells, "%", NumberFormat())

    np.testing.assert_allclose(numbers.values[:7], [31.5, 7, 2.5, 3, 0.5, 40.0, 34.8])
    assert numbers.standard[6] == pytest.approx(0.2)
    assert np.isnan(numbers.values[7:]).all()
    assert [position for position, _ in faults] == [11, 12, 13]
    assert {cell.kind for _, cell in faults} == {"unreadable cell"}


def test_a_percentage_belongs_into_a_percent_column() -> None:
    """A spreadsheet's 40 % in a column of volts is reported, not read as 0.4 V."""
    numbers, faults = read_column([Percent(0.4)], "V", NumberFormat())

    assert np.isnan(numbers.values[0])
    assert "percentage" in faults[0][1].rule


def test_text_na_is_not_blank_as_a_label() -> None:
    """NA and None are texts; only nothing is blank."""
    assert not is_blank("NA")
    assert not is_blank("None")
    assert is_blank(" \u00a0")


@given(
    st.floats(min_value=-1e6, max_value=1e6, allow_nan=False).map(lambda x: round(x, 3)),
    st.sampled_from([".", ","]),
)
def test_a_written_number_is_read_back(number: float, decimal: str) -> None:
    """A number written with either decimal mark is the same number again."""
    text = f"{number:.3f}".replace(".", decimal)

    assert parse_cell(text, "degC", NumberFormat(decimal=decimal)).value == number


@given(st.text(max_size=120), st.sampled_from(["dBA", "degC", "%", "rpm", ""]))
def test_any_text_is_a_number_a_reason_or_an_error(text: str, units: str) -> None:
    """No text crashes the parser, and a number comes out only where digits stand."""
    try:
        cell = parse_cell(text, units)
    except FanstatsError:
        return

    assert cell.kind != "number" or any(letter in "0123456789" for letter in text)
    assert (cell.kind == "number") == math.isfinite(cell.value)
