"""Plans from estimates: taken apart rightly, and true when simulated through `compare`."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import xarray as xr

from fanstats.decisions.compare import compare
from fanstats.errors import FanstatsError
from fanstats.planning.plan import plan_next, plan_units
from fanstats.planning.settle import settle_gap
from fanstats.sources import Bench, Instrument, standard

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
    luck = scale * rng.normal(size=(count, draws)) / np.sqrt(n[:, None])
    new = scale * rng.normal(size=(count, draws))
    off = np.stack([error, error + luck, error + luck + new])
    centre = np.array(list(values.values()))
    drawn = centre[:, None] * np.exp(off) if relative else centre[:, None] + off
    name, units = ("airflow", "fpm") if relative else ("noise", "dBA")
    steps = np.arange(-6, 6.01, 0.5)
    by_luck = centre[:, None] * np.exp(slope * steps)
    stated = {"stated": "", "standard": spread, "dof": dof}
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


@pytest.mark.parametrize("dof", [None, 6.0])
@pytest.mark.simulation
def test_a_planned_power_comes_true_through_compare(dof: float | None) -> None:
    """Benches built as planned, judged by `compare`, call the gap within two points as often."""
    plan = plan_units(
        estimates(PAIR, dof=dof), "Aven", "Bryll", gap=1.6, chosen="before", equal=True
    )
    n = plan.n_per_model[0]
    rng, trials, called = np.random.default_rng(7), 1000, 0
    later = None if dof is None else dof + 2 * n - 2
    for trial in range(trials):
        s = 0.8 if later is None else 0.8 * math.sqrt(rng.chisquare(later) / later)
        luck = rng.normal(0, math.sqrt((0.64 + 0.09) / n), 2)
        made = estimates(
            {"Aven": 31.6 + luck[0], "Bryll": 30.0 + luck[1]},
            tested=n, spread=s, dof=later, draws=1000, root=trial,
        )  # fmt: skip
        verdict = compare(made, "Aven", "Bryll", chosen="before").verdict
        called += verdict == "ahead"

    # Two points, and the simulation's own error at four standard errors.
    room = 0.02 + 4 * math.sqrt(plan.power * (1 - plan.power) / trials)
    assert called / trials == pytest.approx(plan.power, abs=room)


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
    # x and 1.05 x with a mean of 405
    assert by_text.gap == pytest.approx(405 * 2 * 0.05 / 2.05)
    assert by_number.n_per_model == by_text.n_per_model
    assert by_number.design.gap == pytest.approx(by_text.design.gap)
    assert by_text.units == "fpm"
    assert f"{by_text.gap:.3g} fpm between Aven and Bryll" in by_text.sentence()


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
    assert not any("give `bench`" in note for note in plan.not_considered)


def test_prices_packs_and_limits_reach_the_plan() -> None:
    """Prices make the dear model rarer; beyond the budget the plan is a tie with its price."""
    made = estimates(PAIR)
    prices = {"Aven": 60.0, "Bryll": {"price": 10.0, "pack": 2, "currency": "EUR"}}
    plan = plan_units(made, "Aven", "Bryll", gap=1.4, prices=prices, chosen="before")
    tie = plan_units(
        made, "Aven", "Bryll", gap=1.4, prices=prices, chosen="before", budget=50.0,
        sitting_hours=0.5,
    )  # fmt: skip

    assert plan.add["Aven"] < plan.add["Bryll"]
    packs = math.ceil(plan.add["Bryll"] / 2)
    assert plan.money == 60.0 * plan.add["Aven"] + 10.0 * packs
    assert (tie.verdict, tie.money) == ("publish as a tie", plan.money)
    assert tie.hours == 0.5 * (tie.add["Aven"] + tie.add["Bryll"])
    assert tie.sentence().startswith("Not worth it, publish a gap of 1.4 dB")
    assert plan.table().loc["now", "smallest gap that would count"] == plan.counts_now


def test_an_estimated_spread_takes_more_samples_than_a_known_one() -> None:
    """Degrees of freedom recorded with the estimates count."""
    totals = [
        plan_units(
            estimates(PAIR, dof=dof, draws=20_000), "Aven", "Bryll", gap=1.4, chosen="before"
        )
        for dof in (None, 3.0)
    ]

    assert totals[0].n_total < totals[1].n_total
    assert "(estimated)" in totals[1].assumed[0]


def test_the_same_plan_comes_of_the_kernels() -> None:
    """The labelled plan is the kernel's plan, name for name."""
    plan = plan_units(estimates(PAIR), "Aven", "Bryll", gap=1.4, chosen="before", belief_sd=0.3)
    design = plan.design

    assert (plan.power, plan.n_total, plan.verdict) == (
        design.power, design.n_total, design.verdict,
    )  # fmt: skip
    assert "averaged over a true gap of 1.4 give or take 0.3" in design.assumed
    assert callable(settle_gap)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"second": "Aven"}, r"`second` must be another model than `first`; got 'Aven' twice"),
        ({"second": "Brill"}, r"`second` must be one of the models present.*mean 'Bryll'"),
        ({"gap": "5 %"}, r"`gap` must be a number in dB; got '5 %'"),
        ({"gap": 0.0}, r"`gap` must not be 0"),
        ({"power": 0.01}, r"`power` must lie strictly between"),
        ({"probability": 95}, r"`probability` must be a fraction.*Write 0.95 for 95 %"),
        ({"chosen": "after"}, r"`chosen` must be one of 'from the chart', 'before'"),
        ({"prices": {"Aven": 20.0}}, r"`prices` must name 'Bryll'; got 'Aven'"),
        ({"prices": {"Aven": {"pack": 2}, "Bryll": 1.0}}, r"`prices` of 'Aven' must hold 'price'"),
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
    with pytest.raises(FanstatsError, match=r"`gap` must be below twice the models' mean of 405"):
        plan_units(made, "Aven", "Bryll", gap=900.0)


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
    assert found.assumed[1] == "models drawn towards their common centre"
    assert found.sentence().startswith("Next buy ")


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

    assert set(found.purchases["model"].iloc[1:]) <= {"B", "C"}
    assert nothing.purchases["model"].tolist() == ["nothing"]
    assert nothing.sentence().startswith("No next purchase within the budget")
    assert "many samples bought at once were not tried" in nothing.sentence()
    assert nothing.table().equals(nothing.purchases)


def test_the_same_seed_gives_the_same_list() -> None:
    """A seed settles the list, whatever generator it comes as."""
    made = estimates(MODELS)
    lists = [
        plan_next(made, budget=100, prices=dict.fromkeys(MODELS, 20.0), rng=rng).purchases
        for rng in (4, np.random.default_rng(4))
    ]

    assert lists[0].equals(lists[1])
