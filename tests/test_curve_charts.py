"""Charts of one quantity over another, with a band along the whole curve."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest

import fanstats as fs
from tests.tables import power_law_rows, readings

SCOPES = ["tested unit", "model", "next unit"]
NAMES = ["Ombrel Sill", "Wexcombe Pale"]


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


@pytest.fixture(scope="module")
def bands():
    """Four pairs of quantities, by (of, over)."""
    pairs = (("airflow", "noise", "open"), ("noise", "speed", None),
             ("temperature_rise", "noise", None), ("airflow", "speed", "open"))  # fmt: skip
    return {
        (of, over): fs.curve_band(fs.demo.readings(), of=of, over=over, bench=fs.demo.bench(),
                               models=NAMES, obstruction=behind, draws=200, rng=1)
        for of, over, behind in pairs
    }  # fmt: skip


def drawn_in(band, **more):
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = fs.charts.curve(band, **more)
    plt.gcf().canvas.draw()
    return drawn, plt.gca()


@pytest.mark.parametrize(
    ("pair", "x", "y", "title"),
    [
        (("airflow", "noise"), "noise (dBA), room included", "airflow (m/s)", "Airflow over noise"),
        (("noise", "speed"), "speed (rpm)", "noise (dBA), room included", "Noise over speed"),
        (("temperature_rise", "noise"), "noise (dBA), room included", "temperature rise (K)",
         "Temperature rise over noise"),
        (("airflow", "speed"), "speed (rpm)", "airflow (m/s)", "Airflow over speed"),
    ],
)  # fmt: skip
def test_axes_say_what_runs_over_what(bands, pair, x, y, title):
    """With units as a reader knows them, and whether the room is in the level."""
    _, ax = drawn_in(bands[pair])

    assert ax.get_xlabel().replace("\n", " ") == x
    assert ax.get_ylabel().replace("\n", " ") == y
    assert ax.get_title(loc="left").startswith(title)


def test_one_band_a_curve_by_default_and_it_is_the_simultaneous_one(bands):
    """That of the typical one; where it is unknown, that of this sample."""
    band = bands["airflow", "noise"]
    drawn, _ = drawn_in(band)
    pointwise, _ = drawn_in(band, simultaneous=False)

    assert set(drawn.ranges) == {(name, "model") for name in NAMES}
    said = [text.get_text().replace("\n", " ") for text in drawn.legend.get_texts()]
    assert "the typical one: range along the whole curve, 95 times in 100" in said
    assert "one edge alone: the other is not covered by data" in said
    assert "the typical one: range, 95 times in 100" in [
        text.get_text().replace("\n", " ") for text in pointwise.legend.get_texts()
    ]
    expected = band["airflow_simultaneous"].sel(model="Ombrel Sill", scope="model", bound="lower")
    low = drawn.ranges["Ombrel Sill", "model"].edges[0]
    assert low.get_ydata() == pytest.approx(expected.dropna("level").to_numpy())
    rise, _ = drawn_in(bands["temperature_rise", "noise"])
    assert set(rise.ranges) == {(name, "tested unit") for name in NAMES}


def test_nothing_drawn_lies_under_the_legend(bands):
    """Neither where curves rise nor where they fall."""
    for band in bands.values():
        drawn, ax = drawn_in(band)
        box = drawn.legend.get_window_extent().transformed(ax.transData.inverted())
        lines = [line for part in drawn.curves.values() for line in part]
        lines += [edge for part in drawn.ranges.values() for edge in part.edges]
        for line in lines:
            x, y = np.asarray(line.get_xdata()), np.asarray(line.get_ydata())
            assert not ((x > box.x0) & (x < box.x1) & (y > box.y0) & (y < box.y1)).any()


def test_what_is_no_band_is_refused(bands):
    """The message names what may stand there."""
    with pytest.raises(fs.FanstatsError, match="`band` must be what `curve_band` returns"):
        fs.charts.curve(fs.demo.readings())
    for wrong in (None, [1.0], {"A": 1}):
        with pytest.raises(fs.FanstatsError, match="`band` must be what `curve_band` returns"):
            fs.charts.curve(wrong)
        for call in (fs.charts.difference, fs.crossing):
            with pytest.raises(fs.FanstatsError, match="must be what `difference_band` returns"):
                call(wrong)
        with pytest.raises(fs.FanstatsError, match="must be what `combine_charts` returns"):
            fs.chart_agreement(wrong)
    with pytest.raises(fs.FanstatsError, match="`scopes` must be one of"):
        fs.charts.curve(bands["noise", "speed"], scopes="units")
    with pytest.raises(fs.FanstatsError, match="`models` must be one of"):
        fs.charts.curve(bands["noise", "speed"], "Nobody")


def test_the_range_of_each_point_lies_inside_that_of_the_whole_curve(bands):
    """Both are drawn and named where one scope is; of several scopes the whole curve's alone."""
    drawn, _ = drawn_in(bands["noise", "speed"], models="Ombrel Sill")
    several, _ = drawn_in(bands["noise", "speed"], models="Ombrel Sill", scopes=SCOPES)
    pointwise, _ = drawn_in(bands["noise", "speed"], models="Ombrel Sill", simultaneous=False)

    key = ("Ombrel Sill", "model")
    (inner,) = drawn.own[key]
    expected = bands["noise", "speed"]["noise"].sel(model="Ombrel Sill", scope="model")
    corners = inner.get_paths()[0].vertices[:, 1]
    assert corners.min() == pytest.approx(expected.min())
    assert corners.max() == pytest.approx(expected.max())
    (outer,) = drawn.ranges[key].fills
    assert outer.get_paths()[0].vertices[:, 1].max() > corners.max()
    said = [text.get_text().replace("\n", " ") for text in drawn.legend.get_texts()]
    assert "the typical one: range at one point, 95 times in 100" in said
    assert not any(several.own.values())
    assert not any(pointwise.own.values())


