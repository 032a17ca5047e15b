"""One luck model behind every answer: hypothetical benches, plans, limits and chances agree."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs

DRAWS = 1000
ROOT = 2026
PAIR = ("Varnost Lull", "Tamberly Drift 8")
SCREEN = {"quantity": "airflow", "obstruction": "insect screen"}
OPEN = {"quantity": "airflow", "obstruction": "open"}
STEPS = np.array([9.0, 12.0, 15.0, 18.0, 21.0, 24.0])
ROOM = 22.9


# --- benches ---------------------------------------------------------------------------------


def sweep(model, flow, *, unit="1", luck=(0.0, 0.0), rng=None, **labels):
    """Rows of one sample: `flow` m/s at 2600 rpm, `luck` in dB and as a share of the airflow."""
    size = len(STEPS)
    scatter = np.zeros((3, size)) if rng is None else rng.normal(size=(3, size))
    speed = 2500.0 * (STEPS / 24.0) ** 0.88
    fan = 40.0 + 51.0 * np.log10(speed / 2600.0) + luck[0]
    noise = 10 * np.log10(10 ** (fan / 10) + 10 ** (ROOM / 10)) + 0.05 * scatter[0]
    air = flow * speed / 2600.0 * (1 + luck[1])
    columns = {
        "drive [V]": STEPS,
        "speed [rpm]": speed,
        "noise [dBA]": noise,
        "background [dBA]": np.full(size, ROOM),
        "airflow insect screen [m/s]": air * (1 + 0.005 * scatter[1]),
        "airflow dust pad [m/s]": 0.7 * air * (1 + 0.005 * scatter[2]),
    }
    labels = {"model": model, "unit": unit, "session": "evening", **labels}
    return pd.DataFrame({**{name: [text] * size for name, text in labels.items()}, **columns})


def several(flows, samples, *, seed=3, **labels):
    """Readings of some models, each of several samples."""
    rng = np.random.default_rng(seed)
    rows = [
        sweep(model, flow, unit=str(k), luck=rng.normal(size=2) * (0.5, 0.015), rng=rng, **labels)
        for (model, flow), count in zip(flows.items(), samples, strict=True)
        for k in range(count)
    ]
    return fs.read_readings(pd.concat(rows, ignore_index=True))


def instruments(*, noise=(), airflow=()):
    """Meter, tachometer and vane; further errors of a model, a sitting and a reading besides."""
    return {
        "noise": fs.Instrument(
            shared=fs.standard(0.3),
            session=[],
            sitting=[fs.standard(0.1, name="place"), *noise],
            model=[fs.standard(0.1, name="tone"), *noise],
            reading=[fs.standard(0.05, name="flicker"), *noise],
        ),
        "speed": only_scatter(fs.standard(4.0)),
        "airflow": fs.Instrument(
            shared=fs.standard("1 %"),
            session=[],
            sitting=[fs.standard("0.3 %", name="set up"), *airflow],
            model=[fs.standard("0.3 %", name="swirl"), *airflow],
            reading=[fs.standard("0.5 %", name="wobble"), *airflow],
        ),
    }


def fine():
    """A bench on which nearly nothing but sample luck is uncertain."""
    return fs.Bench(
        noise=only_scatter(fs.standard(0.01)),
        speed=only_scatter([]),
        airflow=only_scatter(fs.standard("0.1 %")),
    )


def only_scatter(source):
    return fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=source)


def luck(noise=None, airflow=None, *, dof=math.inf, correlation=0.0):
    """Sample luck of so many dB and so large a share of the airflow; None where unknown."""
    return fs.UnitSpread(
        noise=None if noise is None else fs.standard(noise, dof=dof),
        airflow=None if airflow is None else fs.standard(airflow, relative=True, dof=dof),
        speed=fs.half_width("10 %"),
        correlation=correlation,
    )


@cache
def demo():
    return fs.demo.readings(), fs.demo.bench()


@cache
def four_models():
    """Four models of 3, 1, 2 and 1 samples."""
    flows = {"Aven": 2.0, "Bryll": 1.85, "Corrow": 1.8, "Dunlet": 1.75}
    return several(flows, (3, 1, 2, 1)), fs.Bench(**instruments())


def estimates_of(bench_name, spread, *, draws=DRAWS):
    """Estimates at 33 dBA on one of the two benches, with this spread stated."""
    readings, bench = {"demo": demo, "four models": four_models}[bench_name]()
    bench = replace(bench, spread=spread)
    return fs.equal_noise(readings, 33, bench=bench, draws=draws, rng=ROOT)


@cache
def demo_estimates(draws=DRAWS):
    readings, bench = demo()
    return fs.equal_noise(readings, 33, bench=bench, draws=draws, rng=ROOT)


def demo_pairs():
    return list(itertools.combinations(map(str, demo_estimates().model.values), 2))


# --- a hypothetical bench --------------------------------------------------------------------


MADE_WITH = {
    "none stated": {},
    "another stated": {
        "noise": fs.half_width(0.5),
        "airflow": fs.standard("4 %", dof=6),
        "speed": fs.half_width("10 %"),
    },
}


@pytest.mark.parametrize("correlation", [-0.9, 0.0, 0.9])
@pytest.mark.parametrize("made_with", MADE_WITH)
@pytest.mark.parametrize(
    ("bench_name", "pair"), [("demo", PAIR), ("four models", ("Aven", "Bryll"))]
)
def test_what_if_is_the_comparison_on_a_bench_that_states_that_luck(
    bench_name, pair, made_with, correlation
):
    """A luck supposed gives the interval and the verdict that the same luck stated gives."""
    supposed = estimates_of(
        bench_name, fs.UnitSpread(**MADE_WITH[made_with], correlation=correlation)
    )
    stated = estimates_of(bench_name, luck(0.6, 0.025, correlation=correlation))
    found, wanted, verdicts = [], [], []
    for chosen in ("before", "from the chart"):
        row = fs.what_if(supposed, *pair, noise=[0.6], airflow=0.025, chosen=chosen, **SCREEN).iloc[
            0
        ]
        rerun = fs.compare(stated, *pair, chosen=chosen, **SCREEN)
        found.append((row["difference"], row["low"], row["high"]))
        wanted.append((rerun.difference.value, rerun.difference.low, rerun.difference.high))
        verdicts.append((row["verdict"], rerun.verdict))

    assert np.isfinite(wanted).all()
    assert np.array(found) == pytest.approx(np.array(wanted), rel=0, abs=1e-9)
    assert all(one == other for one, other in verdicts)


@pytest.mark.parametrize(
    ("asked", "kind"), [(OPEN, "airflow"), ({"quantity": "temperature_rise"}, "temperature")]
)
def test_luck_left_out_of_a_what_if_stays_unknown(asked, kind):
    """With a kind of luck that nobody stated or supposed nobody is ahead, and its name is told."""
    pair = ("Varnost Lull", "Wexcombe Pale")
    supposed = estimates_of("demo", fs.UnitSpread())
    table = fs.what_if(supposed, *pair, noise=[0.0, 0.7], **asked)
    written = fs.what_if(supposed, *pair, noise=[0.7], **asked, **{kind: 0.0})

    # The gap is so large that a luck of 0, written out, leaves it settled.
    assert written["verdict"].tolist() == ["ahead"]
    assert written["left_out"].tolist() == [""]
    assert all(kind in text for text in table["left_out"])
    assert table["verdict"].tolist() == ["open", "open"]
    assert table["who"].tolist() == ["", ""]
    assert table[["low", "high"]].isna().all(axis=None)


@pytest.mark.simulation
def test_equal_models_are_not_called_ahead_where_luck_was_left_out():
    """Of equal models whose samples differ in airflow too at most 5 pairs in 100 are ahead."""
    rng, pairs = np.random.default_rng(11), 60
    rows = [
        sweep(f"M{k:03d}", 2.0, luck=rng.normal(size=2) * (0.22, 0.02), rng=rng)
        for k in range(2 * pairs)
    ]
    bench = fs.Bench(
        noise=only_scatter(fs.standard(0.05)),
        speed=only_scatter([]),
        airflow=only_scatter(fs.standard("0.5 %")),
    )
    readings = fs.read_readings(pd.concat(rows, ignore_index=True))
    estimates = fs.equal_noise(readings, 33, bench=bench, draws=DRAWS, rng=ROOT)
    ahead = {"written": 0, "left out": 0}
    for first, second in np.reshape(estimates.model.values, (-1, 2)):
        pair = estimates.sel(model=[first, second])
        asked = {"noise": 0.22, "chosen": "before", **SCREEN}
        for how, more in {"written": {"airflow": 0.02}, "left out": {}}.items():
            table = fs.what_if(pair, first, second, **asked, **more)
            ahead[how] += table["verdict"].tolist() == ["ahead"]

    for leads in ahead.values():
        assert stats.binomtest(leads, pairs, 0.05, alternative="greater").pvalue > 0.001


# --- plans -----------------------------------------------------------------------------------


def elsewhere():
    """Benches that differ in errors of what was not read; all was read on "shed", by screen."""
    coarse = {"noise": fs.standard(0.6, name="more"), "airflow": fs.standard("3 %", name="more")}
    attic = {name: replace(source, rigs=("attic",)) for name, source in coarse.items()}
    pad = replace(coarse["airflow"], obstructions=("dust pad",))
    worse = instruments(**{name: [source] for name, source in coarse.items()})
    return {
        "an instrument on another rig": fs.Bench(**instruments(), rigs={"attic": worse}),
        "errors of another rig": fs.Bench(**instruments(**{k: [v] for k, v in attic.items()})),
        "errors behind another obstruction": fs.Bench(**instruments(airflow=[pad])),
        "instruments of the rig itself": fs.Bench(rigs={"shed": instruments()}),
        "instruments for other rigs": fs.Bench(**worse, rigs={"shed": instruments()}),
    }


def planned(readings, bench):
    """Estimates on a bench with luck stated."""
    bench = replace(bench, spread=luck(0.6, 0.02))
    return fs.equal_noise(readings, 33, bench=bench, draws=DRAWS, rng=ROOT), bench


@pytest.mark.parametrize("gap", ["6 %", "9 %"])
def test_a_plan_for_a_gap_does_not_move_with_errors_of_what_was_not_read(gap):
    """Samples, chance and limits of a plan rest on the errors of what was read, and no others."""
    readings = several({"Aven": 2.0, "Bryll": 1.85, "Corrow": 1.8}, (2, 1, 1), rig="shed")

    def plan_on(bench):
        made, bench = planned(readings, bench)
        plan = fs.plan_units(made, "Aven", "Bryll", gap=gap, chosen="before", bench=bench, **SCREEN)
        floors = (plan.counts_now, plan.counts_repeats_only, plan.counts_floor)
        chances = (plan.power, plan.power_now, plan.power_at_most)
        return plan.verdict, plan.n_per_model, *np.round((*chances, *floors), 9).tolist()

    plain = plan_on(fs.Bench(**instruments()))
    found = {name: plan_on(bench) for name, bench in elsewhere().items()}

    assert plain[0] == "test"
    assert found == dict.fromkeys(found, plain)


def test_what_to_buy_next_does_not_move_with_errors_of_what_was_not_read():
    """What to buy and the chances it brings rest on the errors of what was read, and no others."""
    flows = {"Aven": 2.0, "Bryll": 1.97, "Corrow": 1.94, "Dunlet": 1.9, "Ebrin": 1.7}
    readings = several(flows, (2, 1, 1, 1, 1), rig="shed")
    prices = dict.fromkeys(flows, 20.0)

    def plan_on(bench):
        made, bench = planned(readings, bench)
        bought = fs.plan_next(made, budget=100, prices=prices, bench=bench, rng=1, **SCREEN)
        rows = bought.purchases[["model", "units", "chance best on top"]]
        return rows.round(9).to_numpy().tolist()

    plain = plan_on(fs.Bench(**instruments()))
    found = {name: plan_on(bench) for name, bench in elsewhere().items()}

    assert len(plain) > 2
    assert found == dict.fromkeys(found, plain)


@pytest.mark.parametrize("pair", [("Aven", "Bryll"), ("Bryll", "Dunlet")])
def test_a_plan_moves_with_the_correlation_of_a_spread_from_few_samples(pair):
    """Lucks that go together cancel in a plan, whether their spread is stated or estimated."""
    readings, _ = four_models()
    cases = itertools.product((math.inf, 8.0), (-0.9, 0.0, 0.9))
    samples, limits, halves = {}, {}, {}
    for dof, correlation in cases:
        # A decibel is 4.5 % of airflow at equal noise, so that both kinds are alike in size.
        bench = replace(fine(), spread=luck(0.5, 0.023, dof=dof, correlation=correlation))
        made = fs.equal_noise(readings, 33, bench=bench, draws=2 * DRAWS, rng=ROOT)
        asked = {"chosen": "before", **SCREEN}
        plan = fs.plan_units(made, *pair, gap="8 %", bench=bench, **asked)
        gap = fs.compare(made, *pair, **asked).difference
        samples[dof, correlation] = plan.n_total
        limits[dof, correlation] = plan.counts_repeats_only
        halves[dof, correlation] = (gap.high - gap.low) / 2

    for dof in (math.inf, 8.0):
        assert samples[dof, -0.9] > samples[dof, 0.0] > samples[dof, 0.9]
    # Nearly all is luck, so what repeats leave is what counts now; an end of 2000 draws is good to
    # 2 to 3 %, and the bend of the curve makes the ends a few percent unlike.
    assert limits == pytest.approx(halves, rel=0.1)


@pytest.mark.parametrize("chosen", ["before", "from the chart"])
def test_a_plan_is_one_plan_whether_the_bench_is_passed_again_or_not(chosen):
    """Estimates know the bench they were made with; to pass it again changes no plan."""
    _, bench = demo()
    prices = dict.fromkeys(map(str, demo_estimates().model.values), 20.0)
    asked = {"gap": "8 %", "chosen": chosen, "most_units": 200, **SCREEN}
    found = []
    for again in ({}, {"bench": bench}):
        plan = fs.plan_units(demo_estimates(), *PAIR, **asked, **again)
        bought = fs.plan_next(
            demo_estimates(), budget=60, prices=prices, rng=1, **SCREEN, **again
        ).purchases
        found.append(
            {
                "verdict": plan.verdict,
                "samples": plan.n_per_model,
                "chances": (plan.power, plan.power_at_most, plan.power_continuing),
                "limits": (plan.counts_then, plan.counts_floor),
                "not considered": plan.not_considered,
                "bought": bought[["model", "units", "chance best on top"]].to_numpy().tolist(),
            }
        )

    assert found[0] == found[1]


# --- limits from either side -----------------------------------------------------------------


@cache
def from_both_sides(obstruction):
    """Every pair of the demo, compared either way round."""
    where = {"quantity": "airflow", "obstruction": obstruction}
    return [
        (fs.compare(demo_estimates(), a, b, **where), fs.compare(demo_estimates(), b, a, **where))
        for a, b in demo_pairs()
    ]


@pytest.mark.parametrize("obstruction", ["open", "insect screen"])
def test_a_comparison_is_the_same_from_either_side(obstruction):
    """Of two models compared either way round every limit is the other's with its sign turned."""
    there, back = [], []
    for one, other in from_both_sides(obstruction):
        here, mirror = one.difference, other.difference
        there.append(
            (one.ratio.low, one.ratio.high, here.value, here.low, here.high,
             *one.critical_difference)
        )  # fmt: skip
        back.append(
            (1 / other.ratio.high, 1 / other.ratio.low, -mirror.value, -mirror.high, -mirror.low,
             *reversed(other.critical_difference))
        )  # fmt: skip
        assert (one.verdict, one.who) == (other.verdict, other.who)

    # All but the pairs of a model that is too loud to be read, and of one that hardly is.
    assert np.isfinite(there).all(axis=1).sum() >= 28
    np.testing.assert_allclose(there, back, rtol=1e-12)


