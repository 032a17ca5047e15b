"""Plans from estimates: taken apart rightly, and true when simulated through `compare`."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from fanstats.decisions.compare import compare
from fanstats.errors import FanstatsError
from fanstats.estimates.matching import equal_noise
from fanstats.loading.readings import read_readings
from fanstats.planning.plan import plan_next, plan_units
from fanstats.sources import Bench, Instrument, UnitSpread, standard
from tests.simulated import SimulatedBench

SCOPES = ["tested unit", "model", "next unit"]


def estimates(
    values: dict[str, float],
    *,
    tested: tuple[int, ...] | int = 1,
    spread: float = 0.8,
    measured: float = 0.3,
    shared: float = 0.5,
    slope: float = 0.0,
    dof: float | None = None,
    mean_square: bool = False,
    relative: bool = False,
    draws: int = 4000,
    root: int = 5,
) -> xr.Dataset:
    """Make estimates with a known make-up: noise at one speed, or airflow at equal noise."""
    rng = np.random.default_rng(root)
    count = len(values)
    n = np.broadcast_to(tested, count)
    error = shared * rng.normal(size=draws) + measured * rng.normal(size=(count, draws)) / np.sqrt(
        n[:, None]
    )
    scale = spread if dof is None else spread * np.sqrt(dof / rng.chisquare(dof, draws))
    if dof is not None and mean_square:  # drawn with the measuring in it, which then comes off
        whole = (spread**2 + measured**2) * dof / rng.chisquare(dof, draws)
        scale = np.sqrt(np.maximum(0.0, whole - measured**2))
    luck = scale * rng.normal(size=(count, draws)) / np.sqrt(n[:, None])
    new = scale * rng.normal(size=(count, draws))
    off = np.stack([error, error + luck, error + luck + new])
    centre = np.array(list(values.values()))
    drawn = centre[:, None] * np.exp(off) if relative else centre[:, None] + off
    name, units = ("airflow", "fpm") if relative else ("noise", "dBA")
    steps = np.arange(-6, 6.01, 0.5)
    by_luck = centre[:, None] * np.exp(slope * steps)
    stated = {"stated": "", "standard": spread, "dof": dof}
    stated["kind"] = "mean square" if mean_square else "standard"
    return xr.Dataset(
        {
            name: (("scope", "model", "draw"), drawn, {"units": units}),
            f"{name}_value": (("scope", "model"), np.tile(centre, (3, 1))),
            f"{name}_by_luck": (("model", "luck"), by_luck),
        },
        coords={
            "scope": SCOPES,
            "model": list(values),
            "luck": steps,
            "units_tested": ("model", n.astype(int)),
            "root": str(root),
        },
        attrs={
            "kind": "equal noise" if relative else "equal speed",
            "level_units": "dBA",
            "spread": json.dumps({"noise": stated, "airflow": stated}),
            "models": json.dumps(list(values)),
        },
    )


PAIR = {"Aven": 31.0, "Bryll": 30.2}


def test_the_make_up_of_the_estimates_is_recovered() -> None:
    """Spread, measurement and units tested are read off the draws; the shared error leaves."""
    made = estimates(PAIR, tested=(1, 3), draws=40_000)
    plan = plan_units(made, "Aven", "Bryll", gap=1.5, chosen="before")
    one_unit = 0.64 + 0.09

    # Variances of 40,000 draws are good to 1.4 % at two standard errors.
    assert plan.counts_now == pytest.approx(1.96 * math.sqrt(one_unit * (1 + 1 / 3)), rel=0.02)
    assert plan.counts_repeats_only == pytest.approx(1.96 * math.sqrt(0.64 * 4 / 3), rel=0.02)
    assert plan.gap_now == pytest.approx(0.8)
    assert plan.gap == 1.5
    assert plan.n_per_model == (1 + plan.add["Aven"], 3 + plan.add["Bryll"])
    assert plan.n_total == sum(plan.n_per_model)
    assert "errors that belong to a model: give `bench`" in plan.not_considered[-1]


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
    made = estimates(
        {"Aven": 400.0, "Bryll": 410.0}, relative=True, spread=0.03, measured=0.01, shared=0.03
    )
    by_text = plan_units(made, "Aven", "Bryll", gap="5 %", chosen="before")
    by_number = plan_units(made, "Aven", "Bryll", gap=by_text.gap, chosen="before")

    assert by_text.design.gap == pytest.approx(math.log(1.05))
    # The first keeps its value, as in `compare`; the second, which leads, lies 5 % above it.
    assert by_text.gap == pytest.approx(400 * 0.05)
    assert by_text.gap_percent == pytest.approx(5.0)
    assert by_number.n_per_model == by_text.n_per_model
    assert by_number.design.gap == pytest.approx(by_text.design.gap)
    assert by_text.units == "fpm"
    assert "a gap of 20 fpm (5 %) in airflow between the typical ones of" in by_text.sentence()


def test_model_errors_of_the_bench_are_the_floor() -> None:
    """With a bench, what belongs to a model stays: through the slope for the noise meter."""
    made = estimates(
        {"Aven": 400.0, "Bryll": 410.0}, relative=True, spread=0.03, measured=0.03, slope=0.04
    )
    bench = Bench(noise=Instrument(model=standard(0.5)), airflow=Instrument(model=standard("1 %")))
    plan = plan_units(made, "Aven", "Bryll", gap="3 %", chosen="before", bench=bench)
    floor = math.hypot(0.04 * 0.5, 0.01) * math.sqrt(2)

    assert plan.design.counts_floor == pytest.approx(1.96 * floor, rel=1e-3)
    assert plan.verdict == "cannot be settled"
    assert "let no gap below" in plan.sentence()
    # A gap above the smallest that would count may still be found too seldom: with what chance?
    assert f"find this one with a chance of {plan.power_at_most:.2f} at most" in plan.sentence()
    assert not any("give `bench`" in note for note in plan.not_considered)


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
        ({"most_repeats": 3}, r"`most_repeats` of 3 needs `bench`"),
        ({"together": False}, r"`together=False` needs `bench`"),
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


def test_a_gap_beyond_the_values_is_refused() -> None:
    """A ratio's gap must leave both values above 0."""
    made = estimates({"Aven": 400.0, "Bryll": 410.0}, relative=True, spread=0.03)
    with pytest.raises(
        FanstatsError, match=r"`gap` must be below the first model's value of 410 fpm"
    ):
        plan_units(made, "Bryll", "Aven", gap=900.0)


