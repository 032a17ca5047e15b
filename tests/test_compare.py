"""Comparing two models: numbers, verdicts, odds, what would explain the gap, and words."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
import pickle
import re

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import optimize, stats

import fanstats as fs
from fanstats.decisions.compare import compare
from fanstats.decisions.order import alike_multiplier, joint_limits, quantile_error
from fanstats.decisions.rank import rank
from fanstats.errors import FanstatsError
from fanstats.sources import half_width, standard
from tests.synthetic import benched, make_estimates, plain_bench

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}
READ = {name: value / 100.0 for name, value in SIX.items()}  # m/s, for sweeps that were read
Z95 = stats.norm.ppf(0.975)


def tail_error(draws):
    """Error of a 2.5 % point of normal draws, a share of its distance from the middle."""
    return math.sqrt(0.025 * 0.975 / draws) / stats.norm.pdf(Z95) / Z95


def two_levels(*, shared, own=(0.0, 0.0), values=(31.0, 33.0), draws=200_000, **more):
    """Noise of two models that share a meter."""
    return make_estimates(
        dict(zip("AB", values, strict=True)),
        quantity="noise",
        units="dBA",
        relative=False,
        shared=shared,
        own=own,
        noise_spread=0.0,
        airflow_spread=0.0,
        slope=1.0,
        draws=draws,
        **more,
    )


# Numbers ------------------------------------------------------------------------------------------


def test_a_shared_meter_leaves_the_difference_alone():
    """Own 0.2 and 0.3 dB under a shared 0.5 dB give a difference of u 0.3606, not 0.7937."""
    estimates = two_levels(shared=0.5, own=(0.2, 0.3))
    found = compare(estimates, "A", "B", quantity="noise", scope="tested unit")

    error = 0.360555 / np.sqrt(2 * 200_000)
    assert found.difference.value == pytest.approx(-2.0)
    assert abs(found.difference.standard_uncertainty - 0.360555) < 4 * error
    assert found.difference.units == "dB"


def test_a_shared_limit_is_not_counted_twice():
    """A shared +-1.4 dB limit and repeats of 0.3 dB each give z 2.357 for a gap of 1 dB."""
    rng = np.random.default_rng(1)
    meter = rng.uniform(-1.4, 1.4, 400_000)
    draws = np.stack([31.0 + meter, 32.0 + meter]) + 0.3 * rng.standard_normal((2, 400_000))
    array = xr.DataArray(draws, {"model": ["A", "B"]}, ("model", "draw"), name="noise")
    found = compare(array, "B", "A")

    assert array[0].std().item() == pytest.approx(0.8616, abs=0.004)
    z = found.difference.value / found.difference.standard_uncertainty
    assert z == pytest.approx(2.357, abs=0.02)


def test_correlations_survive_pickle_copy_and_netcdf(tmp_path):
    """A result that went to disk or was copied gives the same difference, bit for bit."""
    estimates = two_levels(shared=0.5, own=(0.2, 0.3), draws=2000)
    first = compare(estimates, "A", "B", quantity="noise")
    estimates.to_netcdf(tmp_path / "estimates.nc")
    with xr.open_dataset(tmp_path / "estimates.nc") as opened:
        copies = [opened.load(), pickle.loads(pickle.dumps(estimates)), copy.deepcopy(estimates)]
    for other in copies:
        again = compare(other, "A", "B", quantity="noise")
        assert again.difference == first.difference
        assert again.sentence() == first.sentence()
    assert pickle.loads(pickle.dumps(first)).coverage_interval(0.9) == first.coverage_interval(0.9)


def test_a_comparison_pickled_or_copied_explains_the_gap_as_before():
    """What estimates rest on goes with them into copies and to other processes."""
    estimates = benched(READ, draws=1000)
    first = compare(estimates, "A", "F")
    for other in (copy.deepcopy(estimates), pickle.loads(pickle.dumps(estimates))):
        assert compare(other, "A", "F").sentence() == first.sentence()
    assert pickle.loads(pickle.dumps(first)).spread_needed == first.spread_needed


def test_a_file_of_estimates_holds_no_readings_to_ask_again(tmp_path):
    """Read back from a file they compare as before, and explain a gap by their own numbers."""
    estimates = benched(READ, draws=1000)
    first = compare(estimates, "A", "F")
    estimates.to_netcdf(tmp_path / "estimates.nc")
    with xr.open_dataset(tmp_path / "estimates.nc") as opened:
        loaded = compare(opened.load(), "A", "F")

    assert loaded.difference == first.difference
    assert loaded.spread_needed.unit_sd == first.spread_needed.unit_sd
    assert math.isnan(loaded.spread_needed.noise_db)
    assert math.isnan(loaded.spread_needed.factor)


@pytest.mark.parametrize("noise_spread", [0.8, None])
def test_a_model_against_itself_differs_by_nothing(noise_spread):
    """A model minus itself is 0 with u 0, the ratio 1, without a z and without an error."""
    found = compare(make_estimates(SIX, noise_spread=noise_spread), "A", "A")

    assert (found.difference.value, found.difference.standard_uncertainty) == (0.0, 0.0)
    assert (found.ratio.value, found.ratio.standard_uncertainty) == (1.0, 0.0)
    assert found.coverage_interval(0.95) == (0.0, 0.0)
    assert (found.verdict, found.who) == ("open", None)
    assert "same model" in found.notes
    assert math.isnan(found.odds_typical.first_ahead)
    assert "compared with itself" in found.sentence()


def test_figures_without_any_uncertainty_claim_nothing():
    """30 against 31 without a stated uncertainty is no difference one can vouch for."""
    estimates = two_levels(shared=0.0, values=(30.0, 31.0), draws=100)
    found = compare(estimates, "A", "B", quantity="noise")

    assert found.difference.value == -1.0
    assert found.difference.standard_uncertainty == 0.0
    assert (found.verdict, found.who) == ("open", None)
    assert math.isnan(found.difference.low)
    assert any("nothing to judge by" in note for note in found.notes)
    assert "open" in repr(found).splitlines()[0]


def test_equal_figures_with_display_steps_only_have_the_steps_uncertainty():
    """Two readings on 0.1 dB steps differ by 1.0 dB with u 0.0408."""
    rng = np.random.default_rng(2)
    draws = np.array([[30.0], [31.0]]) + rng.uniform(-0.05, 0.05, (2, 100_000))
    array = xr.DataArray(draws, {"model": ["A", "B"]}, ("model", "draw"), name="noise")

    found = compare(array, "A", "B")

    assert found.difference.standard_uncertainty == pytest.approx(0.0408, abs=0.0002)


def test_swapping_the_two_turns_every_sign():
    """Second against first gives the mirrored difference, limits and odds, and the same verdict."""
    estimates = benched(READ, shared=0.03, draws=2000)
    one, two = compare(estimates, "A", "E"), compare(estimates, "E", "A")

    assert two.difference.value == -one.difference.value
    assert (two.difference.low, two.difference.high) == pytest.approx(
        (-one.difference.high, -one.difference.low), rel=1e-12
    )
    assert two.difference.low_error == pytest.approx(one.difference.high_error, rel=1e-9)
    assert two.critical_difference == pytest.approx(one.critical_difference[::-1], rel=1e-12)
    assert two.ratio.low == pytest.approx(1 / one.ratio.high)
    assert two.odds_typical.first_ahead == pytest.approx(1 - one.odds_typical.first_ahead)
    assert two.odds_bought.first_ahead == pytest.approx(1 - one.odds_bought.first_ahead)
    assert (two.verdict, two.who) == (one.verdict, one.who)
    for size in ("factor", "unit_sd", "noise_db", "multiplier"):
        wanted = getattr(one.spread_needed, size)
        assert getattr(two.spread_needed, size) == pytest.approx(wanted, rel=1e-9)


def test_limits_of_the_difference_follow_from_those_of_the_ratio():
    """Two values a ratio apart around their geometric mean differ by as much as the limit says."""
    found = compare(make_estimates(SIX, shared=0.03), "A", "E")
    middle = math.sqrt(420.0 * 350.0)
    for end in ("low", "high"):
        apart = math.sqrt(getattr(found.ratio, end))
        assert getattr(found.difference, end) == pytest.approx(middle * (apart - 1 / apart))
        step = 1e-6
        moved = math.sqrt(getattr(found.ratio, end) + step)
        rate = middle * ((moved - 1 / moved) - (apart - 1 / apart)) / step
        assert getattr(found.difference, f"{end}_error") == pytest.approx(
            rate * getattr(found.ratio, f"{end}_error"), rel=1e-4
        )


def test_order_of_models_and_other_scopes_do_not_matter():
    """Reordering the models of estimates changes no number."""
    estimates = make_estimates(SIX, shared=0.03)
    turned = estimates.isel(model=[3, 5, 0, 2, 1, 4])
    one, two = compare(estimates, "A", "D"), compare(turned, "A", "D")

    assert two.difference.low == pytest.approx(one.difference.low)
    assert two.odds_bought.first_ahead == pytest.approx(one.odds_bought.first_ahead)


def test_difference_and_ratio_agree_on_who_is_ahead():
    """Limits of the difference exclude 0 exactly when those of the ratio exclude 1."""
    for gap in np.linspace(1.0, 1.3, 31):
        estimates = make_estimates({"A": 400 * gap, "B": 400.0, "C": 395.0}, shared=0.05, draws=500)
        found = compare(estimates, "A", "B")
        assert (found.difference.low > 0) == (found.ratio.low > 1)
        assert (found.verdict == "ahead") == (found.ratio.low > 1)


def test_critical_difference_is_the_gap_at_which_the_verdict_turns():
    """A gap just above the critical difference counts, one just below does not."""
    estimates = make_estimates({**SIX, "A": 460.0}, shared=0.03)
    found = compare(estimates, "A", "B")
    needed = found.critical_difference[0]
    for share, verdict in [(1.02, True), (0.98, False)]:
        moved = estimates.copy(deep=True)
        # Relative errors: A moved as a whole, to B plus so much.
        target = 400 / (1 - needed / 460.0 * share)
        for name in ("airflow", "airflow_value"):
            moved[name].loc[{"model": "A"}] *= target / 460.0
        assert (compare(moved, "A", "B").difference.low > 0) is verdict


def test_the_interval_covers_and_its_ends_hold_half_the_rest():
    """The plain interval at 0.9 leaves 5 % of the draws on either side."""
    estimates = make_estimates(SIX)
    found = compare(estimates, "A", "B", chosen="before", probability=0.9)
    draws = estimates["airflow"].sel(scope="model", model="A").values
    draws = draws - estimates["airflow"].sel(scope="model", model="B").values

    assert np.mean(draws < found.difference.low) == pytest.approx(0.05, abs=1e-4)
    assert np.mean(draws > found.difference.high) == pytest.approx(0.05, abs=1e-4)
    assert found.coverage_interval(0.9) == (found.difference.low, found.difference.high)
    ratio = found.coverage_interval(0.9, of="ratio")
    assert ratio == pytest.approx((found.ratio.low, found.ratio.high), rel=1e-6)


# Verdicts -----------------------------------------------------------------------------------------


def test_a_pair_from_the_chart_needs_a_larger_gap_than_one_chosen_before():
    """The joint maximum over six alike models widens the interval from 1.96 to 2.85 u."""
    estimates = make_estimates(SIX)
    chart, before = compare(estimates, "A", "B"), compare(estimates, "A", "B", chosen="before")

    u = chart.ratio.standard_uncertainty
    multiplier = math.log(chart.ratio.value / chart.ratio.low) / u
    assert multiplier == pytest.approx(alike_multiplier(6, 0.95), rel=0.03)
    assert math.log(before.ratio.value / before.ratio.low) / u == pytest.approx(Z95, rel=0.03)


@pytest.mark.parametrize(
    ("gap", "verdict"), [(0.0, "open"), (0.5, "open"), (1.4, "leaning"), (2.1, "ahead")]
)
@pytest.mark.parametrize("swap", [False, True])
def test_verdict_follows_the_gap(gap, verdict, swap):
    """Settled beyond 1.96 u, leaning from odds of 3:1 (0.67 u), else open; whoever comes first."""
    u = 0.5
    values = (30.0, 30.0 + gap * u)  # less noise is better: A is ahead
    estimates = two_levels(shared=1.0, own=(u / np.sqrt(2),) * 2, values=values, draws=20_000)
    found = compare(estimates, *("BA" if swap else "AB"), quantity="noise")

    assert found.verdict == verdict
    assert found.who == (None if verdict == "open" else "A")


@pytest.mark.at_length  # in small: test_families, test_calibration
def test_false_leads_between_equal_models_are_five_in_a_hundred():
    """Equal models from the chart are called different at most 5 % of times, family-wise."""
    rng = np.random.default_rng(3)
    runs, wrong = 400, 0
    base = make_estimates(dict.fromkeys("ABCD", 400.0), shared=0.03, draws=1000)
    own = math.sqrt(0.01**2 + (0.04 * 0.8) ** 2 + 0.02**2)
    for _ in range(runs):
        shift = np.exp(own * rng.standard_normal(4))
        seen = base.copy()
        for name in ("airflow", "airflow_value"):
            seen[name] = base[name] * xr.DataArray(shift, dims="model")
        top, last = "ABCD"[int(shift.argmax())], "ABCD"[int(shift.argmin())]
        wrong += compare(seen, top, last).verdict == "ahead"

    assert stats.binomtest(wrong, runs, 0.05).pvalue > 0.001


def test_odds_are_chances_from_five_models_on():
    """With five models odds are hit rates and nearer to even; with four they are confidence."""
    five = compare(make_estimates(dict(list(SIX.items())[:5])), "A", "B")
    four = compare(make_estimates(dict(list(SIX.items())[:4])), "A", "B")

    assert (five.odds_typical.label, five.odds_typical.models) == ("chance", 5)
    assert (four.odds_typical.label, four.odds_typical.models) == ("confidence", 4)
    assert 0.5 < five.odds_typical.first_ahead < four.odds_typical.first_ahead
    assert "Chance that A is ahead" in five.sentence()
    assert "Confidence that A is ahead" in four.sentence()


def test_confidence_agrees_with_its_closed_form():
    """Without a chart of five the odds are the share of draws, for typical and bought samples."""
    values = {"A": 420.0, "B": 400.0}
    found = compare(make_estimates(values, own=0.01, draws=100_000), "A", "B")

    luck = (0.04 * 0.8) ** 2 + 0.02**2
    gap = math.log(420 / 400)
    typical = stats.norm.cdf(gap / math.sqrt(2 * (0.01**2 + luck)))
    bought = stats.norm.cdf(gap / math.sqrt(2 * (0.01**2 + 2 * luck)))
    assert abs(found.odds_typical.first_ahead - typical) < 4 * found.odds_typical.standard_error
    assert abs(found.odds_bought.first_ahead - bought) < 4 * found.odds_bought.standard_error


def test_two_bought_samples_are_less_certain_than_typical_ones():
    """The luck of the two samples one would buy brings the odds nearer to even."""
    found = compare(make_estimates(SIX), "A", "C")

    assert 0.5 < found.odds_bought.first_ahead < found.odds_typical.first_ahead
    assert compare(make_estimates(SIX), "A", "C", scope="next unit").odds == found.odds_bought


def test_a_lead_of_an_uncertain_figure_is_said_to_be_one():
    """Among precise alike models a high but shaky figure is no favourite, and that is said."""
    values = {"A": 460.0, "B": 455.0, "C": 300.0, "D": 301.0, "E": 299.0, "F": 302.0}
    estimates = make_estimates(
        values, own=[0.5, 0.001, 0.001, 0.001, 0.001, 0.001], noise_spread=0, airflow_spread=0
    )
    found = compare(estimates, "A", "B")

    assert (found.verdict, found.who) == ("leaning", "B")
    assert any("A has the better figure, but the less certain one" in n for n in found.notes)


def test_margin_says_whether_the_gap_matters():
    """Two one-sided tests at 5 %: within the margin, beyond it, or open."""
    for values, margin, against in [
        ((30.0, 30.02), 1.0, "within the margin"),
        ((30.0, 35.0), 1.0, "more than the margin"),
        ((30.0, 31.0), 1.0, "open"),
    ]:
        estimates = two_levels(shared=1.0, own=(0.2, 0.2), values=values, draws=5000)
        found = compare(estimates, "A", "B", quantity="noise", margin=margin, chosen="before")
        assert found.against_margin == against
    assert "Whether the gap is more or less than 1 dB is open." in found.sentence()


def test_equivalence_takes_the_ninety_percent_interval():
    """A gap whose 90 % interval fits into the margin is within it, though its 95 % one is not."""
    u = 0.3
    estimates = two_levels(shared=0.0, own=(u / np.sqrt(2),) * 2, values=(30.0, 30.0))
    inside = 1.8 * u  # between 1.645 and 1.960

    found = compare(estimates, "A", "B", quantity="noise", margin=inside, chosen="before")

    assert found.difference.high > inside
    assert found.against_margin == "within the margin"


# What would explain the gap -----------------------------------------------------------------------


def test_spread_needed_follows_its_formulas():
    """Factor, own standard deviation and noise luck as by hand from variances and slopes."""
    units, draws = [1, 4, 1], 100_000
    estimates = benched(
        {"A": 4.6, "B": 4.0, "C": 3.8}, units_tested=units, slope=[0.04, 0.03, 0.04],
        shared=0.03, draws=draws,
    )  # fmt: skip
    found = compare(estimates, "A", "B", chosen="before").spread_needed

    gap, measured = math.log(460 / 400), 0.01 * math.sqrt(2)

    def turns(luck, bend):
        """Size at which luck explains the gap, which a mean over four samples brings nearer."""
        return optimize.brentq(
            lambda x: gap - bend * x**2 - Z95 * math.hypot(measured, luck * x), 0, 9
        )

    noise, mean = math.hypot(0.04, 0.03 / 2), 0.03**2 * (1 - 1 / 4) / 2
    stated = math.hypot(0.8 * noise, 0.02 * math.sqrt(1 + 1 / 4))
    near = 3.3 * tail_error(draws)
    assert found.factor == pytest.approx(
        turns(stated, 0.64 * mean + 0.02**2 * (1 - 1 / 4) / 2), rel=near
    )
    assert found.noise_db == pytest.approx(turns(noise, mean), rel=near)
    room = math.sqrt((gap / Z95) ** 2 - measured**2)
    assert found.unit_sd == pytest.approx(room / math.sqrt(1 + 1 / 4), rel=near)
    assert found.unit_sd_units == ""


def test_luck_in_step_has_a_factor_of_its_own():
    """Noise and airflow luck that go together half undo each other: more of both is needed."""
    draws = 50_000
    estimates = benched({"A": 4.6, "B": 4.0}, correlation=0.9, draws=draws)
    found = compare(estimates, "A", "B").spread_needed

    room = math.sqrt((math.log(460 / 400) / Z95) ** 2 - 2 * 0.01**2)
    luck = 2 * ((0.04 * 0.8) ** 2 + 0.02**2 - 2 * 0.9 * 0.04 * 0.8 * 0.02)
    near = 3.3 * tail_error(draws)
    assert found.factor == pytest.approx(room / math.sqrt(luck), rel=near)
    assert found.noise_db == pytest.approx(room / (0.04 * math.sqrt(2)), rel=near)


def test_spread_at_the_factor_just_makes_the_gap_count_no_more():
    """Stating the spread times the factor brings the lower limit to 0."""
    found = compare(benched(READ), "A", "E")
    factor = found.spread_needed.factor
    assert factor > 1
    again = compare(
        benched(READ, noise_spread=0.8 * factor, airflow_spread=0.02 * factor), "A", "E"
    )

    gap = math.log(420 / 350)
    assert math.log(again.ratio.low) == pytest.approx(0.0, abs=0.001 * gap)
    assert again.spread_needed.factor == pytest.approx(1.0, rel=0.001)


def test_a_gap_within_measurement_needs_no_luck():
    """Where measurement alone could explain the gap, the spread needed is 0."""
    found = compare(benched({"A": 4.01, "B": 4.0}, own=0.01), "A", "B")

    assert found.spread_needed.factor == 0.0
    assert found.spread_needed.noise_db == 0.0
    assert "Measurement alone could explain the gap." in found.sentence()


def test_luck_that_does_not_move_the_quantity_explains_nothing():
    """No multiple of luck in speed at a drive explains a gap at equal noise, where it cancels."""
    bench = plain_bench(own=0.003, noise_spread=0.0, airflow_spread=0.0)
    spread = dataclasses.replace(bench.spread, speed=standard("4 %"))
    found = fs.equal_noise(
        bent_readings({"A": 4.2, "B": 4.0}), 33, bench=dataclasses.replace(bench, spread=spread)
    )
    pair = compare(found, "A", "B", quantity="airflow")
    assert not math.isfinite(pair.spread_needed.factor)
    assert 0.0 < pair.spread_needed.noise_db < 1.0
    assert "times the spread used" not in pair.sentence()


def test_noise_luck_is_found_where_the_curve_bends():
    """Where the response to luck bends, simulated luck of that size leaves no gap."""
    draws = 100_000
    estimates = fs.equal_noise(
        bent_readings({"A": 4.4, "B": 4.0}), 33, bench=plain_bench(own=0.005), draws=draws, rng=7
    )
    found = compare(estimates, "A", "B", quantity="airflow", chosen="before").spread_needed

    rng, size = np.random.default_rng(5), 2_000_000
    measured = rng.normal(0, 0.005 * math.sqrt(2), size)
    ends = [bent(found.noise_db * rng.standard_normal(size)) for _ in range(2)]
    gap = math.log(440 / 400) + measured + ends[0] - ends[1]
    error = quantile_error(gap, 0.025)
    # The error of both, in the share of their draws.
    assert abs(np.quantile(gap, 0.025)) < 3.3 * error * math.sqrt(1 + size / draws)
    straight = math.sqrt((math.log(440 / 400) / Z95) ** 2 - 2 * 0.005**2) / (0.04 * math.sqrt(2))
    assert found.noise_db < 0.95 * straight


def bent(luck):
    """Response that is steeper for a quieter sample, as close to the room."""
    return 0.04 * luck - 0.008 * np.square(luck) * (luck < 0)


def bent_readings(values):
    """Read sweeps on which luck in noise moves ln airflow by `bent`, 33 dBA at 900 rpm."""
    steps = np.arange(-10.0, 12.1, 0.5)
    rows = [
        {
            "model": model,
            "speed [rpm]": 900.0 * np.exp(bent(step)),
            "noise [dBA]": 33.0 + step,
            "background [dBA]": -10.0,
            "airflow [m/s]": value * np.exp(bent(step)),
        }
        for model, value in values.items()
        for step in steps
    ]
    return fs.read_readings(pd.DataFrame(rows))


def test_noise_luck_of_a_picked_pair_is_held_against_the_chart_it_makes():
    """The joint limit of the pair is 0 once every model of the chart has that much luck."""
    draws = 60_000
    bench = plain_bench(own=0.004, noise_spread=None)
    estimates = fs.equal_noise(bent_readings(READ), 33, bench=bench, draws=draws, rng=7)
    needed = compare(estimates, "A", "E", quantity="airflow").spread_needed.noise_db

    rng, size = np.random.default_rng(6), 200_000
    values = np.log(list(SIX.values()))
    luck = bent(needed * rng.standard_normal((6, size)))
    simulated = values[:, None] + 0.004 * rng.standard_normal((6, size)) + luck
    joint = joint_limits(values, simulated, 0.95)
    error = joint.lower_error[0, 4] * math.sqrt(1 + size / draws)
    assert abs(joint.lower[0, 4]) < 3.3 * error


def test_the_error_of_a_picked_limit_is_what_other_draws_move_it_by():
    """Limits of many root seeds scatter as one of them says, reach and multiplier together."""
    found = [compare(make_estimates(SIX, draws=2000, root=k), "A", "E") for k in range(60)]
    for end in ("low", "high"):
        scatter = np.std([getattr(one.difference, end) for one in found], ddof=1)
        stated = np.mean([getattr(one.difference, f"{end}_error") for one in found])
        # The standard deviation of 60 numbers is known to 9.2 %; medians of draws play no part.
        assert scatter / stated == pytest.approx(1.0, abs=3.3 * 0.092)


def test_an_end_beyond_the_data_settles_nothing():
    """Where the end that decides rests on continued draws it is missing, and nobody is ahead."""
    sure = {"own": 0.004, "noise_spread": 0.05, "airflow_spread": 0.002, "draws": 2000}
    estimates = make_estimates({"A": 440.0, "B": 400.0, "C": 380.0}, **sure)
    assert compare(estimates, "A", "B").verdict == "ahead"

    for model, side, missing in (("A", "below", "low"), ("B", "above", "low"),
                                 ("A", "above", "high"), ("B", "below", "high")):  # fmt: skip
        past = estimates.copy(deep=True)
        past[f"airflow_share_{side}"].loc[{"model": model}] = 0.04
        found = compare(past, "A", "B")
        assert math.isnan(getattr(found.difference, missing))
        assert math.isnan(getattr(found.ratio, missing))
        assert found.verdict == ("leaning" if missing == "low" else "ahead")
        assert "nothing is settled by that end" in found.caption()
        assert rank(past).settled.get(1) == (None if missing == "low" else "A")


def test_no_uncertainty_has_no_odds():
    """A gap without any uncertainty is undecided, and no chance of 1 stands beside that."""
    exact = make_estimates({"A": 440.0, "B": 400.0}, own=0.0, noise_spread=0.0, airflow_spread=0.0,
                           draws=300)  # fmt: skip
    found = compare(exact, "A", "B")
    assert found.verdict == "open"
    assert math.isnan(found.odds_typical.first_ahead)
    assert math.isnan(found.odds_bought.first_ahead)
    ranking = rank(exact)
    assert ranking.pair_chances.isnull().all()
    assert ranking.chance_best.isnull().all()
    assert math.isnan(ranking.closest_call().probability)
    assert "The closest call" not in ranking.sentence()
    assert "without odds: nothing is uncertain here" in ranking.sentence()


def test_several_fans_together_are_no_part_of_the_population():
    """A model of which three run together moves no other pair's odds, and has no hit rate."""
    chart = {**SIX, "G": 800.0}
    alone = compare(make_estimates(SIX), "A", "B").odds_typical
    together = make_estimates(chart)
    together.attrs["fans"] = json.dumps({"G": 3})
    plain = compare(together, "A", "B").odds_typical
    assert plain.first_ahead == pytest.approx(alone.first_ahead, abs=0.01)
    assert plain.label == "chance"

    mixed = compare(together, "G", "A")
    assert mixed.odds_typical.label == "confidence"
    assert any("3 fans together" in note for note in mixed.notes)
    ranking = rank(together)
    assert ranking.label == "confidence"
    assert float(ranking.pair_chances.sel(model="A", other="B")) == pytest.approx(
        plain.first_ahead, abs=1e-12
    )
    # Of all models alike, however many run together, nobody is left out.
    together.attrs["fans"] = json.dumps(dict.fromkeys(chart, 2))
    assert compare(together, "G", "A").odds_typical.label == "chance"