@pytest.mark.parametrize("obstruction", ["open", "insect screen"])
def test_limits_of_a_difference_follow_from_those_of_the_ratio(obstruction):
    """A ratio r of two values is a difference of their geometric mean times sqrt r - 1 / sqrt r."""
    found, wanted = [], []
    for pair in itertools.chain.from_iterable(from_both_sides(obstruction)):
        middle = math.sqrt(math.prod(pair.values))
        ends = np.sqrt([pair.ratio.value, pair.ratio.low, pair.ratio.high])
        found.append((pair.difference.value, pair.difference.low, pair.difference.high))
        wanted.append(middle * (ends - 1 / ends))

    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-12)


def test_a_margin_is_held_from_either_side():
    """Whether a gap is more than a margin or within it does not hang on who is named first."""
    turned = []
    for first, second in demo_pairs():
        there, back = (
            fs.compare(demo_estimates(), *pair, margin=0.3, **SCREEN).against_margin
            for pair in ((first, second), (second, first))
        )
        turned += [(first, second, there, back)] if there != back else []

    assert turned == []


# --- words and chances -----------------------------------------------------------------------


def test_luck_that_would_explain_a_gap_is_said_of_one_sample_about_its_model():
    """The smallest luck that would explain a gap is one sample's about its model, and said so."""
    pair = fs.compare(demo_estimates(), *PAIR, chosen="before", **SCREEN)
    needed = pair.spread_needed
    # What the number is: stated as one sample's luck about its model it just ends the gap.
    for spread in (luck(needed.noise_db, 0.0), luck(0.0, needed.unit_sd)):
        ends = fs.compare(estimates_of("demo", spread), *PAIR, chosen="before", **SCREEN).difference
        assert ends.low == pytest.approx(0.0, abs=3.3 * ends.low_error)

    said = {}
    for how, text in {"sentence": pair.sentence(), "caption": pair.caption()}.items():
        clauses = [part for part in re.split(r"(?<=\.)\s+", text) if "would explain" in part]
        assert len(clauses) == 1
        said[how] = clauses[0]
        sizes = {unit: float(size) for size, unit in re.findall(r"(\d[\d.]*) (%|dB)", clauses[0])}
        # Of one sample against the next both would be sqrt 2 times as large.
        assert sizes["dB"] == pytest.approx(needed.noise_db, rel=0.1)
        assert sizes.get("%", 100 * needed.unit_sd) == pytest.approx(100 * needed.unit_sd, rel=0.1)
        assert "next" not in clauses[0]
    assert re.search(r"one sample\b.*\b(about|from|against) its (own )?model\b", said["sentence"])


