"""Charts of plans, second tests and prices: what is drawn, named, folded and refused."""

from __future__ import annotations

import dataclasses
import io
import warnings

import matplotlib as mpl
import numpy as np
import pytest
import xarray as xr

mpl.use("Agg")

import matplotlib.pyplot as plt
from matplotlib.text import Text

import fanstats as fs
from fanstats import charts
from fanstats.errors import FanstatsError

WHERE = {"quantity": "airflow", "obstruction": "open"}
PAIR = ("Varnost Lull", "Tamberly Drift 8")
PRICES = {
    "Varnost Lull": {"price": 24.0, "currency": "EUR"},
    "Tamberly Drift 8": {"price": 33.0, "pack": 2, "currency": "EUR"},
    "Quenhurst 24P": {"price": 19.0, "currency": "EUR"},
    "Sorrelby N1": {"price": 9.0, "currency": "EUR"},
}
SIZES = [(8.0, 5.4), (3.6, 4.6)]


@pytest.fixture(autouse=True)
def _untouched():
    """No chart may change a setting or leave one of its own figures behind."""
    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before


@pytest.fixture(scope="module")
def estimates():
    return fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)


@pytest.fixture(scope="module")
def plan(estimates):
    return fs.plan_units(
        estimates, *PAIR, gap="15 %", prices=PRICES, sitting_hours=0.5, **WHERE
    )  # fmt: skip


@pytest.fixture(scope="module")
def second(estimates):
    return fs.retest(estimates, **WHERE)


@pytest.fixture(scope="module")
def money(estimates):
    return fs.value_for_money(estimates, PRICES, **WHERE)


def many_models(count):
    """Draws of invented models, evenly spaced."""
    rng = np.random.default_rng(4)
    middle = 2.0 + 1.2 * np.arange(count)[:, None] / max(count - 1, 1)
    return xr.DataArray(
        middle * (1 + 0.05 * rng.standard_normal((count, 400))),
        dims=("model", "draw"),
        coords={"model": [f"Invented {place}" for place in range(count)]},
        name="airflow",
        attrs={"units": "m/s"},
    )


def axes(size=SIZES[0]):
    return plt.figure(figsize=size, layout="constrained").add_subplot()


def words(ax):
    """Everything written in and around some axes, on one line."""
    legend = ax.get_legend()
    texts = [*ax.texts, *ax.get_yticklabels(), *ax.get_xticklabels()]
    texts += legend.get_texts() if legend else []
    parts = [ax.get_title(loc="left"), ax.get_xlabel(), ax.get_ylabel()]
    return " ".join([*parts, *(text.get_text() for text in texts)]).replace("\n", " ")


def agrees(said, chance):
    """A chance in hundredths, or beyond which it lies, is the one that is meant."""
    if said.startswith("<"):
        assert 100 * chance < int(said[1:])
    elif said.startswith(">"):
        assert 100 * chance > int(said[1:])
    else:
        assert int(said) == pytest.approx(100 * chance, abs=3)


def saved(form="png"):
    buffer = io.BytesIO()
    plt.savefig(buffer, format=form, dpi=50)
    return buffer.getvalue()


# Power and cost


def test_power_is_that_of_the_plan_with_its_cost_under_the_ticks(plan):
    """Points are the plan's curve; each tick says samples, money and hours of one of its rows."""
    ax = axes()
    drawn = charts.power_and_cost(plan, ax=ax)
    curve = plan.curve()
    np.testing.assert_array_equal(drawn.power.get_xdata(), curve["n_total"])
    np.testing.assert_array_equal(drawn.power.get_ydata(), curve["power"])
    assert drawn.plan.get_xydata().tolist() == [[plan.n_total, plan.power]]
    assert drawn.wanted.get_ydata()[0] == plan.power_wanted

    rows = curve.set_index("n_total")
    ticks = [label.get_text().split("\n") for label in ax.get_xticklabels()]
    assert len(ticks) > 3
    for total, paid, hours in ticks:
        assert float(paid) == pytest.approx(rows.loc[int(total), "money"], abs=0.51)
        assert float(hours) == pytest.approx(rows.loc[int(total), "hours"], abs=0.51)
    assert "to be paid (EUR); hours at the bench" in words(ax)


