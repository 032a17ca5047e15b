"""Charts: what is drawn, what it is called, and what is left alone."""

from __future__ import annotations

import dataclasses
import io
import warnings
import xml.etree.ElementTree as ET

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import xarray as xr

mpl.use("Agg")

import matplotlib.pyplot as plt
from matplotlib.colors import to_hex, to_rgb

import fanstats as fs
from fanstats import charts
from fanstats.charts import _axes
from fanstats.decisions.curve_bands import difference_band, noise_airflow_band
from fanstats.decisions.rank import rank
from fanstats.errors import FanstatsError
from fanstats.spread.unit_spread import unit_spread
from tests.tables import power_law_rows, readings

SIZES = [(6.4, 4.8), (3.6, 4.6)]
SCOPES = ("tested unit", "model", "next unit")


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
def ranking(estimates):
    return rank(estimates, quantity="airflow", obstruction="open")


@pytest.fixture(scope="module")
def band():
    return noise_airflow_band(
        fs.demo.readings(),
        np.arange(24.0, 44.0, 1.5),
        bench=fs.demo.bench(),
        models=["Ombrel Sill", "Ostwick Mono"],
        obstruction="open",
        draws=300,
        rng=1,
    )


@pytest.fixture(scope="module")
def gap():
    return difference_band(
        fs.demo.readings(),
        "Varnost Lull",
        "Wexcombe Pale",
        np.arange(27.0, 35.0, 1.0),
        bench=fs.demo.bench(),
        obstruction="open",
        chosen="before",
        draws=300,
        rng=1,
    )


def array_of(models, *, draws=400, value=2.0, spread=0.05, **attrs):
    """Give draws of some invented models, evenly spaced."""
    rng = np.random.default_rng(4)
    middle = value + 0.03 * np.arange(len(models))[:, None]
    return xr.DataArray(
        middle * (1 + spread * rng.standard_normal((len(models), draws))),
        dims=("model", "draw"),
        coords={"model": list(models)},
        name="airflow",
        attrs={"units": "m/s", **attrs},
    )


def words(ax):
    """Everything written in and around some axes, on one line."""
    legend = ax.get_legend()
    texts = [*ax.texts, *ax.get_yticklabels(), *ax.get_xticklabels()]
    texts += legend.get_texts() if legend else []
    parts = [ax.get_title(loc="left"), ax.get_xlabel(), ax.get_ylabel()]
    return " ".join([*parts, *(text.get_text() for text in texts)]).replace("\n", " ")


def saved(form="png"):
    buffer = io.BytesIO()
    plt.savefig(buffer, format=form, dpi=50)
    return buffer.getvalue()


def segments(lines):
    return np.array(lines.get_segments())


def every_vertex(ax):
    paths = [path for artist in ax.collections for path in artist.get_paths()]
    return np.concatenate([path.vertices for path in paths] or [np.zeros((0, 2))])


def ends_of(lines):
    """Ends along x of horizontal lines, by their place along y."""
    found = segments(lines)
    return {round(float(part[0, 1])): (part[0, 0], part[1, 0]) for part in found}


# The ranked chart


def test_ranked_draws_both_ranges_and_the_value_of_every_ranked_model(ranking):
    """Thick lines are the ranges for comparing, thin ones the whole, each from the ranking."""
    plt.figure(figsize=(9, 7), layout="constrained")
    drawn = charts.ranked(ranking)
    table = ranking.table[ranking.table["place"].notna()]

    assert list(drawn.values.get_xdata()) == list(table["value"])
    bands = np.array([pair for _, pair in sorted(ends_of(drawn.bands).items())])
    np.testing.assert_allclose(bands, table[["band_low", "band_high"]].to_numpy())
    totals = ends_of(drawn.totals)
    for row, (low, high) in enumerate(zip(table["low"], table["high"], strict=True)):
        if np.isfinite(low) and np.isfinite(high):
            assert totals[row] == pytest.approx((low, high))
    assert drawn.bands.get_linewidths()[0] > 2 * drawn.totals.get_linewidths()[0]


def test_ranked_says_units_probability_and_what_each_line_means(ranking):
    """A reader meets the unit, the probability and the two kinds of line in words."""
    plt.figure(figsize=(9, 7), layout="constrained")
    charts.ranked(ranking)

    said = words(plt.gca())
    assert "airflow (m/s); more is better" in said
    assert "range for comparing, 95 times in 100" in said
    assert "whole range, with what all models share, 95 times in 100" in said
    assert "33 dBA" in said
    assert "obstruction: open" in said
    assert "for the typical one" in said


def test_ranked_says_how_many_samples_stand_behind_each_model(ranking):
    """The number of samples stands with the name, beside the axes and inside them."""
    plt.figure(figsize=(9, 7), layout="constrained")
    charts.ranked(ranking)
    assert "Ombrel Sill (3)" in words(plt.gca())
    assert "samples tested" in words(plt.gca())

    plt.figure(figsize=(3.6, 6), layout="constrained")
    charts.ranked(ranking)
    assert "Ombrel Sill (3 samples)" in words(plt.gca())


def test_ranked_lists_models_without_a_place_with_their_reason(ranking):
    """A model without an estimate keeps a row, greyed, that says why."""
    assert "Fennimoor Gust" in ranking.unranked
    plt.figure(figsize=(9, 7), layout="constrained")
    ax = plt.gca()
    charts.ranked(ranking)

    assert "no place: below range" in words(ax)
    labels = {label.get_text(): label for label in ax.get_yticklabels()}
    lost = labels["Fennimoor Gust (1)"]
    assert lost.get_color() != labels["Ombrel Sill (3)"].get_color()


