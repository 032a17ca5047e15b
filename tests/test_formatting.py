"""Numbers in print: value with uncertainty, intervals, lone numbers, chances and odds."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.mathtext import MathTextParser
from uncertainties import ufloat, ufloat_fromstr

from fanstats import formatting as fm
from fanstats.errors import FanstatsError

VALUES = st.floats(-1e12, 1e12) | st.floats(-100, 100)
SPREADS = st.floats(1e-9, 1e9) | st.floats(0.001, 10)
FORMS = ("plain", "shorthand", "exponent", "html", "latex")


def read_back(text: str) -> tuple[float, float]:
    """Give the value and the uncertainty that any of the forms shows."""
    plain = text.replace("&nbsp;", " ").replace("−", "-").replace(r"\left", "")
    plain = plain.replace(r"\right", "").replace(r" \pm ", " ± ").replace(r" \times 10^", "×10")
    plain = plain.replace(" × 10<sup>", "×10").replace("</sup>", "")
    plain = plain.translate(str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻{}", "0123456789-  "))
    plain = re.sub(r"×10\s*(-?\d+)", r"e\1", plain)
    number = ufloat_fromstr(plain.replace(" ± ", "+/-").replace(" ", ""))
    return number.nominal_value, number.std_dev


# Value with uncertainty --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u", "two", "one"),
    [
        (35.0449, 0.0996, "35.04 ± 0.10", "35.0 ± 0.1"),
        (36.02, 0.95, "36.02 ± 0.95", "36 ± 1"),
        (24.1317, 3.1047, "24.1 ± 3.1", "24 ± 3"),
        (9.96, 0.96, "9.96 ± 0.96", "10 ± 1"),
        (0.99925, 0.000223607, "0.99925 ± 0.00022", "0.9993 ± 0.0002"),
        (0.9992500000000001, 0.00022361, "0.99925 ± 0.00022", "0.9993 ± 0.0002"),
        (12345.6, 120, "12350 ± 120", "12300 ± 100"),
        (-24.1317, 3.1047, "-24.1 ± 3.1", "-24 ± 3"),
        (-0.004, 0.2, "0.00 ± 0.20", "0.0 ± 0.2"),
        (0, 3, "0.0 ± 3.0", "0 ± 3"),
        (0.3, 25, "0 ± 25", "0 ± 30"),
    ],
)
def test_two_significant_digits_of_uncertainty_set_the_last_place(
    value: float, u: float, two: str, one: str
) -> None:
    """The uncertainty keeps two digits (JCGM 100:2008, 7.2.6), or one, and the value follows it."""
    assert fm.with_uncertainty(value, u) == two
    assert fm.with_uncertainty(value, u, digits=1) == one


@pytest.mark.parametrize("digits", [1, 2, 3])
@pytest.mark.parametrize(
    ("value", "u"),
    [
        (0.9992500000000001, 0.00022361),
        (35.0449, 0.0996),
        (9.96, 0.96),
        (12345.6, 120),
        (2.5, 0.95),
    ],
)
def test_every_form_shows_the_same_rounded_number(value: float, u: float, digits: int) -> None:
    """Fixed, shorthand, exponent, HTML and LaTeX form agree to the last digit."""
    shown = {read_back(fm.with_uncertainty(value, u, form=form, digits=digits)) for form in FORMS}
    expected = tuple(float(part) for part in fm.round_together(value, u, digits))

    assert all(numbers == pytest.approx(expected, rel=1e-14, abs=0) for numbers in shown)


@given(VALUES, SPREADS, st.integers(1, 3))
def test_forms_agree_on_any_number(value: float, u: float, digits: int) -> None:
    """The same for numbers of any size and sign."""
    expected = tuple(float(part) for part in fm.round_together(value, u, digits))

    for form in FORMS:
        shown = read_back(fm.with_uncertainty(value, u, form=form, digits=digits))
        assert shown == pytest.approx(expected, rel=1e-13, abs=0)


@given(VALUES, SPREADS, st.integers(1, 3))
def test_rounding_moves_by_half_a_unit_of_the_last_place_at_most(
    value: float, u: float, digits: int
) -> None:
    """Value and uncertainty share the last place and are rounded to the nearest, once."""
    nominal, spread = fm.round_together(value, u, digits)
    unit = Decimal(1).scaleb(spread.as_tuple().exponent)

    assert nominal.as_tuple().exponent == spread.as_tuple().exponent
    assert abs(nominal - Decimal(str(value))) <= unit / 2
    assert abs(spread - Decimal(str(u))) <= unit / 2 or spread == unit
    assert nominal.adjusted() - nominal.as_tuple().exponent < 16
    if not (value and nominal.adjusted() - nominal.as_tuple().exponent >= 14):
        assert len(spread.as_tuple().digits) == digits


def test_agrees_with_the_package_where_it_rounds_once() -> None:
    """For numbers without ties the print is what the `uncertainties` package gives."""
    rng = np.random.default_rng(8)
    for value, u in zip(rng.normal(0, 50, 200), rng.uniform(0.01, 9.0, 200), strict=True):
        assert fm.with_uncertainty(value, u) == f"{ufloat(value, u):.2ufP}".replace("±", " ± ")


def test_ties_go_away_from_zero_as_in_a_spreadsheet() -> None:
    """35.045 with 0.10 is 35.05, not the 35.04 that the binary number behind it would give."""
    assert fm.with_uncertainty(35.045, 0.10) == "35.05 ± 0.10"
    assert fm.with_uncertainty(-35.045, 0.10) == "-35.05 ± 0.10"
    assert fm.with_uncertainty(2.5, 1, digits=1) == "3 ± 1"


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("plain", "(34.80 ± 0.12) dBA"),
        ("shorthand", "34.80(12) dBA"),
        ("exponent", "(3.480 ± 0.012)×10¹ dBA"),
        ("html", "(34.80&nbsp;±&nbsp;0.12)&nbsp;dBA"),
        ("latex", r"\left(34.80 \pm 0.12\right)\ \mathrm{dBA}"),
    ],
)
def test_units_stand_behind_both_numbers(form: Any, text: str) -> None:
    """The unit belongs to value and uncertainty (JCGM 100:2008, 7.2.2): in brackets."""
    assert fm.with_uncertainty(34.8013, 0.1184, "dBA", form) == text


@pytest.mark.parametrize("units", ["degC", "m3/h", "%", "EUR", "fpm", "m/s", ""])
@pytest.mark.parametrize(("value", "u"), [(34.8, 0.1), (1e9, 2e7), (34.8, math.inf), (-3.0, 0.0)])
def test_latex_is_something_matplotlib_sets(value: float, u: float, units: str) -> None:
    """The LaTeX form between dollar signs goes through matplotlib's own parser."""
    text = fm.with_uncertainty(value, u, units, "latex")

    assert MathTextParser("path").parse(f"${text}$").width > 0