def test_tables_of_a_comparison_leave_as_text(tmp_path):
    """One row of plain numbers as comma-separated values, what a reader looks for as Markdown."""
    found = compare(make_estimates(SIX), "A", "B")
    text = found.to_csv()
    assert text.splitlines()[0].startswith("first,second,verdict,who")
    assert float(found.table["difference"].iloc[0]) == found.difference.value
    assert found.to_csv(tmp_path / "pair.csv") is None
    assert (tmp_path / "pair.csv").read_text() == text
    assert "| difference" in found.to_markdown()


def test_chances_are_all_in_a_hundred():
    """No sentence mixes "1 in 4" with "21 in 100"."""
    for gap in (400.0, 402.0, 404.0, 410.0, 420.0):
        text = compare(make_estimates({"A": gap, "B": 400.0}, draws=10_000), "A", "B").sentence()
        assert not re.search(r"\bin (2|4|5|10|20)\b", text)
        assert re.search(r"\d in 100 for the typical samples", text)


def test_an_estimated_spread_explains_a_gap_by_students_t():
    """A spread of 5 degrees of freedom, and its multiples, are known no better than that."""
    options = {"own": 1e-5, "draws": 50_000}
    known = compare(benched(READ, **options), "A", "F", chosen="before")
    estimated = compare(
        benched(
            READ,
            noise_spread=standard(0.8, dof=5),
            airflow_spread=standard(1e-6, relative=True),
            **options,
        ),
        "A", "F", chosen="before",
    )  # fmt: skip
    alone = math.hypot(0.04 * 0.8, 0.02) / (0.04 * 0.8)

    # A 2.5 % point of Student's t with 5 degrees of freedom scatters about twice as much.
    assert estimated.spread_needed.factor / known.spread_needed.factor == pytest.approx(
        alone * Z95 / stats.t.ppf(0.975, 5), rel=3.3 * 2.3 * tail_error(50_000)
    )


