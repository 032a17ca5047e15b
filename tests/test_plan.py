"""Plans from estimates: taken apart rightly, and true when simulated through `compare`."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

import fanstats as fs
from fanstats.decisions.compare import compare
from fanstats.errors import FanstatsError
from fanstats.loading.readings import read_readings
from fanstats.planning.plan import plan_next, plan_units
from fanstats.sources import Bench, Instrument, Source, UnitSpread, standard
from tests.simulated import SimulatedBench
from tests.synthetic import benched, make_estimates, plain_bench, power_law_readings


def spread_of(
    size: float, *, dof: float | None = None, taken_off: float = 0.0, relative: bool = False
) -> Source:
    """State a spread; with `taken_off` as a mean square that holds measuring errors of that size.

    The size of a mean square is that of all it holds.
    """
    if not taken_off:
        return standard(size, dof=math.inf if dof is None else dof, relative=relative)
    whole = standard(size, dof=math.inf if dof is None else dof, relative=relative)
    return replace(whole, kind="mean square", removed_variance=taken_off**2)


def estimates(
    values: dict[str, float],
    *,
    tested: tuple[int, ...] | int = 1,
    spread: float = 0.8,
    measured: float = 0.3,
    shared: float = 0.5,
    dof: float | None = None,
    mean_square: bool = False,
    **more: object,
) -> xr.Dataset:
    """Make estimates of noise at one speed: `measured` is new with each mounting, luck `spread`."""
    whole = math.hypot(spread, measured) if mean_square else spread
    source = spread_of(whole, dof=dof, taken_off=measured if mean_square else 0.0)
    usual = {"own": 0.0, "draws": 4000, "root": 5, "below": 4.0, "above": 4.0}
    return benched(
        values, quantity="noise", shared=shared, mounting=measured, noise_spread=source,
        units_tested=tested, **{**usual, **more},
    )  # fmt: skip


def flows(
    values: dict[str, float],
    *,
    tested: tuple[int, ...] | int = 1,
    spread: float = 0.03,
    measured: float = 0.01,
    shared: float = 0.03,
    **more: object,
) -> xr.Dataset:
    """Make estimates of airflow at equal noise: as `estimates`, luck in airflow alone."""
    usual = {"own": 0.0, "draws": 4000, "root": 5, "noise_spread": 0.0, "airflow_spread": spread}
    return benched(
        values, shared=shared, mounting=measured, units_tested=tested, **{**usual, **more}
    )


PAIR = {"Aven": 31.0, "Bryll": 30.2}


def test_the_make_up_of_the_estimates_is_recovered() -> None:
    """Spread, mounting and units tested are told apart; the error that all share leaves."""
    made = estimates(PAIR, tested=(1, 3), draws=40_000)
    plan = plan_units(made, "Aven", "Bryll", gap=1.5, chosen="before")
    one_unit = 0.64 + 0.09

    # What counts now is read off 40,000 draws, whose variances are good to 1.4 % at two errors.
    assert plan.counts_now == pytest.approx(1.96 * math.sqrt(one_unit * (1 + 1 / 3)), rel=0.02)
    assert plan.counts_repeats_only == pytest.approx(1.96 * math.sqrt(0.64 * 4 / 3), rel=1e-3)
    assert plan.gap_now == pytest.approx(0.8)
    assert plan.gap == 1.5
    assert plan.n_per_model == (1 + plan.add["Aven"], 3 + plan.add["Bryll"])
    assert plan.n_total == sum(plan.n_per_model)
    assert plan.counts_floor < 0.01  # a room 40 dB below answers to the meter by as little
    assert plan.not_considered == ()


def test_a_pair_off_the_chart_takes_more_samples() -> None:
    """Among eight models a pair that the chart picked takes more than one named before."""
    made = estimates({name: 30.0 + place / 4 for place, name in enumerate("ABCDEFGH")})
    totals = [
        plan_units(made, "A", "H", gap=1.75, chosen=chosen).n_total
        for chosen in ("before", "from the chart")
    ]

    assert totals[0] < totals[1]


def test_ratios_are_planned_in_logarithms_and_printed_in_units() -> None:
    """A gap of 5 % of airflow is planned as a ratio; gaps come back in the quantity's unit."""
    made = flows({"Aven": 4.0, "Bryll": 4.1})
    by_text = plan_units(made, "Aven", "Bryll", gap="5 %", chosen="before")
    by_number = plan_units(made, "Aven", "Bryll", gap=by_text.gap, chosen="before")

    assert by_text.design.gap == pytest.approx(math.log(1.05))
    # As in `compare` by the geometric mean of both values, from which each lies half the ratio.
    middle = math.sqrt(4.0 * 4.1)
    assert by_text.gap == pytest.approx(middle * (math.sqrt(1.05) - 1 / math.sqrt(1.05)))
    assert by_text.gap_percent == pytest.approx(5.0)
    assert by_number.n_per_model == by_text.n_per_model
    assert by_number.design.gap == pytest.approx(by_text.design.gap)
    assert by_text.units == "m/s"
    assert "a gap of 0.198 m/s (5 %) in airflow between the typical ones of" in by_text.sentence()


def two_instruments(**more: float) -> Bench:
    """State errors that belong to a model, of both instruments; `more` are levels of the noise."""
    exact = {"shared": [], "session": [], "sitting": [], "model": standard(0.5), "reading": []}
    plain = plain_bench(own=0.01, mounting=0.03, noise_spread=0.0, airflow_spread=0.03)
    levels = {level: standard(size) for level, size in more.items()}
    return replace(plain, noise=Instrument(**{**exact, **levels}))


def test_model_errors_of_the_bench_are_the_floor() -> None:
    """What belongs to a model stays: through the slope for the noise meter."""
    readings = power_law_readings({"Aven": 4.0, "Bryll": 4.1})
    made = fs.equal_noise(readings, 33, bench=two_instruments(), draws=4000, rng=5)
    plan = plan_units(made, "Aven", "Bryll", quantity="airflow", gap="3 %", chosen="before")
    floor = math.hypot(0.04 * 0.5, 0.01) * math.sqrt(2)

    assert plan.design.counts_floor == pytest.approx(1.96 * floor, rel=1e-3)
    assert plan.verdict == "cannot be settled"
    assert "let no gap below" in plan.sentence()
    # A gap above the smallest that would count may still be found too seldom: with what chance?
    assert f"find this one with a chance of {plan.power_at_most:.2f} at most" in plan.sentence()