def crossing_pair():
    """Two invented models, the second gaining on the first and passing it at 33 dBA."""
    rows = []
    for model, gain in (("A", 0.0), ("B", 0.55)):
        for row in power_law_rows(model, room=15.0):
            share = 1 + gain * np.log10(row["speed [rpm]"] / 900)
            rows.append({**row, "airflow none [fpm]": row["airflow none [fpm]"] * share})
    bench = fs.Bench(
        noise=fs.Instrument(reading=[fs.standard(0.15)], sitting=[fs.standard(0.15)]),
        airflow=fs.Instrument(reading=[fs.standard("1 %")]),
        spread=fs.UnitSpread(noise=fs.standard(0.2), airflow=fs.standard("1 %")),
    )
    return fs.difference_band(
        readings(rows), "A", "B", bench=bench, obstruction="none", draws=500, rng=1
    )


def test_the_difference_shows_where_the_curves_cross_and_the_band_of_all_levels():
    """A mark on the line of equal air, with the range that `crossing` gives; the band at once."""
    band = crossing_pair()
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = fs.charts.difference(band)

    (point,) = fs.crossing(band).points
    assert point.level == pytest.approx(33.07, abs=0.05)
    assert drawn.crossings.get_xdata().tolist() == [point.level]
    assert drawn.crossings.get_ydata().tolist() == [0.0]
    ((start, stop),) = (line[:, 0] for line in drawn.crossing_ranges.lines.get_segments())
    assert (start, stop) == (point.low, point.high)
    joint = 100 * (band["ratio_simultaneous"].sel(bound="upper") - 1)
    highest = max(line.get_ydata().max() for line in drawn.joint.edges)
    assert highest == pytest.approx(float(joint.max()))
    said = [text.get_text().replace("\n", " ") for text in drawn.legend.get_texts()]
    assert "at all levels at once: range, 95 times in 100" in said
    assert "where they cross: range, 95 times in 100" in said


def test_curves_that_do_not_cross_have_no_mark():
    """The demo's pair: one is ahead at every level."""
    band = fs.difference_band(
        fs.demo.readings(), "Varnost Lull", "Wexcombe Pale", [28, 30, 32], bench=fs.demo.bench(),
        obstruction="open", chosen="before", draws=200, rng=1,
    )  # fmt: skip
    drawn = fs.charts.difference(band)

    assert drawn.crossings is None
    assert drawn.crossing_ranges.lines is None