def test_the_shape_of_a_spread_counts_in_its_factor():
    """Rectangular luck has no tails: a larger multiple of it leaves the gap standing."""
    values = {"A": 4.6, "B": 4.0}
    options = {"own": 1e-6, "noise_spread": 0.0, "draws": 50_000}
    size = 0.02
    found = compare(
        benched(values, airflow_spread=half_width(size * math.sqrt(3), relative=True), **options),
        "A", "B",
    ).spread_needed  # fmt: skip
    # Of two rectangles of half width a, the 97.5 % point of the difference.
    reach = 2 * size * math.sqrt(3) * (1 - math.sqrt(2 * 0.025))
    # That point of 50,000 draws is known to 0.4 %, and ln(1 + f) bends by 0.2 %.
    assert found.factor == pytest.approx(math.log(1.15) / reach, rel=3.3 * 0.004 + 0.002)


# Unknown spread -----------------------------------------------------------------------------------


def test_unknown_spread_gives_the_same_kind_of_answer():
    """Without a spread: verdict open, no interval, tested samples in full, spread needed filled."""
    draws = 50_000
    found = compare(benched(READ, noise_spread=None, draws=draws), "A", "F")

    assert (found.verdict, found.who) == ("open", None)
    assert math.isnan(found.difference.low)
    assert found.coverage_interval(0.95) == pytest.approx((math.nan, math.nan), nan_ok=True)
    assert found.difference.value == pytest.approx(0.9)
    assert found.tested.low > 0
    needed = found.spread_needed
    assert math.isnan(needed.factor)
    assert needed.multiplier == pytest.approx(alike_multiplier(6, 0.95))
    gap, measured = math.log(420 / 330), 2 * 0.01**2
    room = math.sqrt((gap / needed.multiplier) ** 2 - measured)
    near = 3.3 * tail_error(draws)
    assert needed.noise_db == pytest.approx(room / (0.04 * math.sqrt(2)), rel=near)
    assert needed.unit_sd == pytest.approx(room / math.sqrt(2), rel=near)
    assert math.isnan(found.odds_typical.first_ahead)
    assert "spread not stated: noise" in found.sentence()
    assert "in noise alone" in found.sentence()
    assert type(found) is type(compare(make_estimates(SIX), "A", "F"))


