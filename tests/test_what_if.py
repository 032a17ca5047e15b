"""The verdict against a spread nobody knows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fanstats.decisions.compare import compare
from fanstats.decisions.what_if import what_if
from fanstats.errors import FanstatsError
from tests.synthetic import make_estimates

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


def test_a_supposed_spread_gives_what_the_stated_one_would():
    """Limits and odds at a supposed 0.8 dB and 2 % equal those of estimates that state it."""
    unknown = make_estimates(SIX, noise_spread=None, draws=50_000)
    row = what_if(unknown, "A", "E", noise=0.8, airflow=0.02).iloc[0]
    stated = compare(make_estimates(SIX, draws=50_000), "A", "E")

    u = stated.difference.standard_uncertainty
    assert row["verdict"] == stated.verdict
    assert row["low"] == pytest.approx(stated.difference.low, abs=0.06 * u)
    assert row["critical"] == pytest.approx(stated.critical_difference[0], abs=0.06 * u)
    assert row["odds_typical"] == pytest.approx(stated.odds_typical.first_ahead, abs=0.01)
    assert row["odds_bought"] == pytest.approx(stated.odds_bought.first_ahead, abs=0.01)


def test_the_verdict_turns_at_the_spread_that_explains_the_gap():
    """Simulated luck turns the verdict where the formula says, for a plain pair."""
    estimates = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, draws=100_000)
    table = what_if(estimates, "A", "B", noise=[0.0, 1.0, 3.0], airflow=0.0)
    needed = compare(estimates, "A", "B").spread_needed.noise_db

    exact = math.sqrt((math.log(1.15) / stats.norm.ppf(0.975)) ** 2 - 2 * 0.01**2)
    exact /= 0.04 * math.sqrt(2)
    assert needed == pytest.approx(exact, rel=0.005)
    assert table.attrs["changes_at"] == pytest.approx(exact, rel=0.02)
    assert table["verdict"].tolist() == ["ahead", "ahead", "leaning"]
    assert (
        "A is ahead as long as samples of one model differ by less than 1.2 dB"
        in (table.attrs["sentence"])
    )


def test_luck_in_airflow_alone_has_its_closed_form():
    """With 5 % airflow luck and none in noise the odds are those of normals, within 0.005."""
    estimates = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, draws=100_000)
    row = what_if(estimates, "A", "B", noise=0.0, airflow=0.05).iloc[0]

    gap, own = math.log(460 / 400), 2 * 0.01**2
    typical = stats.norm.cdf(gap / math.sqrt(own + 2 * 0.05**2))
    bought = stats.norm.cdf(gap / math.sqrt(own + 4 * 0.05**2))
    assert row["odds_typical"] == pytest.approx(typical, abs=0.005)
    assert row["odds_bought"] == pytest.approx(bought, abs=0.005)


def test_several_tested_samples_stand_more_luck():
    """The mean of four samples turns only at twice the luck of one."""
    one = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, own=1e-6)
    four = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None, own=1e-6, units_tested=4)
    turns = [what_if(e, "A", "B", noise=1.0, airflow=0.0).attrs["changes_at"] for e in (one, four)]

    assert turns[1] == pytest.approx(2 * turns[0], rel=0.01)


def test_a_gap_within_measurement_never_counts():
    """Where measurement alone could explain the gap, no spread settles it."""
    table = what_if(make_estimates({"A": 401.0, "B": 400.0}), "A", "B", noise=[0, 1])

    assert table.attrs["changes_at"] == 0.0
    assert not (table["verdict"] == "ahead").any()
    assert "Measurement alone" in table.attrs["sentence"]


def test_a_huge_gap_counts_for_every_spread():
    """A gap beyond any luck has no turning point."""
    estimates = make_estimates({"A": 4000.0, "B": 100.0}, slope=0.01, own=0.001)
    table = what_if(estimates, "A", "B", noise=[0.5], airflow=0.0)

    assert math.isinf(table.attrs["changes_at"])
    assert "for every spread" in table.attrs["sentence"]


def test_an_airflow_spread_nobody_stated_is_told_as_left_out():
    """Left out and unstated, the airflow spread is never silently zero; stated, it is used."""
    unknown = make_estimates(SIX, noise_spread=None, airflow_spread=None)
    table = what_if(unknown, "A", "F", noise=[0.5])
    assert table["left_out"].tolist() == ["airflow spread (nobody stated it)"]
    assert "Left out: airflow spread" in table.attrs["sentence"]

    stated = what_if(make_estimates(SIX, noise_spread=None), "A", "F", noise=[0.5])
    assert stated["airflow"].tolist() == [0.02]
    assert stated["left_out"].tolist() == [""]


def test_results_repeat_and_do_not_depend_on_the_order_of_models():
    """The luck supposed hangs on the root seed and the names alone."""
    estimates = make_estimates(SIX, noise_spread=None)
    one = what_if(estimates, "A", "C", noise=[0.4])
    two = what_if(estimates.isel(model=[5, 4, 3, 2, 1, 0]), "A", "C", noise=[0.4])

    np.testing.assert_allclose(one["low"], two["low"])
    np.testing.assert_allclose(one["odds_bought"], two["odds_bought"])


def test_luck_beyond_the_curves_is_counted():
    """The share of draws that ask for more luck than a curve covers is given."""
    estimates = make_estimates({"A": 460.0, "B": 400.0}, noise_spread=None)
    estimates["airflow_by_luck"].loc[{"model": "B"}] = (
        estimates["airflow_by_luck"].sel(model="B").where(estimates["luck"] >= -1.0)
    )
    row = what_if(estimates, "A", "B", noise=1.0, airflow=0.0).iloc[0]

    # Below -1 dB for one, beyond 6 dB for hardly any.
    assert row["share_beyond"] == pytest.approx(stats.norm.cdf(-1.0), abs=0.015)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"noise": []}, "`noise` must hold at least one"),
        ({"noise": [-0.5]}, "`noise` must be a finite number at least 0"),
        ({"airflow": 2.0, "noise": math.nan}, "`noise`"),
        ({"airflow": -0.1}, "`airflow`.*0.02 for 2 %"),
        ({"chosen": "after"}, "`chosen`"),
        ({"first": "Z"}, "`first` must be one of the models present"),
    ],
)
def test_wrong_arguments_are_named(change, message):
    """Each wrong argument is named with its rule."""
    options = {"first": "A", "second": "B", "noise": [0.5], **change}
    first, second = options.pop("first"), options.pop("second")
    with pytest.raises(FanstatsError, match=message):
        what_if(make_estimates(SIX), first, second, **options)


def test_estimates_away_from_equal_noise_are_refused():
    """Without the response to noise luck there is nothing to suppose."""
    estimates = make_estimates(SIX).drop_vars("airflow_by_luck")
    with pytest.raises(FanstatsError, match="responds to noise luck"):
        what_if(estimates, "A", "B", noise=[0.5])
    missing = make_estimates({**SIX, "G": math.nan}, statuses={"G": "above range"})
    with pytest.raises(FanstatsError, match="'G' cannot be judged: above range"):
        what_if(missing, "A", "G", noise=[0.5])