def test_units_are_printed_for_readers() -> None:
    """Units take their printed sign, and HTML is safe."""
    assert fm.with_uncertainty(61.2, 0.4, "degC") == "(61.20 ± 0.40) °C"
    assert fm.with_uncertainty(61.2, 0.4, "m3/h", "shorthand") == "61.20(40) m³/h"
    assert "&lt;b&gt;" in fm.with_uncertainty(61.2, 0.4, "<b>", "html")


def test_very_large_and_small_numbers_turn_to_powers_of_ten() -> None:
    """Nobody reads nine zeros: from ten million and below a ten-millionth powers are used."""
    assert fm.with_uncertainty(1e9, 2.5e8, "rpm") == "(1.00 ± 0.25)×10⁹ rpm"
    assert fm.with_uncertainty(1e9, 2.5e8, form="html") == (
        "(1.00&nbsp;±&nbsp;0.25)&nbsp;×&nbsp;10<sup>9</sup>"
    )
    assert fm.with_uncertainty(3e-9, 2e-10) == "(3.00 ± 0.20)×10⁻⁹"
    assert fm.with_uncertainty(-3e-9, 2e-10, form="html").startswith("(−3.00")
    assert fm.with_uncertainty(-3e-9, 2e-10, form="html").endswith("10<sup>−9</sup>")
    assert fm.with_uncertainty(1234567, 95.6) == "1234567 ± 96"