def test_an_unknown_spread_is_refused_with_its_reason() -> None:
    """Without a spread there is nothing to plan with; the status says what is missing."""
    made = estimates(PAIR)
    made["noise"][1:] = np.nan
    made["noise_status"] = (("scope", "model"), np.full((3, 2), "spread not stated: noise"))
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
    rng, called = np.random.default_rng(7), []
    for trial in range(300):
        u = 1.0 if later is None else rng.chisquare(later) / later
        s = math.sqrt(max(0.0, one_unit * u - measured**2)) if mean_square else 0.8 * math.sqrt(u)
        made = estimates(
            {"Aven": 31.0, "Bryll": 30.0}, tested=n, spread=s, dof=later, draws=1000, root=trial,
            **own,
        )  # fmt: skip
        if mean_square and s == 0.0:
            continue
        limits = compare(made, "Aven", "Bryll", chosen="before").critical_difference
        called.append(
            stats.norm.sf((limits[0] - gap) / error) + stats.norm.cdf((-limits[1] - gap) / error)
        )

    assert plan.verdict == "test"
    room = 0.02 + 4 * np.std(called) / math.sqrt(len(called))
    assert float(np.mean(called)) == pytest.approx(plan.power, abs=room)


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
        return equal_noise(readings, 36, bench=bench, draws=draws, rng=seed)

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


# --- words and numbers that other functions say too --------------------------------------------


def test_the_sentence_says_all_that_the_plan_is_about() -> None:
    """Quantity, level, scope, samples tested and in the end, luck in the unit, what is left out."""
    made = estimates(PAIR, tested=(1, 2), draws=40_000)
    made.attrs |= {"kind": "equal noise", "level": 33.0, "level_units": "dBA"}
    made = made.rename(noise="temperature_rise", noise_value="temperature_rise_value")
    made["temperature_rise"].attrs["units"] = "K"
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
    made = estimates({"Aven": 400.0, "Bryll": 410.0}, relative=True, spread=0.03, shared=0.03)
    plan = plan_units(made, "Aven", "Bryll", gap="30 %", chosen="before")

    assert "sample luck of one sample (standard deviation): 3 %" in plan.sentence()


@pytest.mark.parametrize("order", [("Aven", "Bryll"), ("Bryll", "Aven")])
@pytest.mark.parametrize("relative", [False, True])
def test_the_smallest_gap_of_now_is_the_critical_difference_of_compare(
    order: tuple[str, str], relative: bool
) -> None:
    """What counts now is what `compare` says, and what is reckoned agrees with it to its error."""
    made = (
        estimates(
            {"Aven": 400.0, "Bryll": 440.0}, relative=True, spread=0.03, measured=0.01, shared=0.03,
            draws=40_000,
        )
        if relative
        else estimates(PAIR, draws=40_000)
    )  # fmt: skip
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


