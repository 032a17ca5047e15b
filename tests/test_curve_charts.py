"""Charts of one quantity over another, with a band along the whole curve."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
import pytest

import fanstats as fs
from fanstats.charts.curves import curve
from fanstats.decisions.model_curves import curve_band

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
        (of, over): curve_band(fs.demo.readings(), of=of, over=over, bench=fs.demo.bench(),
                               models=NAMES, obstruction=behind, draws=200, rng=1)
        for of, over, behind in pairs
    }  # fmt: skip


def drawn_in(band, **more):
    plt.figure(figsize=(7, 5), layout="constrained")
    drawn = curve(band, **more)
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
        curve(fs.demo.readings())
    with pytest.raises(fs.FanstatsError, match="`scopes` must be one of"):
        curve(bands["noise", "speed"], scopes="units")
    with pytest.raises(fs.FanstatsError, match="`models` must be one of"):
        curve(bands["noise", "speed"], "Nobody")