def test_an_open_end_is_marked_and_explained(ranking):
    """Where the data do not cover an end there is a tip, not a closed bar."""
    open_ended = ranking.table["high"].isna() & ranking.table["place"].notna()
    assert open_ended.sum() == 1
    plt.figure(figsize=(9, 7), layout="constrained")
    drawn = charts.ranked(ranking)

    assert sum(len(tip.get_xdata()) for tip in drawn.open_ends) == 1
    assert "open end: not covered by data" in words(plt.gca())


def test_brackets_join_exactly_the_sets_that_cannot_be_told_apart(ranking):
    """Each bracket has a tooth at the rows of one set, and there is one a set."""
    plt.figure(figsize=(9, 7), layout="constrained")
    drawn = charts.ranked(ranking)

    row = {name: float(place) for place, name in enumerate(ranking.ranked)}
    wanted = {tuple(sorted(row[n] for n in group)) for group in ranking.groups if len(group) > 1}
    assert {tuple(float(y) for y in line.get_ydata()) for line in drawn.brackets} == wanted
    assert len(drawn.brackets) == len(wanted) > 0


def test_no_letters_of_groups_stand_on_the_chart(ranking):
    """Groups are letters in tables only."""
    plt.figure(figsize=(9, 7), layout="constrained")
    charts.ranked(ranking)
    texts = [text.get_text() for text in plt.gca().texts]
    assert not set(texts) & set(ranking.table["group"])


def test_many_models_are_folded_into_one_line_of_text():
    """Of 200 models those that can be read are shown; the others are counted."""
    names = [f"Invented {place}" for place in range(200)]
    many = rank(array_of(names, spread=0.02))
    plt.figure(figsize=(7, 6), layout="constrained")
    drawn = charts.ranked(many)
    shown = len(drawn.values.get_xdata())
    assert 10 < shown < 100
    assert f"and {200 - shown} more" in words(plt.gca())

    plt.figure(figsize=(7, 6), layout="constrained")
    drawn = charts.ranked(many, top=7)
    assert len(drawn.values.get_xdata()) == 7
    assert "and 193 more" in words(plt.gca())


def test_too_many_brackets_turn_into_one_shaded_zone():
    """The zone covers those that cannot be told apart from the first."""
    many = rank(array_of([f"Invented {place}" for place in range(40)], spread=0.02))
    plt.figure(figsize=(7, 9), layout="constrained")
    drawn = charts.ranked(many)
    shown = many.ranked[: len(drawn.values.get_xdata())]
    alike = {name for group in many.groups if shown[0] in group for name in group}

    assert not drawn.brackets
    covered = sum(zone.get_height() for zone in drawn.zones)
    assert abs(covered) == pytest.approx(sum(name in alike for name in shown))
    assert "shaded: cannot be told apart from the first" in words(plt.gca())


def test_ranked_takes_estimates_as_well(estimates, ranking):
    """Estimates are ranked on the way."""
    _, (one, two) = plt.subplots(1, 2, figsize=(14, 6), layout="constrained")
    first = charts.ranked(ranking, ax=one)
    second = charts.ranked(estimates, quantity="airflow", obstruction="open", ax=two)
    assert list(first.values.get_xdata()) == list(second.values.get_xdata())


def test_a_value_outside_its_range_does_not_move_the_range():
    """The bar runs from 24.5 to 27.0, whatever the dot at 24.13 does."""
    draws = np.linspace(24.5, 27.0, 401)
    array = xr.Dataset(
        {
            "airflow": (("model", "draw"), np.stack([draws, draws[::-1] + 4]), {"units": "fpm"}),
            "airflow_value": ("model", [24.13, 29.7]),
        },
        coords={"model": ["Skewed", "Other"]},
    )
    made = rank(array, probability=0.9999)
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.ranked(made)
    assert ends_of(drawn.totals)[1] == pytest.approx((24.5, 27.0), abs=0.01)
    assert drawn.values.get_xdata()[1] == 24.13
    saved()


@pytest.mark.parametrize(
    ("size", "layout", "count"),
    [(SIZES[0], None, 12), (SIZES[1], None, 1), (SIZES[1], "constrained", 12),
     (SIZES[0], "tight", 12), (SIZES[0], "constrained", 1)],
)  # fmt: skip
def test_ranked_draws_without_a_warning_at_any_size(size, layout, count):
    """One model and twelve; any layout, phone width included."""
    plt.figure(figsize=size, layout=layout)
    drawn = charts.ranked(rank(array_of([f"Model {k}" for k in range(count)])))
    saved()
    assert len(drawn.values.get_xdata()) <= count
    assert plt.gcf().get_size_inches() == pytest.approx(size)


def test_nothing_to_rank_still_saves_and_says_why():
    """All models without an estimate: their reasons are what is drawn."""
    array = xr.Dataset(
        {
            "airflow": (("model", "draw"), np.full((3, 50), np.nan), {"units": "fpm"}),
            "airflow_value": ("model", np.full(3, np.nan)),
        },
        coords={"model": ["A", "B", "C"], "status": ("model", ["at the room's floor"] * 3)},
    )
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.ranked(rank(array))
    saved()
    assert drawn.bands is None
    assert "no place: at the room's floor" in words(plt.gca())


def test_panels_draw_one_obstruction_each(estimates):
    """Three obstructions, three panels, each with its own order."""
    estimates = estimates.isel(obstruction=slice(3))
    plt.figure(figsize=(10, 9))
    drawn = charts.ranked_panels(estimates, quantity="airflow")
    axes = plt.gcf().axes
    assert len(drawn) == len(axes) == 3
    for name, ax in zip(estimates["obstruction"].values, axes, strict=True):
        assert f"obstruction: {name}" in words(ax)
    saved()