def test_the_power_chart_says_what_there_is_and_what_it_takes(plan):
    """Samples now, what endless repeats on them reach, and what to buy stand in words."""
    ax = axes()
    charts.power_and_cost(plan, ax=ax)
    said = words(ax)
    assert "now: 3 samples" in said
    assert "endless repeats on them" in said
    assert f"{plan.add['Varnost Lull']} more of Varnost Lull" in said
    assert "wanted: 80 in 100" in said
    assert "times in 100 that the gap is called" in said
    assert "(15 %) between Varnost Lull and Tamberly Drift 8" in said


@pytest.mark.parametrize(
    ("gap", "verdict", "words_of_it"),
    [("3 %", "cannot be settled", "no number of samples settles it"),
     ("60 %", "already enough", "nothing needs to be bought")],
)  # fmt: skip
def test_a_plan_that_buys_nothing_says_so(estimates, gap, verdict, words_of_it):
    """Beyond the floor and already enough: no diamond, but the words; no prices, no money."""
    plan = fs.plan_units(estimates, *PAIR, gap=gap, bench=fs.demo.bench(), **WHERE)
    ax = axes(SIZES[1])
    drawn = charts.power_and_cost(plan, ax=ax)
    saved()
    assert plan.verdict == verdict
    assert drawn.plan is None
    assert words_of_it in words(ax)
    assert "paid" not in words(ax)
    assert (drawn.most is not None) == (plan.power_at_most < 0.995)


def test_power_of_a_plain_question_is_drawn_as_well():
    """What `units_for_gap` gives: its whole curve through the answer, and what samples cost."""
    needed = fs.units_for_gap(1.0, 0.8, spread_dof=0, price=12.0, currency="EUR")
    ax = axes()
    drawn = charts.power_and_cost(needed, ax=ax)
    assert drawn.plan.get_xydata().tolist() == [[needed.n_total, needed.reached]]
    curve = needed.curve()
    assert drawn.power.get_xydata().tolist() == curve[["n_total", "power"]].values.tolist()
    assert len(curve) > 4
    assert "samples of both models in all; to be paid (EUR)" in words(ax)
    with pytest.raises(FanstatsError, match="says with what chance samples find a gap; got"):
        charts.power_and_cost(fs.units_for_spread(0.5))


# A second test


def test_a_second_test_is_drawn_beside_the_first(second):
    """Circles are the values, ticks what is expected, bars the ranges; orders stand between."""
    ax = axes()
    drawn = charts.second_test(second, ax=ax)
    table = second.table[second.table["value"].notna()]
    np.testing.assert_array_equal(drawn.values.get_xdata(), table["value"])
    np.testing.assert_array_equal(drawn.expected.get_xdata(), table["expected"])
    ends = np.array(drawn.ranges.lines.get_segments())[:, :, 0]
    np.testing.assert_allclose(ends, table[["low", "high"]].to_numpy())
    assert len(drawn.orders) == len(second.pairs)
    for text, chance in zip(drawn.orders, second.pairs["chance"], strict=True):
        agrees(text.get_text(), chance)
    said = words(ax)
    assert "range of the second, 95 times in 100" in said
    assert "with one new sample of each: airflow at equal noise (33 dBA)" in said
    assert "airflow (m/s)" in said
    assert "not drawn: Fennimoor Gust (below range" in said


def test_a_second_test_of_few_models_expects_nothing():
    """With fewer than five models there are ranges and no expected values."""
    ax = axes()
    drawn = charts.second_test(fs.retest(many_models(3)), ax=ax)
    assert drawn.expected is None
    assert "expected" not in words(ax)
    assert len(drawn.orders) == 2