def test_estimates_without_readings_explain_a_gap_by_their_own_numbers_alone():
    """Without readings to ask again noise luck and factor are not known; the closed form is."""
    found = compare(make_estimates(SIX), "A", "F", chosen="before")
    needed = found.spread_needed

    room = math.sqrt((math.log(420 / 330) / Z95) ** 2 - 2 * 0.01**2)
    assert math.isnan(needed.noise_db)
    assert math.isnan(needed.factor)
    assert needed.unit_sd == pytest.approx(room / math.sqrt(2), rel=3.3 * tail_error(10_000))
    assert "% in airflow (standard deviation)" in found.sentence()
    assert "in noise alone" not in found.sentence()


def test_renamed_or_changed_estimates_are_compared_without_their_readings():
    """What was renamed or changed in passing is no longer what the readings gave, and says so."""
    estimates = benched(READ, draws=1000)
    renamed = compare(
        estimates.assign_coords(model=list("UVWXYZ")), "U", "Z", chosen="before"
    ).spread_needed
    half = estimates.assign({name: 0.5 * estimates[name] for name in ("airflow", "airflow_value")})
    changed = compare(half, "A", "F", chosen="before")
    kept = compare(estimates, "A", "F", chosen="before").spread_needed

    assert math.isfinite(kept.noise_db)
    for needed in (renamed, changed.spread_needed):
        assert (math.isnan(needed.noise_db), math.isnan(needed.factor)) == (True, True)
        assert needed.unit_sd == pytest.approx(kept.unit_sd)
    assert changed.difference.value == pytest.approx(0.45)