def test_no_more_digits_than_a_float_holds() -> None:
    """A tiny uncertainty does not bring digits to light that are not there, nor print as 0."""
    value, u = fm.round_together(1e20, 1e-3)

    assert len(value.as_tuple().digits) == 15
    assert u == Decimal(10) ** 6
    assert "± 0.00000000000001)×10²⁰" in fm.with_uncertainty(1e20, 1e-3)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (math.nan, 0.1, "–"),
        (None, 0.1, "–"),
        (np.nan, np.nan, "–"),
        (34.8, 0, "34.8 ± 0"),
        (34, 0, "34 ± 0"),
        (34.8, math.nan, "34.8 ± –"),
        (34.8, None, "34.8 ± –"),
        (34.8, math.inf, "34.8 ± ∞"),
        (1 / 3, math.nan, "0.333333 ± –"),
        (math.inf, 0.1, "∞ ± 0.1"),
        (-math.inf, 0.1, "-∞ ± 0.1"),
        (35, 1, "35.0 ± 1.0"),
        (np.int64(35), np.int64(2), "35.0 ± 2.0"),
        (np.float32(34.8), np.float32(0.12), "34.80 ± 0.12"),
        (np.array(34.8), np.array([0.12])[0], "34.80 ± 0.12"),
        (Decimal("34.805"), Decimal("0.12"), "34.81 ± 0.12"),
    ],
)
def test_odd_numbers_print_something_sensible(value: Any, u: Any, text: str) -> None:
    """Missing, exact, infinite, whole, Decimal and numpy numbers each have their print."""
    assert fm.with_uncertainty(value, u) == text


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fm.with_uncertainty(34.8, -0.1), "`u` must be at least 0; got -0.1"),
        (lambda: fm.with_uncertainty("34.8", 0.1), "`value` must be a plain number; got '34.8'"),
        (lambda: fm.with_uncertainty(34.8, True), "`u` must be a plain number"),
        (lambda: fm.with_uncertainty(ufloat(34, 1), 0.1), "`value` must be a plain number"),
        (lambda: fm.with_uncertainty([34.8], 0.1), "`value` must be a plain number"),
        (lambda: fm.with_uncertainty(34.8, 0.1, form="roman"), "`form` must be one of 'plain'"),
        (lambda: fm.with_uncertainty(34.8, 0.1, digits=0), "`digits` must be 1 or more; got 0"),
        (lambda: fm.round_together(34.8, 0.0), "`u` above 0"),
        (lambda: fm.round_together(math.nan, 1.0), "must be finite"),
    ],
)
def test_what_is_no_number_is_refused(call: Any, message: str) -> None:
    """Text, truth values, negative uncertainties and unknown forms are named."""
    with pytest.raises(FanstatsError, match=message):
        call()


# Intervals and lone numbers ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (34.118, 35.602, "34.1 to 35.6 dBA"),
        (1834.2, 1902.7, "1834 to 1903 dBA"),
        (-0.3, 0.3, "-0.30 to 0.30 dBA"),
        (math.nan, 35.6, "– to 35.60 dBA"),
        (-math.inf, 28.024, "up to 28.02 dBA"),
        (34.1, math.inf, "from 34.10 dBA"),
        (-math.inf, math.inf, "no limits"),
        (-math.inf, math.nan, "up to – dBA"),
        (math.nan, math.nan, "–"),
        (34.1, 34.1, "34.10 to 34.10 dBA"),
    ],
)
def test_intervals_show_two_digits_of_their_width(low: float, high: float, text: str) -> None:
    """Ends are rounded by the width; what is missing or unlimited is said in a sign or a word."""
    assert fm.interval(low, high, "dBA") == text


def test_interval_and_value_with_uncertainty_round_alike() -> None:
    """With the same uncertainty an interval has the decimals of the value it belongs to."""
    assert fm.with_uncertainty(34.86, 0.377) == "34.86 ± 0.38"
    assert fm.interval(34.118, 35.602, digits_of=0.377) == "34.12 to 35.60"
    assert fm.interval(34.118, 35.602, digits_of=0.377, digits=1) == "34.1 to 35.6"


