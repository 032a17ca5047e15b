"""Estimates as a plain table."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fanstats.errors import FanstatsError
from fanstats.output.summaries import summary
from tests.synthetic import make_estimates

THREE = {"A": 420.0, "B": 400.0, "C": math.nan}


def test_one_row_for_every_quantity_obstruction_scope_and_model():
    """A summary holds every estimate once, with what pastes into error bars."""
    estimates = make_estimates(
        THREE,
        obstructions=["none", "wire mesh"],
        obstruction_factors=[1, 0.7],
        units_tested=[1, 2, 1],
        statuses={"C": "above range"},
    )
    estimates = estimates.merge(
        make_estimates(THREE, quantity="speed", units="rpm"), compat="override"
    )
    table = summary(estimates)

    assert len(table) == (2 + 1) * 3 * 3
    keys = ["quantity", "obstruction", "scope", "model"]
    assert not table.duplicated(keys).any()
    row = table.set_index(keys).loc[("airflow", "wire mesh", "model", "B")]
    assert row["value"] == pytest.approx(280.0)
    assert row["minus"] == pytest.approx(row["value"] - row["low"])
    assert row["plus"] == pytest.approx(row["high"] - row["value"])
    assert (row["units"], row["units_tested"], row["readings"]) == ("fpm", 2, 10)
    missing = table.set_index(keys).loc[("airflow", "none", "model", "C")]
    assert math.isnan(missing["value"])
    assert missing["status"] == "above range"


def test_ends_are_the_quantiles_of_the_draws():
    """The range at 0.9 leaves 5 % of the draws on either side."""
    estimates = make_estimates(THREE)
    row = summary(estimates, probability=0.9).query("scope == 'next unit' and model == 'A'").iloc[0]
    draws = estimates["airflow"].sel(scope="next unit", model="A").values

    np.testing.assert_allclose([row["low"], row["high"]], np.quantile(draws, [0.05, 0.95]))
    assert row["standard_uncertainty"] == pytest.approx(draws.std(ddof=1))


def test_ends_beyond_the_data_and_values_outside_are_told():
    """A missing end is said to be one; error bars never point the wrong way."""
    estimates = make_estimates(THREE)
    estimates["airflow_share_above"].loc[{"scope": "model", "model": "A"}] = 0.03
    estimates["airflow_value"].loc[{"scope": "model", "model": "B"}] = 500.0
    table = summary(estimates).query("scope == 'model'").set_index("model")

    assert math.isnan(table.loc["A", "high"])
    assert math.isfinite(table.loc["A", "low"])
    assert table.loc["A", "status"] == "high end not covered by data"
    assert table.loc["B", "plus"] == 0.0
    assert table.loc["B", "status"] == "value outside its range"
    wider = summary(estimates, probability=0.9).query("scope == 'model'").set_index("model")
    assert math.isfinite(wider.loc["A", "high"])


def test_unknown_spread_leaves_the_tested_samples():
    """Without a spread only the tested samples have figures; the others say why."""
    table = summary(make_estimates(THREE, noise_spread=None))
    known = table[table["model"] == "A"].set_index("scope")

    assert known.loc["tested unit", "value"] == 420.0
    assert math.isnan(known.loc["model", "value"])
    assert known.loc["next unit", "status"] == "spread not stated: noise"


def test_bare_arrays_are_summed_up_too():
    """An array without values is estimated by the median of its draws."""
    estimates = make_estimates(THREE, obstructions=["none", "grille"])
    table = summary(estimates["airflow"] * 2.0)

    row = table.query("scope == 'model' and model == 'A' and obstruction == 'grille'").iloc[0]
    draws = estimates["airflow"].sel(scope="model", model="A", obstruction="grille")
    assert row["value"] == pytest.approx(2 * float(draws.median()))
    with pytest.raises(FanstatsError, match=r"`quantity`.*there are none"):
        summary(estimates.drop_vars("airflow"))
    with pytest.raises(FanstatsError, match="`probability`"):
        summary(estimates, probability=1.0)