def test_another_bench_is_a_plan_for_that_bench() -> None:
    """The bench of the estimates passed again is the same plan; another one brings its own."""
    readings = power_law_readings({"Aven": 4.0, "Bryll": 4.1})
    steady = plain_bench(own=0.002, mounting=0.005, airflow_spread=0.01, noise_spread=0.0)
    rough, asked = two_instruments(), {"quantity": "airflow", "gap": "15 %", "chosen": "before"}
    made = {
        name: fs.equal_noise(readings, 33, bench=bench, draws=4000, rng=5)
        for name, bench in (("rough", rough), ("steady", steady))
    }
    own, passed, other = (
        plan_units(made["rough"], "Aven", "Bryll", **asked, **more)
        for more in ({}, {"bench": rough}, {"bench": steady})
    )

    assert own.curve().equals(passed.curve())
    # What counts now is of the estimates at hand; chances and samples are for the bench named.
    made_so = plan_units(made["steady"], "Aven", "Bryll", **asked)
    columns = ["n_first", "n_second", "power"]
    assert other.curve()[columns].equals(made_so.curve()[columns])
    assert (own.verdict, other.verdict) == ("test", "already enough")
    assert other.design.counts_floor == pytest.approx(1.96 * 0.002 * math.sqrt(2), rel=1e-3)


def test_a_bench_without_a_spread_is_planned_for_with_that_of_the_estimates() -> None:
    """Sample luck is of the fans: a bench that says nothing of it does not make it nothing."""
    made = benched(
        {"Aven": 4.0, "Bryll": 4.1}, own=0.01, mounting=0.02, correlation=-0.8, draws=400
    )
    same = plain_bench(own=0.01, mounting=0.02, correlation=-0.8)
    silent = replace(same, spread=UnitSpread())
    half = replace(same, spread=UnitSpread(noise=same.spread.noise, correlation=-0.8))
    asked = {"gap": "9 %", "chosen": "before"}
    plan = plan_units(made, "Aven", "Bryll", **asked)

    for bench in (same, silent, half):
        again = plan_units(made, "Aven", "Bryll", **asked, bench=bench)
        assert again.curve().equals(plan.curve())
        assert again.assumed == plan.assumed


def test_what_another_bench_leaves_out_is_said_of_that_bench() -> None:
    """Not considered is what the bench planned for does not state, not that of the estimates."""
    made = benched({"Aven": 4.0, "Bryll": 4.1}, draws=400)
    other = replace(plain_bench(), airflow=Instrument(model=standard("1 %")))
    asked = {"gap": "9 %", "chosen": "before"}

    assert plan_units(made, "Aven", "Bryll", **asked).not_considered == ()
    left_out = plan_units(made, "Aven", "Bryll", **asked, bench=other).not_considered
    assert left_out[0] == "airflow: shared, session, sitting, reading errors not stated"


@pytest.mark.parametrize("days", ["one day", "a day each"])
def test_errors_of_a_day_leave_the_gap_as_days_are_shared(days: str) -> None:
    """A day's error cancels between models tested that day; no day's error stays for good."""
    readings = power_law_readings({"Aven": 4.0, "Bryll": 4.0})
    if days == "a day each":
        readings = readings.assign_coords(session=readings["model"].astype(str))
    made = fs.equal_noise(readings, 33, bench=two_instruments(session=0.4), draws=4000, rng=5)
    asked = {"quantity": "airflow", "gap": "20 %", "chosen": "before", "power": 0.99}
    day, one_unit, model = (0.04 * 0.4) ** 2, 0.03**2 + 0.03**2, (0.04 * 0.5) ** 2 + 0.01**2
    past = 0.0 if days == "one day" else 2 * day  # in the gap as it stands

    for together, new in ((True, 0.0), (False, 2 * day)):
        plan = plan_units(made, "Aven", "Bryll", **asked, together=together).design
        curve = plan.curve
        curve = curve[(curve["n_first"] == curve["n_second"]) & (curve["n_first"] <= 3)]
        n = curve["n_first"].to_numpy()
        # Of n samples one was tested on the past day; the others will be on one more.
        variance = 2 * one_unit / n + 2 * model + past / n**2 + new * (1 - 1 / n) ** 2
        limit = 1.96 * np.sqrt(variance)

        assert n.tolist() == [1, 2, 3]
        assert curve["power"].to_numpy() == pytest.approx(
            stats.norm.sf((limit - math.log(1.2)) / np.sqrt(variance)), abs=2e-3
        )
        # Endless samples are of one more day too, which is each model's own or common to both.
        assert plan.counts_floor == pytest.approx(1.96 * math.sqrt(2 * model + new), rel=1e-3)


@pytest.mark.parametrize("correlation", [-1.0, -0.8, 0.0, 0.8, 1.0])
@pytest.mark.parametrize("dof", [None, 8.0])
def test_lucks_that_go_in_step_count_as_they_add_up(correlation: float, dof: float | None) -> None:
    """Noisier samples that move less air lie further apart at equal noise than unrelated lucks."""
    made = benched(
        {"Aven": 4.0, "Bryll": 4.1}, own=0.0, correlation=correlation, draws=400,
        noise_spread=spread_of(0.8, dof=dof),
        airflow_spread=spread_of(0.02, dof=dof, relative=True),
    )  # fmt: skip
    said = plan_units(made, "Aven", "Bryll", gap="12 %", chosen="before").assumed[0]
    size = float(said.split("): ")[1].split(" %")[0])
    # Sizes of 8 degrees of freedom that are estimated apart cancel less: k1 and k2 times as large
    # as estimated, variances grow by E k**2 = 8 / 6 and what is common by (E k)**2.
    chi = np.sqrt(8.0 / np.random.default_rng(2).chisquare(8.0, (2, 400_000)))
    share = 1.0 if dof is None else float(np.prod(chi.mean(axis=1))) * 6.0 / 8.0
    slope, air = 0.04 * 0.8, 0.02
    variance = slope**2 + air**2 - 2 * correlation * share * slope * air

    assert size == pytest.approx(100 * math.sqrt(variance), rel=0.02)  # printed to two digits