def test_simulation_error_takes_no_end_to_zero() -> None:
    """An end keeps its first digit: "0 to 300" would be said of a lead not settled, and of one."""
    assert fm.interval(-48.2, 257.0, "fpm", digits_of=40, standard_error=6) == "-40 to 260 fpm"
    assert fm.interval(2.2, 189.0, digits_of=30, standard_error=2) == "2 to 190"
    assert fm.interval(0.3, 189.0, digits_of=30, standard_error=2) == "0 to 190"
    assert fm.interval(0.0, 257.0, digits_of=40, standard_error=6) == "0 to 260"


def test_simulation_error_takes_decimals_away() -> None:
    """Half a step is never less than the Monte Carlo standard error, nor needlessly more.

    Steps are 1, 2 or 5 units of the last place; a lone number goes by whole places.
    """
    for error, text in (
        (0.004, "34.12 to 35.60"),
        (0.005, "34.12 to 35.60"),
        (0.0051, "34.12 to 35.60"),
        (0.012, "34.10 to 35.60"),
        (0.026, "34.1 to 35.6"),
        (0.06, "34.2 to 35.6"),
        (0.2, "34.0 to 35.5"),
        (0.3, "34 to 36"),
    ):
        assert fm.interval(34.118, 35.602, digits_of=0.377, standard_error=error) == text
    assert fm.number(34.8013, standard_error=0.05) == "34.8"
    assert fm.number(34.8013, standard_error=0.051) == "35"
    assert fm.number(34.8013, standard_error=0.004) == "34.80"
    assert fm.number(34.8013, 0.1, standard_error=0.004) == "34.8"
    assert fm.number(34.8013, standard_error=0.0) == "34.80"


@pytest.mark.parametrize(
    ("value", "resolution", "text"),
    [
        (34.8013, 0.1, "34.8"),
        (34.8013, 0.05, "34.80"),
        (1234.0, 10, "1230"),
        (123456.0, None, "123500"),
        (-0.0001, 0.01, "0.00"),
        (0, None, "0"),
        (1.5e-9, None, "1.500e-9"),
        (math.nan, 0.1, "–"),
        (None, None, "–"),
        (-math.inf, None, "-∞"),
        (Decimal("2.5"), 1, "3"),
    ],
)
def test_lone_numbers_stop_at_their_resolution(value: Any, resolution: Any, text: str) -> None:
    """The last decimal is that of the resolution; without one there are four digits."""
    assert fm.number(value, resolution) == text


def test_lone_number_with_units() -> None:
    """The unit is the printed one."""
    assert fm.number(61.24, 0.1, units="degC") == "61.2 °C"
    assert fm.number(math.nan, 0.1, units="degC") == "–"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fm.interval(35.6, 34.1), "`low` must not lie above `high`; got 35.6 and 34.1"),
        (lambda: fm.number(1.0, 0), "`resolution` must be a finite number above 0; got 0"),
        (lambda: fm.number(1.0, standard_error=-1), "`standard_error` must be a finite"),
        (lambda: fm.number("a"), "`value` must be a plain number"),
    ],
)
def test_impossible_prints_are_refused(call: Any, message: str) -> None:
    """Ends the wrong way round and resolutions that are none are named."""
    with pytest.raises(FanstatsError, match=message):
        call()


# Chances -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p", "words", "percent"),
    [
        (0.0, "less than 1 in 100", "less than 1 %"),
        (0.003, "less than 1 in 100", "less than 1 %"),
        (0.0787, "8 in 100", "8 %"),
        (0.05, "1 in 20", "5 %"),
        (0.25, "1 in 4", "25 %"),
        (0.5, "1 in 2", "50 %"),
        (0.76, "76 in 100", "76 %"),
        (0.9, "9 in 10", "90 %"),
        (0.95, "19 in 20", "95 %"),
        (0.994, "99 in 100", "99 %"),
        (0.996, "better than 99 in 100", "more than 99 %"),
        (1.0, "better than 99 in 100", "more than 99 %"),
        (math.nan, "–", "–"),
    ],
)
def test_chances_are_so_many_in_so_many(p: float, words: str, percent: str) -> None:
    """Fractions a reader knows, hundredths else, and never none or all."""
    assert fm.chance(p) == words
    assert fm.percentage(p) == percent


