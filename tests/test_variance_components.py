"""Variance components: published estimates to their printed digits, tricky tables, coverage."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.anova import analysis_of_variance
from fanstats.spread.component_intervals import component_interval, satterthwaite_dof
from fanstats.spread.variance_components import labels_within, variance_components

REFERENCE = Path(__file__).parent / "reference"
PUBLISHED = pd.read_csv(REFERENCE / "varcomp_published.csv", comment="#", dtype={"sd": str})


def data(name):
    return pd.read_csv(REFERENCE / f"varcomp_data_{name}.csv", comment="#")


def _design(name):
    """Values and random factors of a published data set."""
    table = data(name)
    if name.startswith("dyestuff"):
        return table["yield"], {"batch": table["batch"]}
    if name == "rail":
        return table["travel"], {"rail": table["rail"]}
    if name == "pastes":
        casks = labels_within(table["batch"], table["cask"])
        return table["strength"], {"batch": table["batch"], "cask": casks}
    if name == "oxide":
        wafers = labels_within(table["lot"], table["wafer"])
        return table["thickness"], {"lot": table["lot"], "wafer": wafers}
    return table["diameter"], {"plate": table["plate"], "sample": table["sample"]}


@pytest.mark.parametrize("name", PUBLISHED["dataset"].unique())
def test_reml_estimates_agree_with_published_ones_to_the_printed_digits(name):
    """Six published data sets, nested, crossed and with a component at 0."""
    values, random = _design(name)
    found = variance_components(values, random=random, residual="residual")

    for row in PUBLISHED[PUBLISHED["dataset"] == name].itertuples():
        half_unit = 0.5 * 10.0 ** -len(row.sd.split(".")[1])
        sd = np.sqrt(found.component(row.component))
        assert sd == pytest.approx(float(row.sd), abs=1.0001 * half_unit)
        digits = len(str(row.criterion).split(".")[1])
        assert found.criterion == pytest.approx(row.criterion, abs=0.5 * 10.0**-digits)


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs04", "SmLs07"])
def test_one_way_table_agrees_with_nist_strd_certified_values(name):
    """NIST StRD: as many digits as the spacing of doubles at that size of number leaves."""
    table = data(f"strd_{name}")
    certified = pd.read_csv(REFERENCE / "varcomp_nist_strd.csv", comment="#", index_col=0).loc[name]
    found = analysis_of_variance(table["y"], random={"group": table["group"]})

    # Reading 1000000000000.4 as a double moves it by up to half a spacing.
    half_spacing = np.spacing(table["y"].abs().max()) / 2
    relative = 4 * half_spacing / np.sqrt(certified["ms_within"]) + 1e-13
    assert found.dof.tolist() == [certified["df_between"], certified["df_within"]]
    assert found.mean_squares == pytest.approx(
        [certified["ms_between"], certified["ms_within"]], rel=relative
    )
    assert found.test("group").ratio == pytest.approx(certified["f"], rel=2 * relative)


def test_nist_nested_pins_have_the_printed_table_and_a_negative_component():
    """NIST/SEMATECH e-Handbook 3.2.3.3: machines, operators within machines."""
    pins = data("nist_pins")
    operators = labels_within(pins["machine"], pins["operator_shift"])
    found = variance_components(
        pins["diameter_inch"], random={"machine": pins["machine"], "operator": operators}
    )
    anova = found.anova

    assert anova.dof.tolist() == [4, 5, 40]
    assert anova.sums_of_squares == pytest.approx([3.03e-4, 1.86e-5, 3.46e-4], abs=5e-7)
    assert anova.mean_squares == pytest.approx([7.58e-5, 3.72e-6, 8.65e-6], abs=5e-8)
    assert anova.test("machine").ratio == pytest.approx(20.38, abs=0.005)
    # Printed 0.428 comes from the rounded mean square 8.7e-6.
    assert anova.test("operator").ratio == pytest.approx(0.430, abs=0.0005)
    operator = found.table.set_index("component").loc["operator"]
    assert operator["raw_variance"] == pytest.approx(-9.86e-7, rel=1e-9)
    assert operator["variance"] == 0.0
    assert operator["high"] > 0.0
    assert "negative" in operator["status"]
    # With the operators pooled away the rest is estimated again: 45 degrees of freedom.
    pooled = (1.86e-5 + 3.46e-4) / 45
    assert found.component("readings") == pytest.approx(pooled, rel=1e-9)
    assert found.component("machine") == pytest.approx((7.583e-5 - pooled) / 10, rel=1e-9)


def test_gum_h5_between_day_analysis():
    """JCGM 100 H.5: readings rebuilt to have the printed day means and standard deviations."""
    days = data("gum_h5")
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    values = (days["mean_volt"].to_numpy() - 10.0)[:, None] * 1e6 + np.outer(
        days["sd_microvolt"], pattern
    )
    day = np.repeat(days["day"].to_numpy(), 5)
    found = variance_components(values.ravel(), random={"day": day})
    between, within = found.anova.mean_squares

    assert np.sqrt(between / 5) == pytest.approx(57, abs=0.5)
    assert np.sqrt(between) == pytest.approx(128, abs=0.5)
    assert np.sqrt(within) == pytest.approx(85, abs=0.5)
    assert found.anova.dof.tolist() == [9, 40]
    test = found.anova.test("day")
    # The guide prints 2.25 from the rounded 57 and 85.
    assert test.ratio == pytest.approx(2.2615, abs=5e-5)
    assert 0.025 < test.p < 0.05  # printed limits 2.12 at 95 %, 2.45 at 97.5 %
    assert np.sqrt(found.component("day")) == pytest.approx(43, abs=0.5)
    assert np.sqrt(found.covariance.iloc[0, 0]) == pytest.approx(18, abs=0.5)
    assert found.means.iloc[0] + 10e6 == pytest.approx(10000097, abs=0.5)


# Tables that trip programs up ------------------------------------------------------------------


def test_a_component_at_zero_leaves_the_model_means_alone():
    """Unit means that are all alike: means 30.3 and 33.3, no singular matrix, u of the gap."""
    model, unit = list("AAAABBBB"), list("11221122")
    values = [30.0, 30.6, 30.6, 30.0, 33.0, 33.6, 33.6, 33.0]
    found = variance_components(values, random={"unit": labels_within(model, unit)}, fixed=model)

    assert found.means["A"] == pytest.approx(30.3)
    assert found.means["B"] - found.means["A"] == pytest.approx(3.0)
    assert found.component("unit") == 0.0
    assert found.component("readings") == pytest.approx(0.12)
    contrast = np.array([-1.0, 1.0])
    assert np.sqrt(contrast @ found.covariance @ contrast) == pytest.approx(0.244949, abs=5e-7)


def test_identical_unit_means_fall_back_without_an_exception():
    """Three units of one mean: REML residual 0.0675 on 8 degrees of freedom, 0.09 within."""
    found = variance_components([30.0, 30.3, 30.6] * 3, random={"unit": list("aaabbbccc")})

    assert found.component("unit") == 0.0
    assert found.component("readings") == pytest.approx(0.0675)
    assert found.anova.mean_squares[1] == pytest.approx(0.09)


def test_readings_alike_to_the_last_digit_have_no_upper_limit():
    """A scatter of 0 is one that the display hides: nothing says how small it is."""
    found = variance_components([30.0] * 6, random={"unit": list("aabbcc")}).table
    assert found["high"].isna().all()
    assert found["status"].tolist() == ["readings alike to the last digit: no upper limit"] * 2
    # Repeats alike, units not: what is between units is known, what is below is not.
    apart = variance_components([30.0, 30.0, 31.0, 31.0], random={"unit": list("aabb")}).table
    assert apart["variance"].tolist() == pytest.approx([0.5, 0.0])
    assert np.isfinite(apart["high"][0])
    assert np.isnan(apart["high"][1])


@pytest.mark.parametrize(("method", "residual"), [("REML", 0.072), ("closed form", 0.12)])
def test_a_negative_estimate_is_reported_raw_with_an_upper_limit(method, residual):
    """The raw value stays readable, 0 is flagged, and the interval reaches above 0."""
    found = variance_components(
        [30.0, 30.6, 30.6, 30.0, 30.3, 30.3], random={"unit": list("aabbcc")}, method=method
    )
    unit = found.table.iloc[0]

    assert unit["raw_variance"] == pytest.approx(-0.06)
    assert unit["variance"] == 0.0
    assert found.component("readings") == pytest.approx(residual)
    assert "-0.06" in unit["status"]
    # Unit means that agree by chance leave room: (0.025**(-2/2) - 1) times 0.12 / 2.
    assert unit["high"] ** 2 == pytest.approx(39 * 0.06)
    if method == "REML":
        assert np.sqrt(found.covariance.iloc[0, 0]) == pytest.approx(0.109545, abs=5e-7)


def test_unit_labels_used_again_under_another_model_are_other_units():
    """Unit 1 of A and unit 1 of B: 0.49 and 0.02; as one unit it would be 0.347 left over."""
    model, unit = list("AAAABBBB"), list("11221122")
    values = [30.0, 30.2, 31.0, 31.2, 33.0, 33.2, 32.0, 32.2]
    found = variance_components(values, random={"unit": labels_within(model, unit)}, fixed=model)

    assert found.component("unit") == pytest.approx(0.49)
    assert found.component("readings") == pytest.approx(0.02)


def test_models_are_tested_against_units_not_against_repeats():
    """F is 7.05 on (1, 2) degrees of freedom, not 289."""
    model, unit = list("AAAABBBB"), list("11221122")
    values = [30.1, 30.3, 31.1, 31.3, 31.9, 32.1, 32.7, 32.9]
    found = analysis_of_variance(
        values, fixed={"model": model}, random={"unit": labels_within(model, unit)}
    )
    test = found.test("model")

    assert found.sums_of_squares == pytest.approx([5.78, 1.64, 0.08])
    assert (test.ratio, test.dof, test.dof_error) == pytest.approx((7.0488, 1, 2), abs=5e-5)
    assert test.p == pytest.approx(0.1174, abs=5e-5)
    components = variance_components(
        values, random={"unit": labels_within(model, unit)}, fixed=model
    )
    contrast = np.array([-1.0, 1.0])
    u = np.sqrt(contrast @ components.covariance @ contrast)
    assert u == pytest.approx(0.640312, abs=5e-7)


def test_one_reading_a_cell_leaves_interaction_and_repeats_together():
    """Three models at three voltages: F 68.86 on (2, 4), the rest 0.0528."""
    values = [20.0, 25.1, 36.2, 22.3, 27.0, 38.6, 21.1, 26.3, 37.0]
    model, voltage = list("AAABBBCCC"), [5, 7, 12] * 3
    found = analysis_of_variance(
        values, fixed={"voltage": voltage, "model": model}, residual="interaction and repeats"
    )
    test = found.test("model")

    assert (test.ratio, test.dof, test.dof_error) == pytest.approx((68.8632, 2, 4), abs=5e-5)
    assert test.p == pytest.approx(7.97e-4, abs=5e-7)
    assert found.mean_squares[-1] == pytest.approx(0.052778, abs=5e-7)


def test_sums_of_squares_depend_on_the_order_in_unbalanced_tables():
    """Type I for the model put first, type II for the model put last."""
    values = [30.0, 30.4, 30.2, 34.0, 31.0, 35.2, 35.6, 35.0]
    model = list("AAAABBBB")
    condition = ["open"] * 3 + ["grille", "open"] + ["grille"] * 3
    first = analysis_of_variance(values, fixed={"model": model, "condition": condition})
    both = labels_within(model, condition)
    last = analysis_of_variance(
        values, fixed={"condition": condition, "model": model, "interaction": both}
    )

    assert first.sums_of_squares[0] == pytest.approx(18.605)
    assert last.sums_of_squares[1] == pytest.approx(1.601667, abs=5e-7)
    assert last.sums_of_squares[-1] == pytest.approx(0.266667, abs=5e-7)


def test_single_readings_say_what_is_missing_and_still_give_the_total():
    """Four units read once each: total variance on 3 degrees of freedom, no repeat variance."""
    values = [30.0, 30.6, 30.7, 30.1]
    found = variance_components(values, random={"unit": list("abcd")}).table

    assert found["variance"][0] == pytest.approx(np.var(values, ddof=1))
    assert found["dof"][0] == pytest.approx(3.0)
    assert "together with readings" in found["status"][0]
    assert "need at least 2 readings" in found["status"][1]
    assert np.isnan(found["variance"][1])


def test_a_missing_cell_is_no_reason_to_drop_anything():
    """Three units in three sessions with one cell missing: all eight rows count."""
    unit, session = list("aaabbbcc"), list("12312312")
    values = [30.0, 30.3, 30.9, 31.0, 31.2, 31.9, 29.5, 29.9]
    found = variance_components(values, random={"unit": unit, "session": session})

    assert not found.anova.balanced
    assert found.anova.dof.tolist() == [2, 2, 3]
    assert found.table["how"][0] == "REML, statsmodels"
    assert found.criterion == pytest.approx(_best_criterion(found, values), abs=2e-3)


def _best_criterion(found, values):
    """Minimise the dense restricted criterion anew, from the estimates."""
    from scipy import optimize

    y = np.asarray(values)
    parts = [z @ z.T for z in found.anova.indicators] + [np.eye(y.size)]

    def criterion(log_variances):
        v = sum(np.exp(t) * part for t, part in zip(log_variances, parts, strict=True))
        inverse = np.linalg.inv(v)
        ones = np.ones(y.size)
        information = ones @ inverse @ ones
        left = y - (ones @ inverse @ y) / information
        quadratic = left @ inverse @ left
        logs = np.linalg.slogdet(v)[1] + np.log(information)
        return logs + quadratic + (y.size - 1) * np.log(2 * np.pi)

    start = np.log(found.table["variance"].to_numpy())
    return optimize.minimize(criterion, start, method="Nelder-Mead", tol=1e-10).fun


def test_unbalanced_reml_meets_the_likelihoods_own_optimum():
    """Oxide with four readings lost: what statsmodels finds is the minimum of the criterion."""
    table = data("oxide").drop([3, 17, 18, 40])
    random = {"lot": table["lot"], "wafer": labels_within(table["lot"], table["wafer"])}
    values = table["thickness"].to_numpy(dtype=float)
    found = variance_components(values, random=random)

    assert found.table["how"][0] == "REML, statsmodels"
    assert found.criterion == pytest.approx(_best_criterion(found, values), abs=1e-4)


def test_unbalanced_coefficients_are_the_textbook_n0():
    """One way, unequal groups: n0 = (N - sum n**2 / N) / (k - 1)."""
    sizes = np.array([2, 3, 7])
    groups = np.repeat(["a", "b", "c"], sizes)
    rng = np.random.default_rng(1)
    found = analysis_of_variance(rng.normal(size=12), random={"unit": groups})

    n0 = (12 - (sizes**2).sum() / 12) / 2
    assert found.coefficients == pytest.approx(np.array([[n0, 1.0], [0.0, 1.0]]))


def test_expectation_of_mean_squares_under_a_known_covariance():
    """Simulated readings with a covariance of their own raise each mean square as reckoned."""
    rng = np.random.default_rng(7)
    groups = np.repeat(["a", "b", "c"], [2, 3, 4])
    root = rng.normal(size=(9, 9)) / 3
    draws = root @ rng.normal(size=(9, 4000))
    tables = [analysis_of_variance(column, random={"unit": groups}) for column in draws.T[:1500]]
    squares = np.array([table.mean_squares for table in tables])

    wanted = tables[0].expected(root @ root.T)
    assert squares.mean(axis=0) == pytest.approx(
        wanted, abs=4 * float((squares.std(axis=0) / np.sqrt(len(tables))).max())
    )


# Intervals -------------------------------------------------------------------------------------


def test_one_mean_square_has_the_exact_interval():
    """ISO 2602: sigma over s lies within 0.60 and 2.87 for n = 5, 0.69 and 1.83 for n = 10."""
    for n, low, high in ((5, 0.60, 2.87), (10, 0.69, 1.83)):
        ends = np.sqrt(component_interval([1.0], [n - 1], [1.0]))
        assert ends == pytest.approx([low, high], abs=0.005)


def test_an_upper_end_is_never_zero_where_something_is_taken_off():
    """However low the mean square, the limit stays above 0 and rises with it without a jump."""
    ends = [component_interval([s], [3], [1.0], known=1.0)[1] for s in (0, 1e-10, 1e-6, 0.01, 1)]

    assert ends[0] == pytest.approx(0.025 ** (-2 / 3) - 1)
    assert ends == sorted(ends)
    assert ends[2] == pytest.approx(ends[0], rel=1e-3)
    # Far above what is taken off it is the exact end.
    exact = component_interval([100.0], [3], [1.0])[1] - 1.0
    assert component_interval([100.0], [3], [1.0], known=1.0)[1] == pytest.approx(exact)


def test_satterthwaite_dof_of_the_gum_example():
    """JCGM 100 G.4.1: relative uncertainties 0.25, 0.57, 0.82 % on 9, 4, 14 give 19.0."""
    squares = np.array([0.25, 0.57, 0.82]) ** 2

    assert satterthwaite_dof(squares, [9, 4, 14], [1, 1, 1]) == pytest.approx(19.0, abs=0.05)


@pytest.mark.simulation
@pytest.mark.parametrize("ratio", [0.0, 0.3, 1.0, 4.0])
@pytest.mark.parametrize("dof", [(3, 4), (9, 20)])
def test_each_end_of_a_component_interval_is_missed_at_most_as_often_as_stated(ratio, dof):
    """Two mean squares of a one-way layout with three repeats: 2.5 % a side at most."""
    rng = np.random.default_rng(11)
    trials = 2000
    true = np.array([1.0 + 3.0 * ratio, 1.0])
    squares = true * rng.chisquare(dof, size=(trials, 2)) / np.array(dof)
    ends = np.array([component_interval(pair, dof, [1 / 3, -1 / 3]) for pair in squares])

    bound = 0.025 + 3.5 * np.sqrt(0.025 * 0.975 / trials)
    assert np.mean(ends[:, 0] > ratio) < bound
    assert np.mean(ends[:, 1] < ratio) < bound
    # Not wide for nothing: where the component is large, the ends are missed nearly as often.
    if ratio == 4.0 and dof == (9, 20):
        assert np.mean(ends[:, 1] < ratio) > 0.010


# Refusals --------------------------------------------------------------------------------------


def test_a_missing_reading_is_named():
    """The place of the first missing reading stands in the message."""
    with pytest.raises(fs.FanstatsError, match=r"`values\[1\]` must be a finite number"):
        variance_components([30.0, np.nan, 31.0], random={"unit": list("aab")})


def test_labels_must_match_the_readings():
    """A factor of the wrong length is refused by name."""
    with pytest.raises(fs.FanstatsError, match="'unit' must hold one label a reading"):
        variance_components([30.0, 31.0], random={"unit": list("aab")})


def test_names_of_factors_must_differ():
    """A random factor cannot be called like the residual."""
    with pytest.raises(fs.FanstatsError, match="'readings' stands twice"):
        variance_components([30.0, 31.0, 32.0], random={"readings": list("aab")})


def test_methods_are_listed():
    """An unknown method is refused with both that exist."""
    with pytest.raises(fs.FanstatsError, match="'REML', 'closed form'"):
        variance_components([1.0, 2.0], random={}, method="ML")


def test_an_unknown_term_is_refused_with_those_there_are():
    """Testing the residual against nothing is refused."""
    found = analysis_of_variance([1.0, 2.0, 3.0], random={"unit": list("aab")})
    with pytest.raises(fs.FanstatsError, match="one of 'unit'; got 'readings'"):
        found.test("readings")


# Unbalanced nests ------------------------------------------------------------------------------


def _textbook_nest(sizes):
    """Coefficients of an unbalanced nest of two stages, sum by sum as in the books.

    Searle, Casella and McCulloch (1992), appendix F; Snedecor and Cochran, 13.12: with n_ij
    readings of unit j in group i, those of the unit in both mean squares and of the group.
    """
    total = sum(sum(row) for row in sizes)
    units = sum(len(row) for row in sizes)
    within = sum(n**2 / sum(row) for row in sizes for n in row)
    over_all = sum(n**2 for row in sizes for n in row) / total
    groups = len(sizes)
    unit_in_unit = (total - within) / (units - groups)
    unit_in_group = (within - over_all) / (groups - 1)
    group_in_group = (total - sum(sum(row) ** 2 for row in sizes) / total) / (groups - 1)
    return unit_in_unit, unit_in_group, group_in_group


def _nest(sizes):
    group = [i for i, row in enumerate(sizes) for n in row for _ in range(n)]
    unit = [(i, j) for i, row in enumerate(sizes) for j, n in enumerate(row) for _ in range(n)]
    return group, unit


SIZES = ((3, 1, 2), (4, 2), (1, 1, 1, 5), (2,))


def test_unbalanced_nest_has_the_textbook_coefficients():
    """Three stages, ten units of unequal size in four groups: each expected mean square."""
    group, unit = _nest(SIZES)
    values = np.random.default_rng(3).normal(size=len(group))
    found = analysis_of_variance(values, random={"group": group, "unit": unit})
    unit_in_unit, unit_in_group, group_in_group = _textbook_nest(SIZES)

    assert found.coefficients[0] == pytest.approx([group_in_group, unit_in_group, 1.0])
    assert found.coefficients[1] == pytest.approx([0.0, unit_in_unit, 1.0])
    assert found.coefficients[2] == pytest.approx([0.0, 0.0, 1.0])
    # The components by hand from the mean squares.
    group_ms, unit_ms, residual = found.mean_squares
    units = (unit_ms - residual) / unit_in_unit
    groups = (group_ms - residual - unit_in_group * units) / group_in_group
    assert found.components() == pytest.approx([groups, units, residual])


def test_closed_form_of_an_unbalanced_nest_is_right_on_the_average():
    """Groups 1.0, units 0.5, readings 0.25: 3000 simulated tables, negative ones counted as is."""
    group, unit = _nest(SIZES)
    units = {label: place for place, label in enumerate(dict.fromkeys(unit))}
    rng = np.random.default_rng(8)
    raw = []
    for _ in range(3000):
        values = (
            rng.normal(size=len(SIZES))[group]
            + np.sqrt(0.5) * rng.normal(size=len(units))[[units[label] for label in unit]]
            + 0.5 * rng.normal(size=len(unit))
        )
        raw.append(values)
    # One decomposition serves all tables: it does not depend on the values.
    layout = analysis_of_variance(raw[0], random={"group": group, "unit": unit})
    table = np.array(raw) - np.mean(raw, axis=1, keepdims=True)
    parts = [table @ basis for basis in layout.bases]
    squares = [np.sum(part**2, axis=1) for part in parts]
    squares.append(np.sum(table**2, axis=1) - sum(squares))
    found = (np.array(squares) / layout.dof[:, None]).T @ layout.weights().T
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))

    assert found.mean(axis=0) == pytest.approx([1.0, 0.5, 0.25], abs=float(4 * error.max()))
    assert (found[:, 0] < 0).mean() > 0.02


def test_unbalanced_reml_on_its_boundary_is_the_pooled_variance():
    """Units of one, two and four readings that agree by chance: likelihood, raw value and limit."""
    unit = list("abbcccc")
    values = np.array([30.0, 30.9, 29.2, 30.6, 29.5, 29.4, 30.5])
    found = variance_components(values, random={"unit": unit})
    row = found.table.iloc[0]

    assert row["raw_variance"] < 0
    assert row["variance"] == 0.0
    assert row["high"] > 0
    assert "boundary" in row["how"] or "pooled" in row["how"]
    assert found.component("readings") == pytest.approx(np.var(values, ddof=1))
    # The dense restricted criterion has no lower point on either side.
    held = np.array([[a == b for b in unit] for a in unit], dtype=float)

    def criterion(unit_variance, residual):
        v = residual * np.eye(7) + unit_variance * held
        x = np.ones((7, 1))
        info = x.T @ np.linalg.solve(v, x)
        left = values - (x @ np.linalg.solve(info, x.T @ np.linalg.solve(v, values)))
        return (
            np.linalg.slogdet(v)[1] + np.linalg.slogdet(info)[1] + left @ np.linalg.solve(v, left)
        )

    at = criterion(0.0, np.var(values, ddof=1))
    for unit_variance in (0.0, 0.02, 0.1, 0.3):
        for factor in (0.8, 0.95, 1.0, 1.05, 1.25):
            assert criterion(unit_variance, factor * np.var(values, ddof=1)) >= at - 1e-9