@pytest.mark.parametrize("size", SIZES)
def test_many_second_tests_are_folded(size):
    """Of 200 models those that can be read have rows, each at least as high as its name."""
    found = fs.retest(many_models(200))
    ax = axes(size)
    drawn = charts.second_test(found, ax=ax)
    shown = len(drawn.values.get_xdata())
    assert 5 <= shown <= 40
    assert f"and {200 - shown} more" in words(ax)
    bottom, top = ax.get_ylim()
    row = ax.get_window_extent().height * 72.0 / ax.get_figure().dpi / (bottom - top)
    assert row >= ax.get_yticklabels()[0].get_fontsize()
    assert len(charts.second_test(found, top=4, ax=axes(size)).values.get_xdata()) == 4


# Price and performance


def test_price_stands_against_performance_with_the_chance_in_figures(money):
    """A dot a model with a price, as full as its chance, which stands beside its name."""
    ax = axes()
    drawn = charts.price_performance(money, ax=ax)
    table = money.table[money.table["chance_unbeaten"].notna()].set_index("model")
    assert len(drawn.dots.get_offsets()) == len(table) == 4
    spots = {tuple(pair) for pair in np.asarray(drawn.dots.get_offsets()).tolist()}
    assert spots == set(zip(table["paid"], table["value"], strict=True))
    assert sorted(drawn.dots.get_array()) == sorted(table["chance_unbeaten"])
    for name, text in drawn.names.items():
        agrees(text.get_text().removeprefix(f"{name}: "), table.loc[name, "chance_unbeaten"])
    assert set(drawn.names) == set(table.index)
    said = words(ax)
    assert "to be paid (EUR, whole packs)" in said
    assert "airflow (m/s); more is better" in said
    assert "range, 95 times in 100" in said
    assert "not drawn:" in said
    assert "(no price)" in said


@pytest.mark.parametrize("count", [1, 12, 200])
@pytest.mark.parametrize("size", SIZES)
def test_names_of_prices_never_overlap(count, size):
    """Names meet neither each other nor the legend; who has none is counted."""
    array = many_models(count)
    rng = np.random.default_rng(3)
    prices = {str(name): float(5 + rng.integers(0, 40)) for name in array["model"].values}
    ax = axes(size)
    drawn = charts.price_performance(fs.value_for_money(array, prices), ax=ax)
    saved()
    boxes = [Text.get_window_extent(text) for text in drawn.names.values()]
    for place, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[:place])
        assert not box.overlaps(drawn.legend.get_window_extent())
    left = count - len(drawn.names)
    assert len(drawn.names) >= min(count, 4)
    assert (f"{left} more without a name" in words(ax)) == (left > 0)


@pytest.mark.parametrize("seed", [0, 3, 8])
def test_no_line_to_a_name_passes_behind_another(seed):
    """A line that runs through another name would point at it."""
    names = [
        *("Brindle Mute", "Corvane 9", "Dapplewick", "Elstow Pro", "Fennimore S", "Garrick Mesh"),
        *("Harrowby 12", "Inglefan", "Jossmere", "Kettlebee", "Lindqvale X", "Morrowind Q"),
    ]
    values = np.array([311, 286, 307, 310, 285, 324, 322, 301, 259, 253, 327, 277])[:, None]
    array = xr.DataArray(
        values * np.exp(np.random.default_rng(seed).normal(0.0, 0.03, (12, 500))),
        dims=("model", "draw"),
        coords={"model": names},
        name="airflow",
        attrs={"units": "fpm"},
    )
    prices = {name: 8.0 + 2.5 * place for place, name in enumerate(names)}
    plt.figure(figsize=(7, 4.5), layout="constrained")
    drawn = charts.price_performance(fs.value_for_money(array, prices))
    plt.gcf().canvas.draw()
    boxes = {name: Text.get_window_extent(text) for name, text in drawn.names.items()}
    assert len(boxes) == 12
    lines = {n: text.arrow_patch for n, text in drawn.names.items() if text.arrow_patch is not None}
    assert lines
    for name, line in lines.items():
        path = line.get_path().transformed(line.get_transform())
        for other, box in boxes.items():
            assert other == name or not path.intersects_bbox(box, filled=False), (name, other)


