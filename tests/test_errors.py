"""Refusals end with what to write instead: the name that is near, or the bare number."""

import pytest

from fanstats._arguments import bare_number, fraction, number
from fanstats.errors import FanstatsError, did_you_mean, one_of


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("Mesh", "mesh"), ("Next_Unit", "next unit"), ("nextunit", "next unit"), ("msh", "mesh")],
)
def test_a_name_spelt_almost_right_gets_the_right_one(typed, meant):
    """Capitals, blanks, underscores and a slip of the finger are no riddle."""
    with pytest.raises(FanstatsError, match=rf"got '{typed}'\. Did you mean '{meant}'\?"):
        one_of("obstruction", typed, ["mesh", "next unit"])


def test_no_name_is_suggested_that_is_not_like_it():
    """A suggestion out of the blue would mislead."""
    assert did_you_mean("typical", ["mesh", "filter"]) == ""
    assert did_you_mean(None, ["mesh"]) == ""


def test_what_the_choices_mean_stands_at_the_end():
    """Where the words of a choice are not the words printed, the message says which is which."""
    with pytest.raises(FanstatsError, match=r"got 'typical'\. 'model' is the typical one\.$"):
        one_of("scope", "typical", ["model"], mend="'model' is the typical one.")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("33 dB", "33"), ("12.50", "12.5"), ("12,50 EUR", "12.5"), ("60 EUR", "60"), ("36dBA", "36")],
)
def test_a_number_written_as_text_is_given_back_bare(typed, meant):
    """Numbers copied with their unit, or read as text, are told how to stand there."""
    with pytest.raises(FanstatsError, match=rf"got '{typed}'\. Write the bare number: {meant}\."):
        number("level", typed)


@pytest.mark.parametrize("typed", ["5 %", "1,234", "33-36", "much", "", "3 m3/h", "0.8 +/- 0.1", 7])
def test_a_text_that_may_be_read_in_two_ways_gets_no_number(typed):
    """Percent, thousands and ranges are not turned into some number."""
    assert bare_number(typed) == ""


@pytest.mark.parametrize(("typed", "meant"), [("95 %", "0.95"), ("99,5%", "0.995"), (95, "0.95")])
def test_a_percentage_is_told_its_fraction(typed, meant):
    """Whether typed as a number or as text."""
    with pytest.raises(FanstatsError, match=rf"got {typed!r}\. Write {meant} for "):
        fraction("probability", typed)