def test_a_column_of_chances_keeps_one_number() -> None:
    """With `of` nothing is shortened."""
    assert [fm.chance(p, of=100) for p in (0.95, 0.5, 1.0)] == [
        "95 in 100",
        "50 in 100",
        "better than 99 in 100",
    ]


@pytest.mark.parametrize(
    ("p", "draws", "words"),
    [
        (1.0, 10_000, "better than 99 in 100"),
        (1.0, 100, "better than 19 in 20"),
        (1.0, 10, "better than 1 in 2"),
        (1.0, 3, "too few draws to tell"),
        (0.43, 100, "2 in 5"),
        (0.43, 10_000, "43 in 100"),
        (0.0, 200, "less than 1 in 20"),
    ],
)
def test_few_draws_give_coarse_chances(p: float, draws: int, words: str) -> None:
    """The step is no finer than the Monte Carlo standard error allows."""
    assert fm.chance(p, draws) == words


@given(st.floats(0, 1), st.integers(4, 100_000))
def test_chance_lies_within_its_step_and_its_error(p: float, draws: int) -> None:
    """What is printed lies within half a step, and half a step covers the standard error."""
    text = fm.chance(p, draws)
    if text == "too few draws to tell":
        assert draws < 30
        return
    k, of = (int(part) for part in re.findall(r"\d+", text))
    if text.startswith(("better", "less")):
        assert p > k / of if text.startswith("better") else p < k / of
    else:
        assert abs(p - k / of) <= 0.5 / min(of, 4) + 1e-9
        assert 0 < k < of


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (0.0, "worse than 1 to 99"),
        (0.01, "1 to 99"),
        (0.2, "1 to 4"),
        (0.25, "1 to 3"),
        (0.45, "5 to 6"),
        (0.5, "even"),
        (0.52, "even"),
        (0.6, "3 to 2"),
        (0.745, "5 to 2"),
        (0.75, "3 to 1"),
        (0.8999, "8 to 1"),
        (0.9, "9 to 1"),
        (0.95, "19 to 1"),
        (0.99, "99 to 1"),
        (0.991, "better than 99 to 1"),
        (1.0, "better than 99 to 1"),
        (math.nan, "–"),
    ],
)
def test_odds_are_rounded_towards_even(p: float, text: str) -> None:
    """Odds never print better than they are: 3 to 1 is printed from 3 to 1 on."""
    assert fm.odds(p) == text


@given(st.floats(0.0, 1.0))
def test_odds_of_the_opposite_are_turned_round(p: float) -> None:
    """The odds against are the odds for, read backwards."""
    turned = {"even": "even"}
    text, other = fm.odds(p), fm.odds(1 - p)
    words = text.replace("better than ", "").replace("worse than ", "").split(" to ")

    assert other.replace("better than ", "").replace("worse than ", "") == turned.get(
        text, " to ".join(reversed(words))
    )


def test_odds_of_draws_that_all_agree_are_bounded_by_their_number() -> None:
    """Ten draws that agree are ten or eleven to one at the very most."""
    assert fm.odds(1.0, draws=10) == "10 to 1"
    assert fm.odds(0.0, draws=10) == "1 to 10"
    assert fm.odds(1.0, draws=10_000) == "better than 99 to 1"


@pytest.mark.parametrize("function", [fm.chance, fm.odds, fm.percentage])
def test_chances_outside_0_to_1_are_refused(function: Any) -> None:
    """A probability in percent, a negative one and no draws at all are named."""
    with pytest.raises(FanstatsError, match="`p` must be a fraction from 0 to 1; got 95"):
        function(95)
    with pytest.raises(FanstatsError, match=r"`p` must be a fraction from 0 to 1; got -0\.1"):
        function(-0.1)
    with pytest.raises(FanstatsError, match="`draws` must be at least 1; got 0"):
        function(0.5, draws=0)
    with pytest.raises(FanstatsError, match="`of` must be at least 2"):
        fm.chance(0.5, of=1)