def test_panels_refuse_too_few_axes_and_estimates_without_obstructions(estimates):
    """The message says what is missing."""
    ax = plt.gca()
    with pytest.raises(FanstatsError, match=r"`axes` must hold one a panel \(4: open"):
        charts.ranked_panels(estimates, quantity="airflow", axes=[ax])
    with pytest.raises(FanstatsError, match="must hold obstructions"):
        charts.ranked_panels(xr.Dataset({"airflow": array_of(["A", "B"])}))


# Names


HARD = ["$x_1$ & <Fan> 5%", "_hidden #2", "Gust $5", "a^b_{c} \\ $$", "Fan \u00b5-\u00e9"]


def test_names_are_drawn_literally_in_svg(ranking):
    """Markup, dollars and underscores reach the file as they are."""
    for size in ((9, 6), (3.6, 6)):
        with mpl.rc_context({"svg.fonttype": "none"}):
            plt.figure(figsize=size, layout="constrained")
            charts.ranked(rank(array_of(HARD)))
            root = ET.fromstring(saved("svg"))
        text = "\n".join("".join(node.itertext()) for node in root.iter() if "text" in node.tag)
        for name in HARD:
            assert name in text


def test_hard_names_stand_in_every_legend():
    """A name that starts with an underscore is not lost from the legend of curves."""
    tables = [power_law_rows(name, level_at_900=33 + k) for k, name in enumerate(HARD[:3])]
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.5), airflow=fs.standard("1 %")))
    made = noise_airflow_band(
        readings(*tables), [33.0, 36.0], bench=bench, obstruction="none", draws=100, rng=1
    )
    with mpl.rc_context({"svg.fonttype": "none"}):
        plt.figure(figsize=(7, 5), layout="constrained")
        charts.noise_airflow(made, scopes="model")
        root = ET.fromstring(saved("svg"))
    text = "\n".join("".join(node.itertext()) for node in root.iter() if "text" in node.tag)
    for name in HARD[:3]:
        assert f"{name} (1 tested)" in text


# Curves


@pytest.mark.parametrize(("level", "missing"), [(32.0, []), (26.2, ["lower"]), (37.0, ["upper"])])
def test_a_band_at_one_level_is_that_of_equal_noise(level, missing):
    """With the same pooled figures, value and ends are those of `equal_noise` and `summary`."""
    table, bench = fs.demo.readings(), fs.demo.bench()
    estimates = fs.equal_noise(table, level, bench=bench, draws=300, rng=3)
    made = noise_airflow_band(
        table, [30.0, level], bench=bench, models=["Sorrelby N1", "Ombrel Sill"],
        obstruction="dust pad", draws=300, rng=3, pooled=estimates.attrs["pooled"],
    )  # fmt: skip

    rows = fs.summary(estimates)
    rows = rows[(rows["quantity"] == "airflow") & (rows["obstruction"] == "dust pad")]
    ends = made["airflow"].sel(level=level, model="Ombrel Sill", scope="model")
    assert list(ends["bound"].to_numpy()[np.isnan(ends)]) == missing
    for scope in ("tested unit", "model", "next unit"):
        for name in ("Sorrelby N1", "Ombrel Sill"):
            row = rows[(rows["scope"] == scope) & (rows["model"] == name)].iloc[0]
            here = made.sel(scope=scope, model=name, level=level)
            np.testing.assert_array_equal(here["airflow_value"], row["value"])
            np.testing.assert_array_equal(here["airflow"], [row["low"], row["high"]])


def test_a_band_without_a_known_room_still_rests_on_the_whole_table():
    """The quietest reading of a session bounds its room, whatever model it is of."""
    quiet = power_law_rows("Quiet", room=None, level_at_900=18.0)
    loud = power_law_rows("Loud", room=None, level_at_900=33.0)
    table = readings(quiet, loud)
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.5), airflow=0))
    estimates = fs.equal_noise(table, 34.0, bench=bench, draws=200, rng=3)
    made = noise_airflow_band(
        table, [34.0], bench=bench, models="Loud", obstruction="none", draws=200, rng=3,
        pooled=estimates.attrs["pooled"],
    )  # fmt: skip
    own = estimates["airflow"].sel(model="Loud", obstruction="none", scope="model")
    assert np.isfinite(own).all()
    np.testing.assert_array_equal(
        made["airflow"].sel(model="Loud", scope="model", level=34.0),
        np.quantile(own, [(1 - 0.95) / 2, 1 - (1 - 0.95) / 2]),
    )


def test_measured_steps_stand_in_the_reference_room():
    """A step read in a louder room is moved to where it would be read in the reference room."""
    one = power_law_rows("A", session="one", room=25.0)
    two = power_law_rows("B", session="two", room=31.0)
    made = noise_airflow_band(
        readings(one, two), [34.0], bench=fs.Bench(), obstruction="none", draws=100, rng=1
    )
    level = made["step_noise"].to_numpy()
    model = made["step_model"].to_numpy()
    np.testing.assert_allclose(level[model == "A"], level[model == "B"], atol=1e-9)
    usable = made["step_usable"].to_numpy()
    assert usable[model == "A"].sum() > usable[model == "B"].sum()