def test_luck_in_airflow_does_not_touch_noise_it_goes_in_step_with() -> None:
    """Noise at one speed is planned alike whether airflow luck goes with its luck or not."""
    plain, tied = (
        plan_units(estimates(PAIR, correlation=rho), "Aven", "Bryll", gap=1.5, chosen="before")
        for rho in (0.0, -0.8)
    )

    assert plain.curve().equals(tied.curve())


def test_estimates_that_rest_on_nothing_cannot_be_planned_with() -> None:
    """Numbers without readings say nothing of what a further sample averages out."""
    bare = make_estimates({"Aven": 4.0, "Bryll": 4.1}, draws=100)
    message = "`estimates` hold no readings to ask again"
    with pytest.raises(FanstatsError, match=message):
        plan_units(bare, "Aven", "Bryll", gap="5 %")
    with pytest.raises(FanstatsError, match=message):
        plan_next(bare, budget=100, prices={})
    with pytest.raises(FanstatsError, match=message):
        fs.plan_value(bare, "Aven", half_width="5 %")


def test_prices_packs_and_limits_reach_the_plan() -> None:
    """Prices make the dear model rarer; beyond its worth the plan is a tie with its price."""
    made = estimates(PAIR)
    prices = {"Aven": 60.0, "Bryll": {"price": 10.0, "pack": 2, "currency": "EUR"}}
    plan = plan_units(made, "Aven", "Bryll", gap=1.4, prices=prices, chosen="before")
    tie = plan_units(
        made, "Aven", "Bryll", gap=1.4, prices=prices, chosen="before", worth=50.0,
        sitting_hours=0.5,
    )  # fmt: skip

    assert plan.add["Aven"] < plan.add["Bryll"]
    packs = math.ceil(plan.add["Bryll"] / 2)
    assert plan.money == 60.0 * plan.add["Aven"] + 10.0 * packs
    assert plan.packs == {"Aven": plan.add["Aven"], "Bryll": packs}
    assert (tie.verdict, tie.money) == ("publish as a tie", plan.money)
    assert tie.hours == 0.5 * (tie.add["Aven"] + tie.add["Bryll"])
    assert tie.sentence().startswith("Not worth it, publish a gap of 1.4 dB")
    assert f"{plan.money:.0f} EUR and {tie.hours:.1f} h at the bench" in tie.sentence()
    assert plan.table().loc["now", "smallest gap that would count [dB]"] == plan.counts_now


def test_an_estimated_spread_takes_more_samples_than_a_known_one() -> None:
    """Degrees of freedom recorded with the estimates count."""
    totals = [
        plan_units(
            estimates(PAIR, dof=dof, draws=20_000), "Aven", "Bryll", gap=1.4, chosen="before"
        )
        for dof in (None, 3.0)
    ]

    assert totals[0].n_total < totals[1].n_total
    assert (
        "known from 3 degrees of freedom, estimated again with the further samples"
        in (totals[1].assumed[0])
    )
    assert "taken as known" in totals[0].assumed[0]


def test_the_same_plan_comes_of_the_kernels() -> None:
    """The labelled plan is the kernel's plan, name for name."""
    plan = plan_units(estimates(PAIR), "Aven", "Bryll", gap=1.4, chosen="before", belief_sd=0.3)
    design = plan.design

    assert (plan.power, plan.n_total, plan.verdict) == (
        design.power, design.n_total, design.verdict,
    )  # fmt: skip
    assert "averaged over a true gap of 1.4 give or take 0.3" in design.assumed
    assert "chances averaged over a true gap of 1.4 dB give or take 0.3 dB" in plan.sentence()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"second": "Aven"}, r"`second` must be another model than `first`; got 'Aven' twice"),
        ({"second": "Brill"}, r"`second` must be one of the models present.*mean 'Bryll'"),
        ({"gap": "5 %"}, r"`gap` must be a number in dB; got '5 %'"),
        ({"gap": 0.0}, r"`gap` must not be 0"),
        ({"power": 0.01}, r"`power` must lie strictly between"),
        ({"probability": 95}, r"`probability` must be a fraction.*Write 0.95 for 95 %"),
        ({"gap": "wide"}, r"`gap` must be a number in dB; got 'wide'"),
        ({"gap": math.nan}, r"`gap` must be a finite number; got nan"),
        ({"belief_sd": -0.1}, r"`belief_sd` must be a finite number at least 0; got -0.1"),
        ({"spread_then": "guessed"}, r"`spread_then` must be one of 'estimated again', 'as stat"),
        ({"budget": 50.0}, r"`budget` must come with prices; got 50 and none"),
        ({"worth": 50.0}, r"`worth` must come with prices; got 50 and none"),
        ({"bench_hours": 5.0}, r"`bench_hours` must come with hours of a sitting; got 5 and none"),
        ({"sitting_hours": -1.0}, r"`sitting_hours` must be a finite number at least 0; got -1"),
        ({"most_units": 2.5}, r"`most_units` must be a whole number of at least 1; got 2.5"),
        ({"most_repeats": 0}, r"`most_repeats` must be a whole number of at least 1; got 0"),
        ({"most_sittings": 1.5}, r"`most_sittings` must be a whole number of at least 1; got 1.5"),
        ({"prices": {"Aven": -1.0, "Bryll": 2.0}}, r"`prices\['Aven'\]` must be a finite number"),
        ({"chosen": "after"}, r"`chosen` must be one of 'from the chart', 'before'"),
        ({"prices": {"Aven": 20.0}}, r"`prices` must name 'Bryll'; got 'Aven'"),
        ({"prices": {"Aven": {"pack": 2}, "Bryll": 1.0}}, r"`prices\['Aven'\]` must hold 'price'"),
        (
            {"prices": {"Aven": {"price": 1.0, "currency": "EUR"},
                        "Bryll": {"price": 1.0, "currency": "USD"}}},
            r"`prices` must be in one currency; got EUR and USD",
        ),
    ],
)  # fmt: skip
def test_plans_that_make_no_sense_are_refused(arguments: dict[str, object], message: str) -> None:
    """Each impossible request names its argument, the rule and what was found."""
    usual = {"first": "Aven", "second": "Bryll", "gap": 1.0}
    with pytest.raises(FanstatsError, match=message):
        plan_units(estimates(PAIR), **{**usual, **arguments})