def test_tested_samples_are_compared_without_a_spread():
    """Scope "tested unit" needs no spread: its verdict and odds are about these two samples."""
    found = compare(make_estimates(SIX, noise_spread=None), "A", "B", scope="tested unit")

    assert found.verdict == "ahead"
    assert found.odds.label == "chance"
    assert "settled for the samples tested" in found.sentence()


# Input that cannot be compared --------------------------------------------------------------------


def test_a_missing_model_is_named_with_those_present():
    """An unknown name lists the models present and the one nearest to it."""
    estimates = make_estimates({"Alpha": 1.0, "Beta": 2.0})
    with pytest.raises(FanstatsError, match=r"`second`.*'Alpha', 'Beta'; got 'Betta'.*'Beta'\?"):
        compare(estimates, "Alpha", "Betta")


def test_several_obstructions_have_to_be_chosen_from():
    """Without an obstruction named, the error lists them all; one that is there is taken."""
    estimates = make_estimates(
        SIX, obstructions=["none", "wire mesh"], obstruction_factors=[1, 0.7]
    )
    with pytest.raises(FanstatsError, match=r"`obstruction`.*'none', 'wire mesh'; got None"):
        compare(estimates, "A", "B")

    found = compare(estimates, "A", "B", obstruction="wire mesh")
    assert found.difference.value == pytest.approx(14.0)
    assert found.obstruction == "wire mesh"
    with pytest.raises(FanstatsError, match="does not depend on an obstruction"):
        compare(make_estimates(SIX), "A", "B", obstruction="none")