def test_ranking_and_plan_state_one_chance_that_the_leader_is_best():
    """Before anything is bought the leader's chance in a plan is its chance in the ranking."""
    # A spread from 3 degrees of freedom, and a chart too small to tell how far models differ.
    charts = {
        "demo": demo_estimates(2 * DRAWS),
        "demo, spread of 3 dof": estimates_of("demo", luck(0.6, 0.02, dof=3.0), draws=2 * DRAWS),
        "four models": estimates_of("four models", luck(0.6, 0.02, dof=3.0), draws=2 * DRAWS),
    }
    asked = [{**where, "best": best} for where in (OPEN, SCREEN) for best in ("high", "low")]
    asked.append({"quantity": "speed", "best": "low"})
    apart, size = {}, 20_000
    for (name, made), question in itertools.product(charts.items(), asked):
        if question.get("obstruction", "") not in ("", *made.obstruction.values):
            continue
        ranking = fs.rank(made, **question)
        ranked = float(ranking.chance_best.sel(model=ranking.ranked[0]))
        prices = dict.fromkeys(map(str, made.model.values), 20.0)
        plan = fs.plan_next(made, budget=0, prices=prices, rng=1, draws=size, **question)
        assert plan.purchases["model"].tolist() == ["nothing"]
        planned = float(plan.purchases["chance best on top"].iloc[0])
        error = math.sqrt(ranked * (1 - ranked) * (1 / made.sizes["draw"] + 1 / size))
        if abs(planned - ranked) > 4 * error:
            apart[name, *question.values()] = (round(ranked, 3), round(planned, 3))

    assert apart == {}