@pytest.mark.parametrize("gap", [0.4, 9.0, "10 %"])
def test_a_gap_means_the_same_from_either_side(gap: float | str) -> None:
    """Which of two models is named first changes no plan, nor does a gap beyond their values."""
    made = flows({"Aven": 4.0, "Bryll": 4.4}, spread=0.08)
    plans = [plan_units(made, *pair, gap=gap) for pair in (("Aven", "Bryll"), ("Bryll", "Aven"))]
    columns = ["n_total", "n_first", "n_second", "power", "smallest_gap"]

    np.testing.assert_allclose(plans[0].curve()[columns], plans[1].curve()[columns], rtol=1e-9)
    assert plans[0].gap == pytest.approx(plans[1].gap, rel=1e-9)
    assert gap == "10 %" or plans[0].gap == pytest.approx(gap)


def test_an_unknown_spread_is_refused_with_its_reason() -> None:
    """Without a spread there is nothing to plan with; the status says what is missing."""
    made = benched(PAIR, quantity="noise", noise_spread=None, draws=400)
    with pytest.raises(FanstatsError, match=r"'Aven' for the typical unit; got: spread not stated"):
        plan_units(made, "Aven", "Bryll", gap=1.0)
    with pytest.raises(FanstatsError, match=r"at least two models.*got 0: spread not stated"):
        plan_next(made, budget=100, prices={})
    with pytest.raises(FanstatsError, match=r"must hold the scopes 'tested unit' and 'model'"):
        plan_units(made.sel(scope=["next unit"]), "Aven", "Bryll", gap=1.0)


# --- simulated back --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dof", "mean_square", "then", "tested", "measured", "gap", "more"),
    [
        (None, False, "as stated", (1, 1), 0.3, 1.6, {}),
        (None, False, "as stated", (1, 3), 0.3, 1.6, {"prices": {"Aven": 9, "Bryll": 50}}),
        (4.0, False, "as stated", (1, 1), 0.3, 2.6, {}),
        (2.0, False, "as stated", (2, 1), 0.8, 5.0, {"equal": True}),
        (2.0, False, "estimated again", (1, 1), 0.8, 2.5, {}),
        (3.0, True, "estimated again", (1, 1), 0.5, 2.5, {}),
        (10.0, True, "estimated again", (3, 1), 0.5, 1.7, {"prices": {"Aven": 50, "Bryll": 9}}),
    ],
)
@pytest.mark.simulation
def test_a_planned_power_comes_true_through_compare(
    dof: float | None,
    mean_square: bool,
    then: str,
    tested: tuple[int, int],
    measured: float,
    gap: float,
    more: dict[str, object],
) -> None:
    """Benches built as planned and judged by `compare` call the gap within two points as often.

    The spread comes out by chance on every bench; over the measured gap, which is independent of
    it, the chance that `compare` calls it is averaged in closed form.
    """
    own = {"measured": measured, "mean_square": mean_square}
    plan = plan_units(
        estimates(PAIR, dof=dof, tested=tested, draws=40_000, **own), "Aven", "Bryll", gap=gap,
        chosen="before", spread_then=then, **more,
    )  # fmt: skip
    n = plan.n_per_model
    later = dof
    if dof is not None and then == "estimated again":
        later = max(0.0, dof - sum(tested) + 2) + sum(n) - 2
    one_unit = 0.64 + measured**2
    error = math.sqrt(one_unit / n[0] + one_unit / n[1])
    # Equally likely outcomes of the spread, so that their mean is that of all benches.
    trials = 80
    outcomes = (np.arange(trials) + 0.5) / trials
    factors = np.ones(trials) if later is None else stats.chi2.ppf(outcomes, later) / later
    called = []
    for trial, factor in enumerate(factors.tolist()):
        whole = one_unit if mean_square else 0.64
        source = spread_of(
            math.sqrt(whole * factor), dof=later, taken_off=measured if mean_square else 0.0
        )
        made = benched(
            {"Aven": 31.0, "Bryll": 30.0}, quantity="noise", own=0.0, shared=0.5, mounting=measured,
            noise_spread=source, units_tested=n, draws=4000, root=trial, below=2.0, above=2.0,
        )  # fmt: skip
        limits = compare(made, "Aven", "Bryll", chosen="before").critical_difference
        called.append(
            stats.norm.sf((limits[0] - gap) / error) + stats.norm.cdf((-limits[1] - gap) / error)
        )

    assert plan.verdict == "test"
    # A limit read off 4000 draws is good to 2.7 %, and so is each chance to 4 points: their mean
    # to half a point.
    assert float(np.mean(called)) == pytest.approx(plan.power, abs=0.02)


def bench_day(rng: np.random.Generator, units: tuple[int, ...], lead: float) -> pd.DataFrame:
    """Table of models alike but for the airflow of the first, with so many units of each."""
    bench = SimulatedBench(
        models=len(units), units=max(units), alike=True, steps=(5.0, 6.5, 8.0, 9.5, 12.0)
    )
    rows, _ = bench.simulate(rng)
    sizes = {f"M{place:03d}": size for place, size in enumerate(units)}
    kept = rows["unit"].str[1:].astype(int) < rows["model"].map(sizes)
    rows.loc[rows["model"] == "M000", "airflow [fpm]"] *= lead
    return rows[kept]


@pytest.mark.simulation
def test_a_planned_power_comes_true_through_the_whole_pipeline() -> None:
    """Tables with as many units as planned, read, matched and compared, call the gap as often."""
    bench = Bench(
        noise=Instrument(shared=standard(0.5), sitting=standard(0.15), model=standard(0.2),
                         reading=standard(0.1)),
        speed=Instrument(reading=standard(4)),
        airflow=Instrument(shared=standard("1.5 %"), reading=standard("1 %")),
        spread=UnitSpread(noise=standard(0.8), airflow=standard("2 %"), speed=standard("4 %")),
    )  # fmt: skip

    def judge(units: tuple[int, ...], lead: float, seed: int, draws: int = 600) -> xr.Dataset:
        readings = read_readings(bench_day(np.random.default_rng(seed), units, lead))
        return fs.equal_noise(readings, 36, bench=bench, draws=draws, rng=seed)

    asked = {"quantity": "airflow", "gap": "10 %", "bench": bench, "chosen": "before"}
    now = judge((1, 2), 1.0, 6, draws=10_000)
    plan = plan_units(now, "M000", "M001", prices={"M000": 10.0, "M001": 40.0}, **asked)
    trials = 100
    called = sum(
        compare(
            judge(plan.n_per_model, 1.1, 1000 + trial), "M000", "M001", quantity="airflow",
            chosen="before",
        ).verdict == "ahead"
        for trial in range(trials)
    )  # fmt: skip

    assert plan.verdict == "test"
    assert plan.n_per_model[0] > plan.n_per_model[1]
    # Two points, and the simulation's own error at four standard errors.
    room = 0.02 + 4 * math.sqrt(plan.power * (1 - plan.power) / trials)
    assert called / trials == pytest.approx(plan.power, abs=room)