def test_results_of_different_seeds_are_refused():
    """Draws of two roots do not share their meter: compared, they would be wrong."""
    one = make_estimates({"A": 420.0}, root=1)
    two = make_estimates({"B": 400.0}, root=2)
    both = xr.concat(
        [one.expand_dims("half").isel(half=0), two], dim="model", coords="different",
        compat="equals", join="outer", combine_attrs="drop_conflicts",
    )  # fmt: skip
    with pytest.raises(FanstatsError, match="one root seed; got 1, 2"):
        compare(both, "A", "B")


def test_a_part_of_a_chart_has_to_be_chosen_before():
    """A selection of a chart's models cannot be judged as picked from that chart."""
    part = make_estimates(SIX).sel(model=["A", "B"])
    with pytest.raises(FanstatsError, match="'before' for a part of a chart: 4 of its models"):
        compare(part, "A", "B")

    assert compare(part, "A", "B", chosen="before").difference.value == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"probability": 95}, "`probability`.*0.95 for 95 %"),
        ({"chosen": "later"}, "`chosen` must be one of 'from the chart', 'before'"),
        ({"scope": "typical"}, "`scope` must be.*; got 'typical'.*'model' the typical one, 'next"),
        ({"scope": "Next_Unit"}, "`scope` must be.*Did you mean 'next unit'"),
        ({"margin": -1.0}, "`margin` must be a finite number above 0"),
        ({"quantity": "speed"}, "`quantity` must be one of those in the estimates: 'airflow'"),
        ({"quantity": "air flow"}, "; got 'air flow'. Did you mean 'airflow'"),
        ({"best": "most"}, "`best` must be one of 'high', 'low'"),
    ],
)
def test_wrong_arguments_are_named(change, message):
    """Each wrong argument is named with its rule."""
    with pytest.raises(FanstatsError, match=message):
        compare(make_estimates(SIX), "A", "B", **change)