def test_names_of_prices_can_be_held_to_a_few():
    """With `top` the models least likely beaten are named."""
    array = many_models(12)
    found = fs.value_for_money(array, {str(name): 10.0 for name in array["model"].values})
    drawn = charts.price_performance(found, top=1, ax=axes())
    best = found.table.sort_values("chance_unbeaten", ascending=False)["model"].iloc[0]
    assert list(drawn.names) == [best]


# All of them


def test_an_end_that_is_missing_is_open_and_explained(money):
    """A range with one end has a tip; one without any has no bar; no vertex is missing."""
    table = money.table.copy()
    table.loc[0, "high"], table.loc[1, "low"] = np.nan, -np.inf
    table.loc[2, ["low", "high"]] = np.nan
    ax = axes()
    drawn = charts.price_performance(dataclasses.replace(money, table=table), ax=ax)
    saved()
    assert len(drawn.ranges.lines.get_segments()) == 3
    assert sum(len(tip.get_xdata()) for tip in drawn.ranges.open_ends) == 2
    assert np.isfinite(np.concatenate(drawn.ranges.lines.get_segments())).all()
    assert "open end: not covered by data" in words(ax)


def test_an_end_of_a_second_test_that_is_missing_is_open_and_explained(second):
    """As for prices: tips at the open ends, no bar without any end, and words for it."""
    table = second.table.copy()
    table.loc[0, "high"], table.loc[1, "low"] = np.nan, -np.inf
    table.loc[2, ["low", "high"]] = np.nan
    ax = axes()
    drawn = charts.second_test(dataclasses.replace(second, table=table), ax=ax)
    saved()
    assert len(drawn.ranges.lines.get_segments()) == len(drawn.values.get_xdata()) - 1
    assert sum(len(tip.get_xdata()) for tip in drawn.ranges.open_ends) == 2
    assert "open end: not covered by data" in words(ax)


def test_nothing_to_draw_says_why(money, second, plan):
    """Tables without a single model, and a plan without a curve, save and give a reason."""
    empty = money.table.assign(chance_unbeaten=np.nan, status="no price")
    ax = axes()
    drawn = charts.price_performance(dataclasses.replace(money, table=empty), ax=ax)
    assert drawn.dots is None
    assert "no price" in drawn.missing.get_text().replace("\n", " ")
    saved()
    empty = second.table.assign(value=np.nan, status="at the room's floor")
    drawn = charts.second_test(
        dataclasses.replace(second, table=empty, pairs=second.pairs.iloc[:0]), ax=axes()
    )
    assert "no model has an estimate" in drawn.missing.get_text().replace("\n", " ")
    saved()


def test_other_results_are_refused(money, second, plan):
    """Each message names the argument and the call whose result it takes."""
    with pytest.raises(FanstatsError, match=r"`plan` must be what `plan_units`.*; got Retest"):
        charts.power_and_cost(second)
    with pytest.raises(FanstatsError, match="`found` must be what `retest` returns; got UnitsPlan"):
        charts.second_test(plan)
    with pytest.raises(FanstatsError, match="`found` must be what `value_for_money` returns"):
        charts.price_performance(second)
    with pytest.raises(FanstatsError, match="`top` must be"):
        charts.second_test(second, top=0)


@pytest.mark.parametrize("style", ["default", "dark_background", "grayscale"])
@pytest.mark.parametrize("form", ["png", "svg"])
def test_they_draw_on_light_and_dark_without_a_warning(money, second, plan, style, form):
    """At phone width no text is smaller than 7 points, and nothing is said to go wrong."""
    draw = [
        lambda ax: charts.power_and_cost(plan, ax=ax),
        lambda ax: charts.second_test(second, ax=ax),
        lambda ax: charts.price_performance(money, ax=ax),
    ]
    with warnings.catch_warnings(), plt.style.context(style):
        warnings.simplefilter("error")
        for chart in draw:
            ax = axes(SIZES[1])
            chart(ax)
            saved(form)
            texts = [*ax.texts, *ax.get_yticklabels(), *ax.get_xticklabels()]
            texts += ax.get_legend().get_texts()
            assert min(text.get_fontsize() for text in texts if text.get_text()) >= 7
            plt.close()