# Errors at every level of sharing, luck in airflow that goes against luck in noise, few degrees
# of freedom behind both. Levels in dB, airflow relative.
SLOPE, NOISE_LUCK, AIR_LUCK, TIED, DOF = 0.04, 0.8, 0.02, -0.8, 8.0
METER = {"shared": 0.5, "session": 0.4, "sitting": 0.15, "model": 0.2}
VANE = {"shared": 0.015, "session": 0.02, "sitting": 0.008, "model": 0.006}


def whole_bench(sizes: tuple[float, float] = (1.0, 1.0), reading: float = 0.0) -> Bench:
    """State every error; spreads are so many times as large as they are."""
    noise, air = NOISE_LUCK * sizes[0], AIR_LUCK * sizes[1]
    exact = Instrument(shared=[], session=[], sitting=[], model=[], reading=[])
    meter, vane = METER | {"reading": 10 * reading}, VANE | {"reading": reading}
    return Bench(
        noise=Instrument(**{level: standard(size) for level, size in meter.items()}),
        background=exact, speed=exact,
        airflow=Instrument(**{k: standard(size, relative=True) for k, size in vane.items()}),
        spread=UnitSpread(noise=spread_of(noise, dof=DOF), speed=0, correlation=TIED,
                          airflow=spread_of(air, dof=DOF, relative=True)),
    )  # fmt: skip


ON_IT = {
    "gap": "10 %",
    "quantity": "airflow",
    "chosen": "before",
    "spread_then": "as stated",
    "equal": True,
}


@pytest.mark.simulation
@pytest.mark.parametrize("tested", [(1, 1), (1, 3)])
def test_a_planned_power_holds_with_errors_at_every_level_and_lucks_in_step(
    tested: tuple[int, int],
) -> None:
    """`compare` calls the gap as often as planned, its truth worked out by hand."""

    def judged(n: tuple[int, int], bench: Bench, root: int) -> xr.Dataset:
        readings = power_law_readings({"A": 4.0, "B": 4.0}, units_tested=n, below=6.0, above=6.0)
        old = dict(zip("AB", tested, strict=True))
        pairs = zip(
            readings["model"].values.tolist(), readings["unit"].values.tolist(), strict=True
        )
        days = ["first" if int(unit) <= old[model] else "second" for model, unit in pairs]
        readings = readings.assign_coords(session=("row", days))
        return fs.equal_noise(readings, 33, bench=bench, draws=2000, rng=root)

    plan = plan_units(judged(tested, whole_bench(), 1), "A", "B", **ON_IT)
    n = plan.n_per_model
    points = stats.qmc.Sobol(2, rng=np.random.default_rng(3)).random(64)
    limits = [
        compare(
            judged(n, whole_bench(tuple(np.sqrt(stats.chi2.ppf(point, DOF) / DOF))), root),
            "A", "B", quantity="airflow", chosen="before",
        ).critical_difference
        for root, point in enumerate(points)
    ]  # fmt: skip
    # Variances in logarithms, of one sample, of a model, of a day; a day's are common to both.
    luck = (SLOPE * NOISE_LUCK) ** 2 + AIR_LUCK**2 - 2 * TIED * SLOPE * NOISE_LUCK * AIR_LUCK
    mounting, model, day = (
        (SLOPE * METER[level]) ** 2 + VANE[level] ** 2 for level in ("sitting", "model", "session")
    )
    first, second = tested[0] / n[0], tested[1] / n[1]
    error = math.sqrt(
        (luck + mounting) * (1 / n[0] + 1 / n[1]) + 2 * model + 2 * day * (first - second) ** 2
    )
    ahead, behind = 2 * np.arcsinh(np.array(limits).T / (2 * 4.0))  # both of 4 m/s
    true = math.log(1.1)
    called = stats.norm.sf((ahead - true) / error) + stats.norm.cdf((-behind - true) / error)

    assert (plan.verdict, min(n) > 1) == ("test", True)
    assert float(called.mean()) == pytest.approx(plan.power, abs=0.02)