def test_a_model_without_an_estimate_leaves_the_comparison_open():
    """A model above its range has no gap to anybody; the reason is given."""
    estimates = make_estimates({**SIX, "G": math.nan}, statuses={"G": "above range"})
    found = compare(estimates, "A", "G")

    assert found.verdict == "open"
    assert math.isnan(found.difference.value)
    assert "G: above range" in found.notes
    assert "no estimate" in found.sentence()


def test_a_model_with_missing_draws_is_left_out_and_says_so():
    """Some NaN draws are no draws to compare with, nor to judge others among."""
    estimates = make_estimates(SIX)
    estimates["airflow"].loc[{"scope": "model", "model": "B"}][:12] = math.nan
    found = compare(estimates, "A", "B")

    assert found.verdict == "open"
    assert "B: 12 of 10000 draws missing" in found.notes
    assert "B" not in compare(estimates, "A", "C").judged_among


def test_any_array_of_models_and_draws_can_be_compared():
    """A bare array is estimated by its median, and reported as unverified without a root."""
    estimates = make_estimates(SIX)
    array = (estimates["airflow"] / 1000.0).sel(scope="model", drop=True).reset_coords(drop=True)
    array = array.rename("flow per rev")
    with pytest.raises(FanstatsError, match="`best` must be 'high' or 'low' for 'flow per rev'"):
        compare(array, "A", "B")
    found = compare(array, "A", "B", best="high")

    medians = array.median("draw").values
    assert found.difference.value == pytest.approx(medians[0] - medians[1])
    assert found.root is None
    assert any("could not be verified" in note for note in found.notes)
    assert found.scope == "as given"
    assert math.isnan(found.ratio.value)
    assert "A probably is higher than B" in found.sentence()


