"""Critical differences and ranges: the formulas of ISO 5725-6, limits, estimated scatter."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs
from fanstats.spread.critical import critical_difference, critical_range
from fanstats.spread.unit_spread import unit_spread
from tests.test_spread import bench_table, plain_bench

REFERENCE = Path(__file__).parent / "reference"
TABLE = pd.read_csv(REFERENCE / "critical_difference.csv", comment="#")


@pytest.mark.parametrize("row", [row for _, row in TABLE.iterrows()])
def test_iso_5725_6_two_groups_in_one_session_and_in_two(row):
    """2.8 times the closed forms, to the digits of the table; 1.96 root 2 unrounded."""
    w, b, n = row["sigma_r"], row["sigma_L_between"], (int(row["n1"]), int(row["n2"]))
    same = critical_difference(w, n=n, rounded=True)
    two = critical_difference(w, b, n=n, rounded=True)

    assert same.value == pytest.approx(row["CD_same_unit"], abs=5.1e-5)
    assert two.value == pytest.approx(row["CD_two_units"], abs=5.1e-5)
    assert two.floor == pytest.approx(row["floor_2.8_sigma_L"], abs=5.1e-5)
    assert critical_difference(w, b, n=n).value == pytest.approx(row["CD_with_1.96"], abs=5.1e-5)


def test_iso_5725_6_as_the_standard_writes_it():
    """From s_r and s_R, with the terms in its own order."""
    s_r, s_big, n1, n2 = 0.4, 0.9, 3, 5
    b = np.sqrt(s_big**2 - s_r**2)
    two = np.sqrt((2.8 * s_big) ** 2 - (2.8 * s_r) ** 2 * (1 - 1 / (2 * n1) - 1 / (2 * n2)))
    one = np.sqrt(((2.8 * s_big) ** 2 - (2.8 * s_r) ** 2 * (n1 - 1) / n1) / 2)

    assert critical_difference(s_r, b, n=(n1, n2), rounded=True).value == pytest.approx(two)
    # A mean of 3 against a reference value.
    assert critical_difference(s_r, b, n=(n1,), rounded=True).value == pytest.approx(one)
    assert critical_difference(0.3, rounded=True).value == pytest.approx(2.8 * 0.3)
    assert critical_difference(0.3, 1.0, n=(3,), rounded=True).value == pytest.approx(
        2.01, abs=5e-3
    )


@pytest.mark.parametrize(
    "row", [row for _, row in pd.read_csv(REFERENCE / "critical_range.csv", comment="#").iterrows()]
)
def test_iso_5725_6_critical_range_factors(row):
    """2.8, 3.3, 3.6 ... as printed."""
    found = critical_range(1.0, int(row["n"])).value
    assert found == pytest.approx(row["f_n_rounded"], abs=0.05)
    assert found == pytest.approx(row["f_n_exact"], abs=5.1e-4)


def test_scatter_estimated_from_few_readings_takes_students_t():
    """Nine degrees of freedom within; with a session known from four, Satterthwaite's."""
    within, between = fs.standard(0.3, dof=9), fs.standard(0.5, dof=4)
    one = critical_difference(within, n=(2, 2))
    two = critical_difference([within], [between], n=(2, 2))
    w, b = 0.09 * (1 / 2 + 1 / 2), 2 * 0.25
    dof = (w + b) ** 2 / (w**2 / 9 + b**2 / 4)

    assert one.value == pytest.approx(stats.t.ppf(0.975, 9) * 0.3)
    assert two.dof == pytest.approx(dof)
    assert two.value == pytest.approx(stats.t.ppf(0.975, dof) * np.sqrt(w + b))
    assert critical_range(within, 3).value == pytest.approx(
        0.3 * stats.studentized_range.ppf(0.95, 3, 9)
    )


def test_like_means_differ_by_less_as_often_as_stated():
    """Two sessions, three and two readings: 40,000 pairs of like means."""
    rng = np.random.default_rng(4)
    size = 40_000
    first = rng.normal(size=size) * 0.5 + rng.normal(size=(3, size)).mean(axis=0) * 0.3
    second = rng.normal(size=size) * 0.5 + rng.normal(size=(2, size)).mean(axis=0) * 0.3
    for probability in (0.8, 0.95):
        found = critical_difference(0.3, 0.5, n=(3, 2), probability=probability)
        share = np.mean(np.abs(first - second) < found.value)
        error = np.sqrt(probability * (1 - probability) / size)
        assert share == pytest.approx(probability, abs=4 * error)


def test_measured_components_serve_as_they_stand():
    """What unit_spread measured of mountings and days goes straight in."""
    table = bench_table(np.random.default_rng(2), days=6, sittings=2, day_sd=0.5, models=2)
    noise = unit_spread(table, plain_bench()).bench.noise
    found = critical_difference(noise.sitting, noise.session, n=(2, 2), units="dB")
    sitting, session = (
        source.absolute**2 - source.removed_variance
        for source in (noise.sitting[0], noise.session[0])
    )

    assert found.u == pytest.approx(np.sqrt(sitting + 2 * session))
    assert found.value > 2.77 * np.sqrt(session)
    assert found.sentence().startswith("Smallest gap that would count (critical difference): ")
    assert "However often is read" in found.sentence()


def test_percentages_are_printed_as_such():
    """2 % and 3 % stay a percentage; an amount beside a percentage is refused."""
    found = critical_difference(fs.standard("2 %"), fs.standard("3 %"))
    assert found.value == pytest.approx(1.959964 * np.sqrt(2 * (0.0004 + 0.0009)))
    assert ": 10.0 %." in found.sentence()
    with pytest.raises(fs.FanstatsError, match="must be stated alike"):
        critical_difference(fs.standard("2 %"), fs.standard(3.0))
    with pytest.raises(fs.FanstatsError, match="mixes a percentage and an amount"):
        critical_difference(fs.standard("2 % + 0.1 m/s"))


def test_wrong_arguments_are_refused():
    """Numbers of readings, probabilities and scatters of the wrong kind."""
    with pytest.raises(fs.FanstatsError, match="`n` must be a whole number of at least 1"):
        critical_difference(0.3, n=(0, 1))
    with pytest.raises(fs.FanstatsError, match="`n` must hold one or two"):
        critical_difference(0.3, n=(1, 1, 1))
    with pytest.raises(fs.FanstatsError, match=r"`rounded` is the factor printed for 0\.95"):
        critical_difference(0.3, probability=0.9, rounded=True)
    with pytest.raises(fs.FanstatsError, match="`within` must be a finite number at least 0"):
        critical_difference(-0.3)
    with pytest.raises(fs.FanstatsError, match="`between` must be a number or sources"):
        critical_difference(0.3, [0.2])
    with pytest.raises(fs.FanstatsError, match="`n` must be a whole number of at least 2"):
        critical_range(0.3, 1)