def days_at_the_bench(
    rng: np.random.Generator, days: list[tuple[int, int]], lead: float
) -> pd.DataFrame:
    """Table of two models alike but for the airflow of the first, so many samples a day."""
    meter, vane = rng.normal() * METER["shared"], rng.normal() * VANE["shared"]
    tone, answer = rng.normal(size=2) * METER["model"], rng.normal(size=2) * VANE["model"]
    steps, rows = np.arange(-10.0, 10.1, 2.0), []
    for day, counts in enumerate(days):
        meter_now = meter + rng.normal() * METER["session"]
        vane_now = (1 + vane) * (1 + rng.normal() * VANE["session"])
        for model in (0, 1):
            for unit in range(counts[model]):
                luck = rng.multivariate_normal([0, 0], [[1, TIED], [TIED, 1]])
                level = 33 + steps + NOISE_LUCK * luck[0] + tone[model]
                level += rng.normal() * METER["sitting"] + meter_now
                flow = 4.0 * (lead if model == 0 else 1.0) * np.exp(SLOPE * steps) * vane_now
                flow *= (1 + AIR_LUCK * luck[1]) * (1 + answer[model])
                flow *= 1 + rng.normal() * VANE["sitting"]
                rows.append(
                    {"model": "AB"[model], "unit": f"{day} {unit}", "session": f"day {day}",
                     "speed [rpm]": 900 * 10 ** (steps / 50), "background [dBA]": 0.0,
                     "noise [dBA]": level + rng.normal(size=steps.size) * 0.1,
                     "airflow [m/s]": flow * (1 + rng.normal(size=steps.size) * 0.01)}
                )  # fmt: skip
    return pd.concat([pd.DataFrame(row) for row in rows], ignore_index=True)


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("benches", "tested"),
    [
        (120, [(1, 2)]),
        pytest.param(2500, [(1, 2)], marks=pytest.mark.at_length),
        pytest.param(2500, [(1, 0), (0, 1)], marks=pytest.mark.at_length),
    ],
)
def test_a_planned_power_comes_true_on_benches_with_errors_at_every_level(
    benches: int, tested: list[tuple[int, int]]
) -> None:
    """Tables of a first day and of a second one as planned, read and compared, call the gap."""

    def judge(seed: list[int], days: list[tuple[int, int]], bench: Bench, lead: float):
        table = days_at_the_bench(np.random.default_rng(seed), days, lead)
        return fs.equal_noise(read_readings(table), 33, bench=bench, draws=1000, rng=seed[0])

    # A plan rests on the slopes its own first day happened to read: the mean of some.
    pilots = [judge([day, 1], tested, whole_bench(reading=0.01), 1.0) for day in range(40)]
    n = plan_units(pilots[0], "A", "B", **ON_IT).n_per_model
    curves = [plan_units(pilot, "A", "B", **ON_IT, power=0.95).curve() for pilot in pilots]
    said = [float(np.interp(n[0], curve["n_first"], curve["power"])) for curve in curves]
    old = np.sum(tested, axis=0)
    called = 0
    for trial in range(benches):
        came_out = np.random.default_rng([trial, 3]).chisquare(DOF, 2) / DOF
        bench = whole_bench(tuple(np.sqrt(came_out)), reading=0.01)
        days = [*tested, (n[0] - old[0], n[1] - old[1])]
        found = compare(
            judge([trial, 2], days, bench, 1.1), "A", "B", quantity="airflow", chosen="before"
        )
        called += found.verdict == "ahead" and found.who == "A"
    mean = float(np.mean(said))
    errors = math.hypot(math.sqrt(mean * (1 - mean) / benches), np.std(said) / math.sqrt(len(said)))

    # Two points, and the simulation's own error at three standard errors.
    assert called / benches == pytest.approx(mean, abs=0.02 + 3 * errors)


# --- words and numbers that other functions say too --------------------------------------------


def test_the_sentence_says_all_that_the_plan_is_about() -> None:
    """Quantity, level, scope, samples tested and in the end, luck in the unit, what is left out."""
    made = benched(
        PAIR, quantity="temperature_rise", own=0.0, mounting=0.3, noise_spread=0.0,
        temperature_spread=0.8, units_tested=(1, 2), draws=4000,
    )  # fmt: skip
    made.attrs["not_considered"] = json.dumps(["noise: session errors not stated"])
    plan = plan_units(made, "Aven", "Bryll", gap=1.4, chosen="before")
    said = plan.sentence()

    assert "a gap of 1.4 K in temperature rise between the typical ones of Aven and Bryll" in said
    assert "at equal noise (33 dBA)" in said
    n = plan.n_per_model
    assert f"({n[0]} and {n[1]} samples in the end, {plan.n_total} in total; " in said
    assert "Tested: 1 sample of Aven, 2 samples of Bryll." in said
    assert "sample luck of one sample (standard deviation): 0.8" in said
    assert "measuring one sample adds " in said
    assert "a false lead at most 5 times in 100" in said
    assert "Not considered: noise: session errors not stated" in said
    assert "prices and bench hours not stated" in said
    assert (plan.scope, plan.probability, plan.where) == (
        "model", 0.95, "at equal noise (33 dBA)",
    )  # fmt: skip
    assert plan._repr_html_().startswith("<p>To settle a gap of 1.4 K")


def test_luck_of_ratios_is_printed_in_percent() -> None:
    """Where models are compared as ratios the luck is said in percent, not in logarithms."""
    made = flows({"Aven": 4.0, "Bryll": 4.1}, draws=400)
    plan = plan_units(made, "Aven", "Bryll", gap="30 %", chosen="before")

    assert "sample luck of one sample (standard deviation): 3 %" in plan.sentence()


@pytest.mark.parametrize("order", [("Aven", "Bryll"), ("Bryll", "Aven")])
@pytest.mark.parametrize("relative", [False, True])
def test_the_smallest_gap_of_now_is_the_critical_difference_of_compare(
    order: tuple[str, str], relative: bool
) -> None:
    """What counts now is what `compare` says, and what is reckoned agrees with it to its error."""
    wide = {"Aven": 4.0, "Bryll": 4.4}
    made = flows(wide, draws=40_000) if relative else estimates(PAIR, draws=40_000)
    plan = plan_units(made, *order, gap="9 %" if relative else 1.5, chosen="before")
    judged = compare(made, *order, chosen="before")
    leads = 0 if judged.difference.value > 0 else 1
    reckoned = plan.curve()["smallest_gap"].iloc[1]

    assert plan.counts_now == judged.critical_difference[leads]
    assert plan.curve()["smallest_gap"].iloc[0] == pytest.approx(plan.counts_now, rel=0.03)
    assert plan.table().iloc[0]["smallest gap that would count [" + plan.units + "]"] == (
        plan.counts_now
    )
    assert plan.counts_then < reckoned < plan.counts_now
    assert plan.counts_floor < plan.counts_repeats_only <= plan.counts_now


def test_a_short_budget_is_named_with_what_it_buys() -> None:
    """Short money is no tie: by how much it is short, and what it does buy, model by model."""
    prices = {"Aven": 20.0, "Bryll": {"price": 20.0, "currency": "EUR"}}
    plan = plan_units(
        estimates(PAIR), "Aven", "Bryll", gap=1.4, prices=prices, chosen="before", budget=60.0
    )

    assert plan.verdict == "budget short"
    assert f"but the budget of 60 EUR is {plan.money - 60:g} EUR short." in plan.sentence()
    assert plan.within_means is not None
    assert sum(plan.within_means.values()) == 5
    assert "What there is buys at best" in plan.sentence()
    assert "tie" not in plan.sentence()