def test_arrays_that_hold_no_draws_are_refused():
    """Dimensions that are missing or too many are named."""
    estimates = make_estimates(SIX, obstructions=["none", "grille"])
    with pytest.raises(FanstatsError, match="named models and draws"):
        compare(estimates["airflow_value"].rename("airflow"), "A", "B", obstruction="none")
    extra = estimates["airflow"].expand_dims(day=["one", "two"])
    with pytest.raises(FanstatsError, match="select one day"):
        compare(extra, "A", "B", obstruction="none")
    with pytest.raises(FanstatsError, match="must be an xarray Dataset or DataArray; got dict"):
        compare({}, "A", "B")


# Words --------------------------------------------------------------------------------------------


def test_the_sentence_says_all_that_belongs_to_a_verdict():
    """Who, by how much, how settled, both odds, how many samples, and what was assumed."""
    estimates = benched(READ, units_tested=[1, 2, 1, 1, 1, 3], shared=0.03, room=10.0)
    estimates.attrs["not_considered"] = json.dumps(["airflow: session errors not stated"])
    text = compare(estimates, "F", "A", quantity="airflow").sentence()

    assert text.startswith("A moves more air than F at equal noise (33 dBA): by ")
    for part in [
        "range, 95 times in 100 (coverage interval):",
        "settled for the typical ones",
        "smallest gap that would count (critical difference)",
        "picked from a chart of 6 models",
        "for the typical samples",
        "for one bought sample of each",
        "% in airflow or ",
        "dB in noise alone (standard deviation), ",
        "times the spread used",
        "at equal noise it cancels",
        "Tested: 3 samples of F, 1 sample of A.",
        "Assumed: sample luck in noise at a given speed: s = 0.8 dB",
        "Not considered: airflow: session errors not stated.",
    ]:
        assert part in text
    assert " -" not in text


def test_a_leaning_is_never_called_a_win():
    """Leaning is told as probable and not settled."""
    text = compare(make_estimates(SIX), "A", "B").sentence()

    assert text.startswith("A probably moves more air than B")
    assert "not settled" in text


def test_less_noise_is_told_as_quieter():
    """Where less is better the words turn, and the size of the gap is given without a sign."""
    estimates = two_levels(shared=0.5, own=(0.1, 0.1), draws=5000)
    text = compare(estimates, "A", "B", quantity="noise").sentence()

    assert text.startswith("A is quieter than B at equal noise (36 dBA): by 2.00 dB, range")


def test_displays_hold_the_numbers_and_no_raw_markup():
    """Text and HTML displays show the verdict; names are escaped in HTML."""
    estimates = make_estimates({"A<b>": 420.0, "B": 400.0})
    found = compare(estimates, "A<b>", "B")

    assert repr(found).startswith("Comparison A<b> - B: ")
    assert "smallest gap that would count" in repr(found)
    page = found._repr_html_()
    assert "A&lt;b&gt;" in page
    assert "<b>" not in page


def test_a_comparison_cannot_be_changed():
    """A result is frozen, its draws included."""
    found = compare(make_estimates(SIX), "A", "B")
    with pytest.raises(dataclasses.FrozenInstanceError):
        found.verdict = "ahead"
    with pytest.raises(ValueError, match="read-only"):
        found._pair[0, 0] = 1.0


def test_a_verdict_that_hangs_on_the_number_of_draws_says_so():
    """Where an end lies within its Monte Carlo error of zero, the caption carries the remark."""
    estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), rng=2026)
    where = {"quantity": "airflow", "obstruction": "open"}

    close = fs.compare(estimates, "Varnost Lull", "Pellwick 80 Mild", **where)
    clear = fs.compare(estimates, "Varnost Lull", "Wexcombe Pale", **where)

    assert abs(close.difference.low) < 2 * close.difference.low_error
    assert "more draws could turn this" in close.caption()
    assert "more draws could turn this" not in clear.caption()
