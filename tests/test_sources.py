"""What a tester states: half widths, certificates with k or with coverage probability, scatter."""

import io
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs
from fanstats.errors import FanstatsError
from tests.tables import airflow, power_law_rows, readings

EXACT = fs.UnitSpread(noise=0, airflow=0)


@pytest.mark.parametrize(("dof", "k"), [(9, 2.26), (16, 2.12), (50, 2.01), (math.inf, 1.960)])
def test_a_certificate_with_coverage_probability_gives_k_of_student(dof, k):
    """Factors of JCGM 100:2008, Table G.2 for 95 %, to the digits printed there."""
    source = fs.expanded(1.0, probability=0.95, dof=dof)

    assert 1.0 / source.absolute == pytest.approx(k, abs=0.005 if math.isfinite(dof) else 0.0005)
    assert source.dof == dof
    assert source.kind == "expanded"


def test_k_may_stand_beside_a_probability_that_it_agrees_with():
    """2 for 95 % is a certificate's rounding of 1.96; 2.26 goes with nine degrees of freedom."""
    assert fs.expanded(0.4, k=2, probability=0.95).absolute == 0.2
    assert fs.expanded(0.4, k=2, probability=0.9545).absolute == 0.2
    stated = fs.expanded("2 %", k=2.26, probability=0.95, dof=9)
    assert stated.relative == pytest.approx(0.02 / 2.26)
    assert stated.stated == "U = 2 % (95 %, 9 degrees of freedom: k = 2.26)"
    assert fs.expanded(0.4, k=2.3, dof=9).dof == 9
    assert fs.expanded(0.4).absolute == 0.2


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"k": 2, "probability": 0.99}, "contradict each other: 0.99 makes k = 2.58; got k = 2"),
        ({"k": 2, "probability": 0.95, "dof": 9}, "0.95 on 9 degrees of freedom makes k = 2.26"),
        ({"dof": 9}, "`dof` alone makes no coverage factor; got 9. Give `probability` or `k`"),
        ({"probability": 95}, "`probability` must"),
        ({"probability": 0.95, "dof": 0}, "`dof` must be above 0"),
        ({"k": -1}, "`k` must be a finite number above 0"),
    ],
)
def test_contradictory_certificates_are_refused(given, match):
    """Each message says what was found and what to give."""
    with pytest.raises(FanstatsError, match=match):
        fs.expanded(0.4, **given)


def test_degrees_of_freedom_of_a_certificate_widen_both_roads():
    """U for 95 % on four degrees of freedom comes back as the 95 % interval, on either road."""
    vane = fs.Instrument(shared=fs.expanded("4 %", probability=0.95, dof=4))
    bench = fs.Bench(airflow=vane, spread=EXACT)
    rows = readings(power_law_rows("A", room=20.0))
    at = {"scope": "model", "model": "A", "obstruction": "none"}

    first = fs.first_order(rows, 36, bench=bench)
    high = float(fs.first_order_interval(first, "airflow").sel(at).sel(bound="upper"))
    value = float(first.airflow_value.sel(at))
    assert first.airflow_dof.sel(at) == pytest.approx(4)
    assert (high - value) / value == pytest.approx(0.04, rel=1e-9)

    number = 40_000
    drawn = airflow(fs.equal_noise(rows, 36, bench=bench, draws=number, rng=1)) / value - 1
    share = np.mean(np.abs(drawn) <= 0.04)
    assert share == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / number))
    assert stats.kurtosis(drawn) > 3  # heavier tails than a normal's, as t on four has


def test_certificates_in_the_bench_file():
    """Coverage probability and degrees of freedom are the function's, word for word."""
    text = "[airflow]\nshared = [{expanded = '2 %', probability = 0.95, dof = 20}]"
    bench = fs.read_bench(io.StringIO(text))

    assert bench.airflow.shared == (fs.expanded("2 %", probability=0.95, dof=20),)
    assert "U = 2 % (95 %, 20 degrees of freedom: k = 2.09)" in fs.describe(bench)


@pytest.mark.parametrize(("shape", "divisor"), [("rectangular", 3), ("triangular", 6),
                         ("u-shaped", 2)])  # fmt: skip
def test_half_widths_by_shape(shape, divisor):
    """A over root three, root six, root two (JCGM 100 4.3.7, 4.3.9; arcsine), drawn within A."""
    source = fs.half_width("2 %", shape=shape)
    assert source.relative == pytest.approx(0.02 / math.sqrt(divisor))

    bench = fs.Bench(airflow=fs.Instrument(shared=source), spread=EXACT)
    rows = readings(power_law_rows("A", room=20.0))
    made = fs.equal_noise(rows, 36, bench=bench, draws=20_000, rng=2)
    value = float(made.airflow_value.sel(scope="model", model="A", obstruction="none"))
    error = airflow(made) / value - 1
    assert 0.0195 < np.abs(error).max() <= 0.02 + 1e-12
    spread = stats.kurtosis(error, fisher=False)
    expected = {"rectangular": 1.8, "triangular": 2.4, "u-shaped": 1.5}[shape]
    assert spread == pytest.approx(expected, abs=0.1)


def test_a_limit_in_per_cent_and_in_another_unit_than_the_readings():
    """3 % of reading + 0.2 m/s over readings in fpm: 12 + 39.37 either way at 400 fpm."""
    text = "[airflow]\nunits = 'm/s'\nshared = [{half_width = '3 % of reading + 0.2 m/s'}]"
    for bench in (
        fs.Bench(airflow=fs.Instrument(shared=fs.half_width("3 % of reading + 0.2 m/s"))),
        fs.read_bench(io.StringIO(text)),
        fs.Bench(airflow=fs.instruments.vane("3 % + 0.2 m/s")),
    ):
        table = pd.DataFrame({"model": ["A"] * 2, "drive [V]": [5, 7], "speed [rpm]": [800, 1000],
                              "noise [dBA]": [30, 35], "airflow [fpm]": [400, 400]})  # fmt: skip
        with_spread = fs.Bench(airflow=bench.airflow, spread=EXACT)
        found = fs.first_order(fs.read_readings(table), 33, bench=with_spread)
        u = float(found.airflow_standard_uncertainty.sel(scope="tested unit").squeeze())
        assert u == pytest.approx((12 + 0.2 * 60 / 0.3048) / math.sqrt(3), rel=1e-9)