def test_a_sweep_that_ends_near_the_target_is_named() -> None:
    """Where draws run past the steps read, the plan says that more samples may settle nothing."""
    made = estimates(PAIR)
    made["noise_share_above"] = (("scope", "model"), np.array([[0.0, 0.0], [0.0, 0.04], [0, 0]]))
    plan = plan_units(made, "Aven", "Bryll", gap=1.4, chosen="before")

    assert any("the steps read of Bryll hardly reach" in note for note in plan.not_considered)


def test_prices_the_estimates_carry_are_used() -> None:
    """Prices read with the table need not be stated again."""
    made = estimates(PAIR)
    made.attrs["prices"] = json.dumps({"Aven": {"price": 7}, "Bryll": {"price": 9, "pack": 1}})
    plan = plan_units(made, "Aven", "Bryll", gap=1.4, chosen="before")

    assert plan.money == 7 * plan.add["Aven"] + 9 * plan.add["Bryll"]
    assert "price units" in plan.sentence()


def test_sittings_and_repeats_are_planned_where_the_bench_says_what_they_reduce() -> None:
    """Dear samples and cheap hours: measuring again is part of the plan, and costs its hours."""
    made = estimates(PAIR, spread=0.3, measured=0.8)
    bench = Bench(
        noise=Instrument(sitting=standard(0.4), model=standard(0.1), reading=standard(0.7))
    )
    prices = dict.fromkeys(PAIR, 40.0)
    asked = {"gap": 1.5, "chosen": "before", "bench": bench, "prices": prices}
    once = plan_units(made, "Aven", "Bryll", **asked, sitting_hours=0.25, hour_price=4.0)
    often = plan_units(
        made, "Aven", "Bryll", **asked, sitting_hours=0.25, reading_hours=0.1, hour_price=4.0,
        most_sittings=3, most_repeats=3,
    )  # fmt: skip

    assert often.money < once.money
    assert (often.sittings, often.repeats) != (1, 1)
    assert f"{often.sittings} sittings of each with" in often.sentence()
    assert often.power >= 0.8
    assert often.design.counts_floor == pytest.approx(1.96 * 0.1 * math.sqrt(2), rel=1e-3)


# --- which model next ------------------------------------------------------------------------

MODELS = {"A": 30.0, "B": 30.4, "C": 30.9, "D": 33.5, "E": 34.0, "F": 35.0}


def test_the_next_samples_are_of_the_models_in_front() -> None:
    """Money goes to the models that may be the best; spent never exceeds the budget."""
    found = plan_next(estimates(MODELS), budget=125, prices=dict.fromkeys(MODELS, 25.0), rng=1)

    assert set(found.purchases["model"].iloc[1:]) <= {"A", "B", "C"}
    assert found.purchases["spent"].iloc[-1] <= 125
    assert (
        found.purchases["chance best on top"].iloc[-1]
        > (found.purchases["chance best on top"].iloc[0])
    )
    assert found.shares[["A", "B"]].sum() > 0.6
    assert found.shares.sum() == pytest.approx(1.0)
    assert found.assumed[-1] == "models drawn towards their common centre"
    assert found.sentence().startswith("With 125 price units buy ")
    assert found.rule.startswith("expected value of information")


@pytest.mark.simulation
def test_the_stated_chance_of_the_best_on_top_is_a_hit_rate() -> None:
    """Over charts drawn from a population, the best is on top as often as is said on average."""
    rng, said, hits = np.random.default_rng(3), [], 0
    trials, size = 500, 8
    truth = rng.normal(31.0, 0.9, (trials, size))
    shown = truth + rng.normal(0, math.hypot(0.8, 0.3), truth.shape)
    names = [[f"{trial} {place}" for place in range(size)] for trial in range(trials)]
    every = dict(zip(np.ravel(names).tolist(), shown.ravel().tolist(), strict=True))
    made = estimates(every, draws=300, below=2.0, above=2.0)
    for chart, true, seen in zip(names, truth, shown, strict=True):
        found = plan_next(made.sel(model=chart), budget=0, prices={}, rng=1, draws=1000)
        said.append(found.purchases["chance best on top"].iloc[0])
        hits += seen.argmin() == true.argmin()
    mean = float(np.mean(said))

    assert hits / trials == pytest.approx(mean, abs=4 * math.sqrt(mean * (1 - mean) / trials))


def test_a_model_without_a_price_is_judged_and_not_bought() -> None:
    """What cannot be bought is not, and a budget that buys nothing says so."""
    made = estimates(MODELS)
    found = plan_next(made, budget=60, prices={"B": 20.0, "C": 20.0}, rng=1)
    nothing = plan_next(made, budget=5, prices=dict.fromkeys(MODELS, 20.0), rng=1)
    unpriced = plan_next(made, budget=5, prices={}, rng=1)

    assert set(found.purchases["model"].iloc[1:]) <= {"B", "C"}
    assert nothing.purchases["model"].tolist() == ["nothing"]
    assert nothing.cheapest == 20.0
    assert nothing.sentence().startswith("With 5 price units nothing can be bought for the best")
    assert "the cheapest pack costs 20 price units." in nothing.sentence()
    assert "none of the models has a price" in unpriced.sentence()
    assert nothing.table().equals(nothing.purchases)


def test_a_choice_that_nothing_can_change_buys_nothing() -> None:
    """Models far apart: a pack could be paid, and none makes the choice likelier."""
    far = {"A": 9.0, "B": 4.0, "C": 1.0}
    found = plan_next(flows(far), budget=25, prices=dict.fromkeys(far, 20.0), rng=1)

    assert found.purchases["model"].tolist() == ["nothing"]
    assert found.sentence().startswith("No purchase of one or two packs within 25 price units")
    assert "three and more packs at once were not tried" in found.sentence()


def test_the_same_seed_gives_the_same_list() -> None:
    """A seed settles the list, whatever generator it comes as."""
    made = estimates(MODELS)
    lists = [
        plan_next(made, budget=100, prices=dict.fromkeys(MODELS, 20.0), rng=rng).purchases
        for rng in (4, np.random.default_rng(4))
    ]

    assert lists[0].equals(lists[1])