def test_the_stated_chance_of_the_best_on_top_is_a_hit_rate() -> None:
    """Over charts drawn from a population, the best is on top as often as is said on average."""
    rng, said, hits = np.random.default_rng(3), [], 0
    trials = 500
    for trial in range(trials):
        truth = rng.normal(31.0, 0.9, 8)
        shown = truth + rng.normal(0, math.hypot(0.8, 0.3), 8)
        made = estimates(dict(zip("ABCDEFGH", shown, strict=True)), root=trial, draws=300)
        found = plan_next(made, budget=0, prices={}, rng=trial, draws=1000)
        said.append(found.purchases["chance best on top"].iloc[0])
        hits += shown.argmin() == truth.argmin()
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
    far = {"A": 900.0, "B": 400.0, "C": 100.0}
    found = plan_next(estimates(far), budget=25, prices=dict.fromkeys(far, 20.0), rng=1)

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
    values = dict(zip("ABCDEF", (400.0, 404.0, 409.0, 415.0, 420.0, 425.0), strict=True))
    asked = {"budget": 0, "prices": {}, "rng": 1, "best": "low"}
    alone = plan_next(estimates(values, relative=True, spread=0.03, measured=0.01), **asked)
    made = estimates({**values, "G": 840.0}, relative=True, spread=0.03, measured=0.01)
    made.attrs["fans"] = json.dumps({"G": 3})
    found = plan_next(made, **asked)

    assert found.assumed[-1] == (
        "models drawn towards their common centre, but for G (3 fans together)"
    )
    assert alone.assumed[-1] == "models drawn towards their common centre"
    # G never has the least air: without a part in the centre it changes nothing among the others.
    chance, single = (plan.purchases["chance best on top"].iloc[0] for plan in (found, alone))
    assert chance == pytest.approx(single, abs=4 * math.sqrt(2 * single * (1 - single) / 20_000))


def test_the_slope_behind_a_plan_is_that_of_the_sweep_and_not_of_one_reading() -> None:
    """A reading off the curve by the target moves the local slope, and the plan hardly."""
    made = estimates(
        {"Aven": 400.0, "Bryll": 410.0}, relative=True, spread=0.8, measured=0.01, slope=0.04, dof=3
    )
    made.attrs["spread"] = json.dumps(
        {"noise": {"stated": "", "standard": 0.8, "dof": 3, "kind": "standard"},
         "airflow": {"stated": "", "standard": 0.001, "dof": 3, "kind": "standard"}}
    )  # fmt: skip
    off = made.copy(deep=True)
    off["airflow_by_luck"].loc[{"luck": 0.5}] *= 1.01  # half as steep again around the target
    short = made.copy(deep=True)
    short["airflow_by_luck"] = short["airflow_by_luck"].where(abs(short.luck) <= 1.0)
    plans = [
        plan_units(data, "Aven", "Bryll", gap="11 %", chosen="before")
        for data in (made, off, short)
    ]

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


@pytest.mark.parametrize(("values", "lead"), [((430.0, 400.0), 0), ((400.0, 430.0), 1)])
@pytest.mark.parametrize("told", ["by the draws", "by the curve"])
def test_a_plan_loses_by_the_ends_that_a_claim_rests_on_and_no_others(
    values: tuple[float, float], lead: int, told: str
) -> None:
    """The low end of the model that leads and the high end of the other one matter."""
    asked = {"gap": "18 %", "chosen": "before", "spread_then": "as stated", "equal": True}

    def made(low: int | None, high: int | None) -> xr.Dataset:
        found = estimates(
            dict(zip(("Aven", "Bryll"), values, strict=True)),
            relative=True, spread=0.8, measured=0.01, slope=0.04, dof=3, draws=4000,
        )  # fmt: skip
        found.attrs["spread"] = json.dumps(
            {"noise": {"stated": "", "standard": 0.8, "dof": 3, "kind": "standard"},
             "airflow": {"stated": "", "standard": 0.001, "dof": 3, "kind": "standard"}}
        )  # fmt: skip
        for side, place in (("below", low), ("above", high)):
            share = np.zeros((3, 2))
            if place is not None and told == "by the draws":
                share[1, place] = 0.012
            found[f"airflow_share_{side}"] = (("scope", "model"), share)
            if place is not None and told == "by the curve":
                row = found["airflow_by_luck"][place]
                kept = row.luck >= -4.0 if side == "below" else row.luck <= 4.0
                found["airflow_by_luck"][place] = row.where(kept)
        return found

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