def test_every_scope_has_a_band_that_contains_the_curve(band):
    """Drawn edges enclose the drawn curve, and wider scopes have wider bands."""
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(band, scopes=SCOPES)
    widths = []
    for scope in ("tested unit", "model", "next unit"):
        low, high = drawn.ranges["Ombrel Sill", scope].edges
        shared = np.intersect1d(low.get_xdata(), high.get_xdata())
        below = np.interp(shared, low.get_xdata(), low.get_ydata())
        above = np.interp(shared, high.get_xdata(), high.get_ydata())
        curve = drawn.curves["Ombrel Sill"][0]
        value = np.interp(shared, curve.get_xdata(), curve.get_ydata())
        assert ((below < value) & (value < above)).all()
        widths.append((above - below)[len(shared) // 2])
    assert widths == sorted(widths)


def test_a_curve_has_one_band_unless_more_are_asked_for(band):
    """By default that of the typical ones, named once; of this sample where spread is unknown."""
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(band)
    assert {scope for _, scope in drawn.ranges} == {"model"}
    assert words(plt.gca()).count("95 times in 100") == 1
    assert "one edge alone: the other is not covered by data" in words(plt.gca())

    unknown = band.copy(deep=True)
    unknown["airflow"].loc[{"scope": ["model", "next unit"]}] = np.nan
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(unknown)
    assert {scope for _, scope in drawn.ranges} == {"tested unit"}
    assert "this sample: range, 95 times in 100" in words(plt.gca())


def test_of_many_curves_the_best_are_named_and_the_others_are_thin(band):
    """Of 200 models up to six get a colour, those with the most air; no bands, and it says so."""
    names = [f"Invented {k}" for k in range(200)]
    many = band.isel(model=[0] * 200).assign_coords(model=names)
    more = xr.DataArray(1 + 0.01 * np.arange(200), dims="model")
    many["airflow_value"] = (many["airflow_value"] * more).assign_attrs(many["airflow_value"].attrs)
    for size in SIZES:
        plt.figure(figsize=size, layout="constrained")
        drawn = charts.noise_airflow(many)
        named = sum(bool(lines) for lines in drawn.curves.values())
        assert 3 <= named <= 6
        assert f"Invented {199}" in drawn.curves
        assert f"Invented {199 - named}" not in drawn.curves
        assert len(drawn.others) == 200 - named
        assert f"{200 - named} more models" in words(plt.gca())
        assert "no ranges: too many curves" in words(plt.gca())
        assert not drawn.ranges
        saved()


def test_the_curve_chart_says_scopes_units_and_probability(band):
    """Scopes are in the reader's words, each with its probability."""
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(band, scopes=SCOPES)
    said = words(plt.gca())
    for scope in ("this sample", "the typical one", "the one you would buy"):
        assert f"{scope}: range, 95 times in 100" in said
    assert "airflow (m/s)" in said
    assert "noise (dBA), room included" in said
    assert "Ombrel Sill (3 tested)" in said
    assert len(drawn.steps["Ombrel Sill"][0].get_xdata()) > 6


def test_models_differ_by_more_than_colour(band):
    """Marker and line style go with each colour, and edges of scopes differ too."""
    styles = [_axes.MARKERS, [str(dash) for dash in _axes.DASHES]]
    for series in (_axes.ON_LIGHT, _axes.ON_DARK):
        assert {len(set(style)) for style in styles} == {len(series)}
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(band, scopes=SCOPES)
    marks = {lines[0].get_marker() for lines in drawn.steps.values()}
    assert len(marks) == 2
    edges = {str(ranges.edges[0]._unscaled_dash_pattern) for ranges in drawn.ranges.values()}
    assert len(edges) == 3


def test_drawing_changes_nothing_in_the_dataset(band):
    """What is drawn is a copy."""
    before = band.copy(deep=True)
    plt.figure(figsize=(7, 5), layout="constrained")
    charts.noise_airflow(band)
    xr.testing.assert_identical(before, band)


def test_vertices_are_finite_and_gaps_stay_gaps(band):
    """A level without an estimate in the middle leaves a gap in curve and band."""
    holed = band.copy(deep=True)
    for name in ("airflow", "airflow_value"):
        holed[name].loc[{"level": slice(31.0, 32.0)}] = np.nan
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(holed, "Ombrel Sill", scopes="model")
    saved()
    assert np.isfinite(every_vertex(plt.gca())).all()
    assert len(drawn.curves["Ombrel Sill"]) == 2
    assert len(drawn.ranges["Ombrel Sill", "model"].fills) == 2


def test_no_estimate_at_all_says_why(band):
    """With every value missing the steps remain; without steps the reason stands there."""
    empty = band.copy(deep=True)
    empty["airflow"][:] = np.nan
    empty["airflow_value"][:] = np.nan
    empty["airflow_status"][:] = "at the room's floor"
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(empty)
    assert not drawn.ranges
    assert drawn.missing is None

    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.noise_airflow(empty.isel(step=slice(0)))
    assert "at the room's floor" in drawn.missing.get_text().replace("\n", " ")
    saved()


def test_curves_refuse_what_is_not_there(band):
    """Each message names the argument and lists what may stand there."""
    with pytest.raises(FanstatsError, match="`scopes` must be one of 'tested unit', 'model'"):
        charts.noise_airflow(band, scopes="units")
    with pytest.raises(FanstatsError, match="`models` must be one of 'Ombrel Sill'"):
        charts.noise_airflow(band, "Nobody")
    with pytest.raises(FanstatsError, match="`bench` must be given with readings"):
        charts.noise_airflow(fs.demo.readings())
    with pytest.raises(FanstatsError, match="`obstruction` must be one of 'open'"):
        noise_airflow_band(fs.demo.readings(), [33.0], bench=fs.demo.bench())
    with pytest.raises(FanstatsError, match="`levels` must hold finite noise levels"):
        noise_airflow_band(
            fs.demo.readings(), [np.nan], bench=fs.demo.bench(), obstruction="open", draws=100
        )


# Differences


def test_a_difference_is_settled_where_its_range_leaves_equal_out(gap):
    """The settled levels are those at which, from one end on, every range has one sign."""
    lower = gap["ratio"].sel(bound="lower").to_numpy()
    assert (lower[np.isfinite(lower)] > 1).all()
    assert gap.attrs["settled_from"] == gap["level"].to_numpy()[np.isfinite(lower)].min()
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.difference(gap)
    assert len(drawn.settled) == 1
    assert "range, 95 times in 100" in words(plt.gca())
    assert "more air (%)" in words(plt.gca())
    saved()


def test_a_run_of_settled_levels_stops_at_the_first_that_is_not():
    """Levels beyond an unsettled one do not count, from either end."""
    from fanstats.decisions.curve_bands import _settled

    grid = np.arange(30.0, 36.0)
    limits = np.array(
        [[0.1, 0.3], [0.1, 0.3], [-0.1, 0.3], [0.1, 0.3], [-0.1, 0.2], [np.nan, np.nan]]
    )
    start, stop = _settled(grid, limits)
    assert np.isnan(start)
    assert stop == 31.0
    assert _settled(grid, -limits[:, ::-1])[1] == 31.0
    start, _ = _settled(grid, limits[:4])
    assert start == 33.0
    assert np.isnan(_settled(grid, np.full((6, 2), np.nan))).all()
    flips = np.array([[0.1, 0.2], [0.1, 0.2], [-0.2, -0.1]])
    assert _settled(grid[:3], flips) == (32.0, 31.0)


def test_a_ratio_at_one_level_is_that_of_compare():
    """Chosen before and from the chart: limits as `compare` gives them for the same draws."""
    table, bench = fs.demo.readings(), fs.demo.bench()
    estimates = fs.equal_noise(table, 33.0, bench=bench, draws=300, rng=3)
    pair = "Pellwick 80 Mild", "Sorrelby N1"
    for chosen in ("before", "from the chart"):
        made = difference_band(
            table, *pair, [33.0], bench=bench, obstruction="open", chosen=chosen, draws=300,
            rng=3, pooled=estimates.attrs["pooled"],
        )  # fmt: skip
        ratio = fs.compare(
            estimates, *pair, quantity="airflow", obstruction="open", chosen=chosen
        ).ratio
        assert float(made["ratio_value"][0]) == pytest.approx(ratio.value, rel=1e-12)
        assert made["ratio"][0].to_numpy() == pytest.approx([ratio.low, ratio.high], rel=1e-9)


def test_an_end_of_a_difference_that_rests_on_uncovered_draws_is_missing():
    """Near the quiet end of one and the loud end of the other, on the side that it touches."""
    table, bench = fs.demo.readings(), fs.demo.bench()
    one = {"bench": bench, "obstruction": "open", "chosen": "before", "draws": 300, "rng": 3}
    levels = [26.9, 31.0, 34.9]
    made = difference_band(table, "Varnost Lull", "Wexcombe Pale", levels, **one)
    turned = difference_band(table, "Wexcombe Pale", "Varnost Lull", levels, **one)

    assert np.isfinite(made["ratio_value"]).all()
    assert np.isnan(made["ratio"]).to_numpy().tolist() == [
        [False, True], [False, False], [False, True],
    ]  # fmt: skip
    np.testing.assert_allclose(
        turned["ratio"].to_numpy()[:, ::-1], 1 / made["ratio"].to_numpy(), rtol=1e-9
    )


def test_an_unknown_spread_leaves_a_difference_empty_and_says_so():
    """With nobody's spread stated the typical ones cannot be compared; the chart says which."""
    made = difference_band(
        readings(power_law_rows("A"), power_law_rows("B", level_at_900=34.0)), "A", "B", [34.0],
        bench=fs.Bench(), obstruction="none", draws=100, rng=1,
    )  # fmt: skip
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.difference(made)
    saved()
    assert drawn.ranges is None
    assert "spread not stated" in drawn.missing.get_text().replace("\n", " ")


def test_differences_refuse_other_tables(gap):
    """A wrong table or a model against itself is named."""
    with pytest.raises(FanstatsError, match="`band` must be what `difference_band` returns"):
        charts.difference(gap.drop_vars("ratio_value"))
    with pytest.raises(FanstatsError, match="`second` must be another model"):
        difference_band(fs.demo.readings(), "Ombrel Sill", "Ombrel Sill", bench=fs.demo.bench())
    with pytest.raises(FanstatsError, match="it lacks difference, low, high, verdict"):
        charts.what_if(pd.DataFrame({"noise": [0.5]}))


def test_what_if_tells_verdicts_apart_without_colour(estimates):
    """Full, half and empty dots; the turning point is a line; an end not covered is left open."""
    table = fs.what_if(
        estimates, "Varnost Lull", "Wexcombe Pale", quantity="airflow", obstruction="open",
        noise=[0.0, 0.5, 2.0, 3.0, 6.0],
    )  # fmt: skip
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.what_if(table, units="m/s", probability=0.95)
    saved()
    assert set(drawn.values) == set(table["verdict"])
    looks = {(line.get_fillstyle(), line.get_markerfacecolor()) for line in drawn.values.values()}
    assert len(looks) == len(drawn.values) == 3
    assert drawn.turns.get_xdata()[0] == pytest.approx(table.attrs["changes_at"])
    assert "difference (m/s)" in words(plt.gca())
    low, high = table["low"].to_numpy(), table["high"].to_numpy()
    assert np.isnan(low).tolist() == [False] * 4 + [True]
    assert np.isnan(high).tolist() == [False] * 2 + [True] * 3
    bars = segments(drawn.ranges.lines)
    assert bars[:, 0, 1] == pytest.approx(low[:4])
    assert bars[:2, 1, 1] == pytest.approx(high[:2])
    assert sum(len(tip.get_xdata()) for tip in drawn.ranges.open_ends) == 2


# Pairs, ranks, budgets, samples


def test_pair_chances_are_a_full_square_in_the_order_asked(ranking):
    """Rows and columns follow the user's order; the diagonal is empty."""
    order = ["Wexcombe Pale", "Varnost Lull", "Ombrel Sill"]
    plt.figure(figsize=(6, 6), layout="constrained")
    drawn = charts.pair_chances(ranking, order=order)
    cells = drawn.mesh.get_array()
    wanted = ranking.pair_chances.sel(model=order, other=order).to_numpy()
    assert np.ma.getmaskarray(cells)[np.diag_indices(3)].all()
    off = ~np.eye(3, dtype=bool)
    assert np.asarray(cells)[off] == pytest.approx(wanted[off])
    labels = [label.get_text() for label in plt.gca().get_yticklabels()]
    assert labels == order
    assert "that the row's typical sample moves more air" in words(plt.gca())
    assert len(drawn.texts) == 6
    saved()


def test_pair_chances_need_a_pair_and_known_models(ranking):
    """One model says so; an unknown one is refused."""
    plt.figure(figsize=(5, 4), layout="constrained")
    drawn = charts.pair_chances(rank(array_of(["Alone"])))
    assert drawn.mesh is None
    assert "two models" in drawn.missing.get_text()
    with pytest.raises(FanstatsError, match="`order` must name ranked models"):
        charts.pair_chances(ranking, order=["Fennimoor Gust"])
    with pytest.raises(FanstatsError, match="`ranking` must be what `rank` returns; got int"):
        charts.rank_intervals(3)


@pytest.mark.parametrize("size", [(7, 5), (3.6, 4.6)])
def test_of_many_models_the_best_have_cells_and_rows(size):
    """Of 200 models those that can be read are drawn; the others are counted in words."""
    many = rank(array_of([f"Invented {place}" for place in range(200)], spread=0.02))
    plt.figure(figsize=size, layout="constrained")
    drawn = charts.pair_chances(many)
    count = drawn.mesh.get_array().shape[0]
    assert 5 <= count <= 30
    assert len(drawn.texts) == count * (count - 1)
    assert f"the first {count} of 200 models" in words(plt.gca())
    named = [label.get_text() for label in plt.gca().get_yticklabels()]
    assert set(named) == set(many.ranked[:count])

    plt.figure(figsize=size, layout="constrained")
    shown = len(charts.rank_intervals(many).places.get_xdata())
    assert 5 <= shown <= 40
    assert f"and {200 - shown} more" in words(plt.gca())
    assert len(charts.rank_intervals(many, top=4, ax=plt.figure().gca()).places.get_xdata()) == 4


def test_rank_intervals_cover_every_rank_of_the_range(ranking):
    """A range from 2 to 4 reaches over the columns of 2, 3 and 4 and no others."""
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = charts.rank_intervals(ranking)
    table = ranking.table[ranking.table["place"].notna()]
    for row, (low, high) in enumerate(zip(table["rank_low"], table["rank_high"], strict=True)):
        start, stop = ends_of(drawn.ranges)[row]
        covered = [rank for rank in range(1, 11) if start <= rank <= stop]
        assert covered == list(range(low, high + 1))
    assert "range of ranks, 95 times in 100" in words(plt.gca())
    saved()


def test_a_budget_keeps_large_sources_and_folds_small_ones():
    """Shares are drawn largest first, small ones as one row; the combined row is no source."""
    table = pd.DataFrame(
        {
            "component": ["small 1", "luck", "meter", "small 2", "u_c"],
            "share": [0.004, 0.7, 0.29, 0.006, 1.0],
        }
    )
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.budget_shares(table)
    assert list(drawn.shares.get_xdata()) == pytest.approx([0.7, 0.29, 0.01])
    assert "2 more, together" in words(plt.gca())
    with pytest.raises(FanstatsError, match="`table` must have"):
        charts.budget_shares(table.drop(columns="share"))
    with pytest.raises(FanstatsError, match=r"`share` must not be negative; got -0\.7"):
        charts.budget_shares(table.assign(share=-table["share"]))


def test_samples_stand_where_they_differ_from_their_model():
    """Every sample of a model with several is a point at its deviation, in its unit."""
    estimate = unit_spread(fs.demo.readings(), fs.demo.bench())
    kind = "airflow at a given speed"
    plt.figure(figsize=(7, 4), layout="constrained")
    drawn = charts.unit_scatter(estimate, kind)
    table = estimate.deviations.query("kind == @kind")
    found = np.concatenate([line.get_xdata() for line in drawn.units])
    assert sorted(found) == pytest.approx(sorted(100 * table["deviation"]))
    assert "(%)" in words(plt.gca())
    assert "95 times in 100" in words(plt.gca())
    with pytest.raises(FanstatsError, match="`kind` must be one of 'noise at a given speed'"):
        charts.unit_scatter(estimate, "luck")


def test_a_model_with_one_sample_has_no_row():
    """A single sample measured on two days does not differ from its mean; asked for, it stands."""
    estimate = unit_spread(fs.demo.readings(), fs.demo.bench())
    table = estimate.deviations
    lone = pd.DataFrame(
        [{"kind": table["kind"].iloc[0], "model": "Lone", "unit": "1", "deviation": 0.0, "u": 0.1}]
    )
    more = dataclasses.replace(estimate, deviations=pd.concat([lone, table]))
    plt.figure(figsize=(7, 4), layout="constrained")
    charts.unit_scatter(more)
    assert "Lone" not in words(plt.gca())
    plt.figure(figsize=(7, 4), layout="constrained")
    charts.unit_scatter(more, models=["Lone"])
    assert "Lone" in words(plt.gca())


def test_of_many_models_with_several_samples_the_first_are_drawn():
    """Rows stay as high as their samples need; the other models are counted."""
    estimate = unit_spread(fs.demo.readings(), fs.demo.bench())
    kind = estimate.deviations["kind"].iloc[0]
    rows = [
        {"kind": kind, "model": f"Invented {k}", "unit": unit, "deviation": 0.1 * k - 5, "u": 0.1}
        for k in range(100)
        for unit in "ABC"
    ]
    many = dataclasses.replace(estimate, deviations=pd.DataFrame(rows))
    for size in SIZES:
        plt.figure(figsize=size, layout="constrained")
        drawn = charts.unit_scatter(many)
        shown = len(drawn.units)
        assert 4 <= shown <= 20
        assert f"and {100 - shown} more models" in words(plt.gca())
        saved()
    none = dataclasses.replace(estimate, deviations=estimate.deviations.iloc[:0])
    plt.figure(figsize=SIZES[1], layout="constrained")
    assert "no model with several samples" in charts.unit_scatter(none).missing.get_text()


# Ranges added to any chart


def test_a_band_below_zero_is_cut_at_the_floor_of_a_log_axis():
    """Lower ends -3, -1, 5: cut where they pass the floor, noted, and the data stay."""
    x, low = np.array([5.0, 7.0, 12.0]), np.array([-3.0, -1.0, 5.0])
    high = np.array([13.0, 13.0, 13.0])
    _, ax = plt.subplots()
    ax.plot(x, [5.0, 6.0, 9.0])
    ax.set_yscale("log")
    drawn = charts.add_ranges(ax, x, low, high, probability=0.95)
    saved()

    floor = ax.get_ylim()[0]
    vertices = drawn.fills[0].get_paths()[0].vertices
    assert drawn.cut
    assert np.isfinite(vertices).all()
    assert vertices[:, 1].min() == pytest.approx(floor)
    assert vertices[:, 1].max() == 13.0
    # The lower end runs straight from -1 at 7 to 5 at 12; the floor cuts it there, not at 7.
    crossing = 7.0 + 5.0 * (floor + 1.0) / 6.0
    assert np.isclose(vertices[:, 0], crossing).any()
    assert "cut off at the axis" in words(ax)
    assert low.tolist() == [-3.0, -1.0, 5.0]


def test_a_missing_end_leaves_a_gap_and_single_points_get_bars():
    """Two whole points apart become bars; none of the vertices is NaN or 0."""
    _, ax = plt.subplots()
    drawn = charts.add_ranges(
        ax, [5, 7, 9, 12], [23, np.nan, 30, 36], [25, 29, np.nan, 38], probability=0.95
    )
    saved()
    assert not drawn.fills
    assert sorted(map(tuple, segments(drawn.bars.lines)[:, :, 1])) == [(23, 25), (36, 38)]
    vertices = every_vertex(ax)
    assert np.isfinite(vertices).all()
    assert (vertices[:, 1] > 0).all()


def test_a_one_sided_range_reaches_its_value_and_stays_open():
    """With a value plotted the bar goes from the known end to it, with a tip beyond."""
    _, ax = plt.subplots()
    drawn = charts.add_ranges(
        ax, [1, 2, 3], [1.0, np.nan, np.inf], [np.inf, 4.0, np.nan], value=[2.0, 3.0, 5.0],
        kind="bars",
    )  # fmt: skip
    saved()
    assert sorted(map(tuple, segments(drawn.bars.lines)[:, :, 1])) == [(1, 2), (3, 4)]
    assert sum(len(tip.get_xdata()) for tip in drawn.bars.open_ends) == 2


def test_ranges_stand_out_from_bars():
    """On a bar chart they take the ink of its text; on points, or if told so, a colour."""
    _, (bars, points) = plt.subplots(1, 2)
    bars.bar(["A", "B"], [24.0, 25.0])
    points.plot(["A", "B"], [24.0, 25.0], "o")
    ends = ["A", "B"], [23.0, 24.0], [25.0, 26.0]
    on_bars = charts.add_ranges(bars, *ends, kind="bars")
    on_points = charts.add_ranges(points, *ends, kind="bars")
    told = charts.add_ranges(bars, *ends, kind="bars", color="tab:red")
    inks = [to_hex(drawn.bars.lines.get_color()[0]) for drawn in (on_bars, on_points, told)]
    assert inks[0] == to_hex(plt.rcParams["text.color"])
    assert len(set(inks)) == 3


def test_a_range_need_not_contain_its_value():
    """A bar from 24.5 to 27.0 beside a value of 24.13 raises nothing and is not lengthened."""
    _, ax = plt.subplots()
    ax.plot(["A", "B"], [24.13, 25.0], "o")
    drawn = charts.add_ranges(
        ax, ["A", "B"], [24.5, np.nan], [27.0, np.nan], value=[24.13, 25.0], kind="bars"
    )
    saved()
    assert segments(drawn.bars.lines)[:, :, 1].tolist() == [[24.5, 27.0]]


def test_a_band_keeps_the_legend_that_stands_there():
    """Entries, title and place of somebody's legend stay; the band is one entry more."""
    _, ax = plt.subplots()
    ax.plot([5, 7, 12], [210, 330, 540], label="hidden from the legend")
    (shown,) = ax.plot([5, 7, 12], [110, 230, 440])
    before = ax.legend([shown], ["my own words"], title="mine", loc="lower right")
    corner = before._loc
    charts.add_ranges(ax, [5, 7, 12], [200, 318, 520], [220, 342, 560], probability=0.95)
    saved()

    legend = ax.get_legend()
    assert [text.get_text() for text in legend.get_texts()] == [
        "my own words", "range, 95 times in 100",
    ]  # fmt: skip
    assert legend.get_title().get_text() == "mine"
    assert legend._loc == corner


def test_bands_in_a_loop_name_every_curve():
    """A legend that a band made takes in the curves drawn after it."""
    _, ax = plt.subplots()
    for name in ("A", "B"):
        ax.plot([1, 2, 3], [1, 2, 3], label=name)
        charts.add_ranges(ax, [1, 2, 3], [0, 1, 2], [2, 3, 4], label=f"{name}, typical")
    said = [text.get_text() for text in ax.get_legend().get_texts()]
    assert said == ["A", "A, typical: range", "B", "B, typical: range"]


def test_all_missing_draws_nothing_and_saves():
    """No range at all: no artist, no legend, no warning."""
    for kind in ("band", "bars"):
        _, ax = plt.subplots()
        drawn = charts.add_ranges(ax, [1, 2], [np.nan] * 2, [np.nan] * 2, kind=kind)
        saved()
        assert not drawn.fills
        assert drawn.bars.lines is None
        assert ax.get_legend() is None


def test_points_are_joined_in_order_of_x():
    """The order of the rows plays no part in the band."""
    shapes = []
    for order in ([0, 1, 2], [2, 0, 1]):
        _, ax = plt.subplots()
        x, low, high = np.array([[5.0, 7.0, 12.0], [1, 2, 3], [2, 4, 6]])[:, order]
        shapes.append(charts.add_ranges(ax, x, low, high).fills[0].get_paths()[0].vertices)
    np.testing.assert_array_equal(*shapes)


def test_ranges_refuse_wrong_arrays():
    """Lengths, ends the wrong way round and percentages are named."""
    ax = plt.gca()
    with pytest.raises(FanstatsError, match=r"`high` must have one number a point of `x` \(2\)"):
        charts.add_ranges(ax, [1, 2], [1, 2], [3])
    with pytest.raises(FanstatsError, match=r"got 5 above 2 at point 1 \(1 in all\)"):
        charts.add_ranges(ax, [1, 2], [1, 5], [3, 2])
    with pytest.raises(FanstatsError, match="`probability` must be a fraction"):
        charts.add_ranges(ax, [1], [1], [2], probability=95)
    with pytest.raises(FanstatsError, match="`kind` must be one of 'band', 'bars'"):
        charts.add_ranges(ax, [1], [1], [2], kind="cloud")


# Colours


def luminance(colour):
    rgb = np.array(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return linear @ [0.2126, 0.7152, 0.0722]


def contrast(one, other):
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


# Machado, Oliveira and Fernandes (2009), IEEE TVCG 15(6), 1291-1298, severity 1.0.
SIGHT = {
    "normal": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def lab(colours, sight):
    """CIE L*a*b* (D65) of sRGB colours as somebody sees them."""
    rgb = np.array([to_rgb(colour) for colour in colours])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(sight).T, 0, 1)
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    xyz = seen @ np.array(to_xyz).T / [0.9505, 1.0, 1.089]
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize(("series", "paper"), [("ON_LIGHT", "white"), ("ON_DARK", "#1a1a1e")])
def test_colours_of_models_can_be_told_apart(series, paper, sight):
    """Any two differ by 25 or more in L*a*b* to any eye, and each by 3:1 from its paper."""
    colours = getattr(_axes, series)
    points = lab(colours, SIGHT[sight])
    apart = np.linalg.norm(points[:, None] - points, axis=-1)
    assert apart[~np.eye(len(colours), dtype=bool)].min() >= 25
    assert min(contrast(colour, paper) for colour in colours) >= 3.0


@pytest.mark.parametrize("paper", ["white", "#f3ead8", "#222222", "black", "none"])
@pytest.mark.parametrize("text", ["black", "white", "#888888"])
def test_ink_can_be_read_on_any_paper(paper, text):
    """Ink has 4.5:1 on the paper, faint text 3:1, whatever the settings say."""
    with mpl.rc_context({"text.color": text, "axes.facecolor": paper, "figure.facecolor": paper}):
        _, ax = plt.subplots()
        inks = _axes.inks_for(ax)
        assert contrast(inks.ink, inks.paper) >= 4.5
        assert contrast(inks.faint, inks.paper) >= 3.0
        plt.close()


@pytest.mark.parametrize("style", ["default", "dark_background"])
def test_every_chart_draws_on_light_and_dark_without_a_warning(
    estimates, ranking, band, gap, style
):
    """At phone width and wide, with the text colour of the style readable on its paper."""
    table = fs.what_if(
        estimates, "Varnost Lull", "Wexcombe Pale", quantity="airflow", obstruction="open",
        noise=[0.0, 1.0],
    )  # fmt: skip
    draw = [
        lambda ax: charts.ranked(ranking, ax=ax),
        lambda ax: charts.noise_airflow(band, ax=ax),
        lambda ax: charts.difference(gap, ax=ax),
        lambda ax: charts.what_if(table, ax=ax),
        lambda ax: charts.pair_chances(ranking, ax=ax),
        lambda ax: charts.rank_intervals(ranking, ax=ax),
    ]
    with warnings.catch_warnings(), plt.style.context(style):
        warnings.simplefilter("error")
        for chart in draw:
            _, ax = plt.subplots(figsize=(3.6, 4.4), layout="constrained")
            chart(ax)
            saved()
            plt.close()


def test_charts_draw_into_the_current_axes_by_default(ranking):
    """No axes given: the current ones are used, and no figure is made."""
    _, (one, two) = plt.subplots(1, 2, figsize=(12, 5))
    plt.sca(one)
    charts.ranked(ranking)
    assert one.collections
    assert not two.collections
    assert len(plt.get_fignums()) == 1