def test_several_fans_together_are_not_drawn_to_where_single_ones_are() -> None:
    """A model of which three run together keeps its value and leaves the others' centre alone."""
    values = dict(zip("ABCDEF", (4.0, 4.04, 4.09, 4.15, 4.2, 4.25), strict=True))
    bench = plain_bench(own=0.0, mounting=0.01, noise_spread=0.0, airflow_spread=0.03)
    asked = {"quantity": "airflow", "budget": 0, "prices": {}, "rng": 1, "best": "low"}

    def planned(values: dict[str, float], **fans: int) -> object:
        readings = power_law_readings(values)
        made = fs.equal_noise(readings, 33, bench=bench, fans=fans, draws=20_000, rng=5)
        return plan_next(made, **asked)

    alone, found = planned(values), planned({**values, "G": 4.2}, G=3)

    assert found.assumed[-1] == (
        "models drawn towards their common centre, but for G (3 fans together)"
    )
    assert alone.assumed[-1] == "models drawn towards their common centre"
    # G never has the least air: without a part in the centre it changes nothing among the others.
    chance, single = (plan.purchases["chance best on top"].iloc[0] for plan in (found, alone))
    assert chance == pytest.approx(single, abs=4 * math.sqrt(2 * single * (1 - single) / 20_000))


def test_the_slope_behind_a_plan_is_that_of_the_sweep_and_not_of_one_reading() -> None:
    """A reading off the curve by the target moves the local slope, and the plan hardly."""
    rows = [
        {"model": model, "unit": "1", "session": "day", "speed [rpm]": 900 * 10 ** (step / 50),
         "noise [dBA]": 33 + step, "background [dBA]": -10.0,
         "airflow [m/s]": value * math.exp(0.04 * step), "step": step}
        for model, value in (("Aven", 4.0), ("Bryll", 4.1)) for step in np.arange(-6, 6.1, 0.5)
    ]  # fmt: skip
    even = pd.DataFrame(rows)
    off = even.copy()
    off.loc[off["step"] == 0.5, "airflow [m/s]"] *= 1.01  # half as steep again around the target
    short = even[even["step"].abs() <= 1.5]
    bench = plain_bench(
        mounting=0.01, noise_spread=spread_of(0.8, dof=3),
        airflow_spread=spread_of(0.001, dof=3, relative=True),
    )  # fmt: skip
    plans = [
        plan_units(
            fs.equal_noise(
                read_readings(table.drop(columns="step")), 33, bench=bench, draws=4000, rng=5
            ),
            "Aven", "Bryll", quantity="airflow", gap="11 %", chosen="before",
        )
        for table in (even, off, short)
    ]  # fmt: skip

    assert plans[0].n_per_model == plans[1].n_per_model
    assert "sample luck of one sample (standard deviation): 3.2 %" in plans[0].assumed[0]
    assert plans[1].assumed[0] == plans[2].assumed[0] == plans[0].assumed[0]


def test_the_next_samples_are_chosen_by_students_t_where_the_spread_is_estimated() -> None:
    """Two degrees of freedom leave the leader less certain than a known spread of the same size."""
    pair = {"Aven": 31.0, "Bryll": 29.0}
    plans = [
        plan_next(estimates(pair, dof=dof, draws=20_000), budget=0, prices={}, rng=1)
        for dof in (2.0, None)
    ]
    chances = [plan.purchases["chance best on top"].iloc[0] for plan in plans]

    # Sample luck 0.8 of each, of estimated size, beside measuring of 0.3 that is known.
    rng = np.random.default_rng(6)
    luck = 2 * 0.64 * 2.0 / rng.chisquare(2.0, 400_000)
    assert chances[0] == pytest.approx(stats.norm.cdf(2 / np.sqrt(luck + 0.18)).mean(), abs=0.015)
    assert chances[1] == pytest.approx(stats.norm.cdf(2 / math.sqrt(1.28 + 0.18)), abs=0.015)
    assert chances[0] < chances[1] - 0.04
    assert "known from 2 degrees of freedom" in plans[0].assumed[0]
    assert "taken as known" in plans[1].assumed[0]


@pytest.mark.parametrize(("values", "lead"), [((4.3, 4.0), 0), ((4.0, 4.3), 1)])
@pytest.mark.parametrize("told", ["by the draws", "by the curve"])
def test_a_plan_loses_by_the_ends_that_a_claim_rests_on_and_no_others(
    values: tuple[float, float], lead: int, told: str
) -> None:
    """The low end of the model that leads and the high end of the other one matter."""
    asked = {"gap": "18 %", "chosen": "before", "spread_then": "as stated", "equal": True}
    # 4 dB are 5 standard deviations: beyond lie 0.8 % of the draws, enough of them or too few.
    draws = {"by the draws": 20_000, "by the curve": 200}[told]

    def made(low: int | None, high: int | None) -> xr.Dataset:
        below, above = ([4.0 if place == end else 20.0 for place in (0, 1)] for end in (low, high))
        return benched(
            dict(zip(("Aven", "Bryll"), values, strict=True)), mounting=0.01, below=below,
            above=above, noise_spread=spread_of(0.8, dof=3),
            airflow_spread=spread_of(0.001, dof=3, relative=True), draws=draws,
        )  # fmt: skip

    other = 1 - lead
    far = plan_units(made(None, None), "Aven", "Bryll", **asked)
    idle = plan_units(made(other, lead), "Aven", "Bryll", **asked)
    short = plan_units(made(lead, other), "Aven", "Bryll", **asked)

    assert (far.verdict, far.power_lost) == ("test", 0.0)
    assert (idle.power, idle.power_lost) == pytest.approx((far.power, 0.0), abs=1e-3)
    at = {row.n_total: row.power for row in short.curve().itertuples()}
    assert at[far.n_total] < far.power - 0.02
    assert not any("hardly reach" in note for note in short.not_considered)
    if short.verdict == "test":
        assert any("sample luck may run past the steps read" in note for note in short.assumed)


def test_a_chance_below_the_smallest_printed_is_no_more_than_below() -> None:
    """What repeats cannot do is said in words that stand for a chance next to nothing too."""
    tiny = plan_units(estimates(PAIR), "Aven", "Bryll", gap=0.01, chosen="before")

    assert tiny.power_repeats_only > 0.005  # false leads are found by repeats as well
    strict = plan_units(estimates(PAIR), "Aven", "Bryll", gap=0.01, probability=0.999)
    assert "Repeats on the samples at hand find it with a chance below 0.01." in strict.sentence()
