"""Pooled repeatability: against JCGM 100 H.5, scipy, and repeats with a known scatter."""

from __future__ import annotations

import csv
import json
import math
import tomllib
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs
from fanstats.spread.type_a import equal_scatter, repeatability, with_repeatability

REFERENCE = Path(__file__).parent / "reference"


def table(noise, *, model="A", drive=5.0, **more):
    """Rows that repeat one step."""
    return [{"model": model, "drive [V]": drive, "noise [dBA]": n, **more} for n in noise]


def read(*groups):
    """Read groups of rows as one table."""
    return fs.read_readings(pd.DataFrame([row for group in groups for row in group]))


def line(readings, quantity="noise"):
    """The row of one quantity."""
    return repeatability(readings).set_index("quantity").loc[quantity]


def test_scatter_within_days_of_jcgm_100_annex_h5():
    """Ten days of five readings: 85 microvolts on 40 degrees of freedom."""
    reference = tomllib.loads((REFERENCE / "gum_h5.toml").read_text())
    with (REFERENCE / "gum_h5_data.csv").open() as file:
        days = list(csv.DictReader(file))
    rows = []
    for day in days:  # any five readings with the printed mean and standard deviation
        pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
        values = 1e6 * (float(day["mean_volt"]) - 10.0) + float(day["sd_microvolt"]) * pattern
        rows += [{"model": "Z", "session": day["day"], "drive [V]": 10,
                  "temperature [degC]": value} for value in values]  # fmt: skip

    found = line(read(rows), "temperature")

    assert found.standard == pytest.approx(reference["recomputed"]["pooled_within_day_sd"])
    assert round(found.standard) == reference["published"]["pooled_within_day_sd"]
    assert found.dof == reference["published"]["df_b"]
    assert found.cells == 10


def test_scatter_is_pooled_over_the_cells_of_a_quantity():
    """Sums of squares over degrees of freedom; cells read once add nothing; NaN is no reading."""
    rng = np.random.default_rng(1)
    cells = [rng.normal(30 + k, 0.3, size=n) for k, n in enumerate([2, 4, 1, 7])]
    groups = [table(values, drive=5 + k) for k, values in enumerate(cells)]
    groups.append(table([40.0, None], drive=12))

    found = line(read(*groups))

    squares = sum(values.var() * values.size for values in cells)
    assert found.dof == 1 + 3 + 6
    assert found.standard == pytest.approx(math.sqrt(squares / 10), rel=1e-12)
    assert (found.cells, found.readings) == (3, 13)


def test_a_single_reading_has_no_scatter_rather_than_none():
    """Without repeats the figure is missing, and says so."""
    found = line(read(table([30.0]), table([35.0], drive=7)))

    assert math.isnan(found.standard)
    assert found.dof == 0
    assert "unknown, not 0" in found.status


def test_remounted_fans_are_not_repeats():
    """A new sitting is no repeat: what changes between sittings is not repeatability."""
    one = table([30.0], sitting="1")
    two = table([32.0], sitting="2")

    assert line(read(one, two)).dof == 0


def test_airflow_is_pooled_over_obstructions_and_as_a_fraction():
    """All obstructions are read with one anemometer; 1 % scatter is found as 1 %."""
    rng = np.random.default_rng(2)
    rows = [
        {
            "model": "A",
            "drive [V]": drive,
            "airflow none [fpm]": 100 * drive * (1 + 0.01 * rng.normal()),
            "airflow mesh [fpm]": 60 * drive * (1 + 0.01 * rng.normal()),
        }
        for drive in (5, 7, 9, 12)
        for _ in range(40)
    ]

    found = line(read(rows), "airflow")

    dof = 2 * 4 * 39
    assert found.dof == dof
    assert abs(found.relative / 0.01 - 1) < 4 / math.sqrt(2 * dof)
    assert found.equal_scatter


@pytest.mark.parametrize("sizes", [[4, 6, 5], [11, 3]])
def test_equal_scatter_is_bartletts_test(sizes):
    """From sums of squares alone the p value of scipy on the readings themselves."""
    rng = np.random.default_rng(3)
    groups = [rng.normal(0, 1 + k, size=n) for k, n in enumerate(sizes)]
    squares = np.array([g.var() * g.size for g in groups])
    dof = np.array([g.size - 1.0 for g in groups])

    assert equal_scatter(squares, dof) == pytest.approx(stats.bartlett(*groups).pvalue, rel=1e-9)


def test_equal_scatter_cannot_be_told_from_too_little():
    """One group, pairs, or no scatter anywhere: no p value."""
    assert math.isnan(equal_scatter(np.array([1.0]), np.array([5.0])))
    assert math.isnan(equal_scatter(np.array([1.0, 2.0]), np.array([1.0, 1.0])))
    assert math.isnan(equal_scatter(np.array([0.0, 0.0]), np.array([4.0, 4.0])))


def test_a_group_that_reads_alike_throughout_is_no_proof():
    """Readings rounded to one figure do not make p zero."""
    p = equal_scatter(np.array([0.0, 0.01, 0.012]), np.array([4.0, 4.0, 4.0]))

    assert p > 0.5


def flicker(models):
    """Repeats of models with the scatter given."""
    rng = np.random.default_rng(4)
    return [
        table(rng.normal(30 + drive, sd, size=6), model=model, drive=drive)
        for model, sd in models.items()
        for drive in (5, 7, 9, 12)
    ]


def test_models_that_flicker_differently_are_flagged():
    """One model scatters four times as much: the pooled figure fits none, and says so."""
    found = line(read(*flicker({"A": 0.1, "B": 0.4})))

    assert not found.equal_scatter
    assert found.p_models < 0.001
    assert "scatter differs between models" in found.status


@pytest.mark.simulation
def test_equal_scatter_is_seldom_doubted():
    """Of 400 tables with equal scatter about 5 % are flagged."""
    rng = np.random.default_rng(5)
    flagged = 0
    for _ in range(400):
        groups = [table(rng.normal(30 + d, 0.2, size=3), model=m, drive=d)
                  for m in "ABC" for d in (5, 7, 9, 12)]  # fmt: skip
        flagged += not line(read(*groups)).equal_scatter

    assert stats.binomtest(flagged, 400, 0.05).pvalue > 0.001


# Put into a bench --------------------------------------------------------------------------------

BENCH = fs.Bench(
    noise=fs.Instrument(
        shared=fs.half_width(1.0),
        reading=[fs.standard(0.5), fs.half_width(0.05), fs.standard(0.2)],
    ),
    speed=fs.Instrument(reading=fs.standard(4.0)),
)


def test_measured_scatter_replaces_the_stated_one():
    """All stated scatter goes, displays stay, degrees of freedom come along."""
    readings = read(*flicker({"A": 0.2, "B": 0.2}))
    found = line(readings)

    bench = with_repeatability(readings, BENCH)

    display, measured = bench.noise.reading
    assert display.stated == "±0.05"
    assert display.name == "2"  # its place, so that its draws stay its own
    assert (measured.absolute, measured.dof) == (pytest.approx(found.standard), 40)
    assert measured.kind == "standard"
    assert bench.noise.shared == BENCH.noise.shared
    assert bench.speed == BENCH.speed


def estimated(readings, bench):
    """The attributes of a result, lists of sentences as lists."""
    found = fs.equal_drive(readings, 5, bench=bench, draws=100, rng=1).attrs
    return {name: json.loads(found[name]) for name in ("assumptions", "measured")}


def test_results_say_which_scatter_was_used_and_how_it_was_tested():
    """Measured, with the test of equal scatter, or stated: in attributes and in describe()."""
    readings = read(*flicker({"A": 0.2, "B": 0.2}))
    stated, bench = estimated(readings, BENCH), with_repeatability(readings, BENCH)
    measured = estimated(readings, bench)
    found = line(readings)

    assert "scatter of noise readings: s = 0.5 (stated, not measured)" in stated["assumptions"]
    assert not any("scatter" in text for text in stated["measured"])
    figure = f"s = {found.standard:.2g} dBA measured (40 degrees of freedom)"
    test = (
        f"no sign of unequal scatter: p = {found.p_models:.2g} between models and "
        f"{found.p_levels:.2g} between low and high readings, Bartlett"
    )
    assert f"scatter of noise readings: {figure}; {test}" in measured["measured"]
    assert not any(text.startswith("scatter of noise") for text in measured["assumptions"])
    assert f"{figure} ({test})" in fs.describe(bench)
    rows = fs.budget(readings, drive=5, bench=bench, model="A", quantity="noise",
                     scope="tested unit").set_index("component")  # fmt: skip
    assert "no sign of unequal scatter" in rows.source["noise: repeats"]
    assert rows.dof["noise: repeats"] == 40


def test_instruments_of_single_rigs_are_measured_by_their_own_readings():
    """The meter of one rig scatters by 0.1 dB, the other's by 0.4 dB; neither takes the other's."""
    rows = [[row | {"rig": rig} for group in flicker({"A": size}) for row in group]
            for rig, size in (("attic", 0.1), ("cellar", 0.4))]  # fmt: skip
    meter = fs.Instrument(reading=fs.standard(0.3))
    bench = fs.Bench(noise=meter, rigs={"attic": {"noise": meter}})

    found = with_repeatability(read(*rows), bench)

    own = {rig: found.on(rig).noise.reading[0] for rig in ("attic", "cellar")}
    for rig, expected in (("attic", 0.1), ("cellar", 0.4)):
        error = expected / math.sqrt(2 * own[rig].dof)
        assert own[rig].absolute == pytest.approx(expected, abs=3 * error)
        assert own[rig].measured


def test_too_few_repeats_leave_the_stated_scatter_and_say_so():
    """Two degrees of freedom are not enough by default; both quantities are named."""
    rows = [row | {"speed [rpm]": 800} for row in table([30.0, 30.4, 30.1])[:1]]
    readings = read(table([30.0, 30.4, 30.1]), [rows[0] | {"drive [V]": 7.0}])

    with pytest.warns(fs.FanstatsWarning) as caught:
        bench = with_repeatability(readings, BENCH)

    stays = "the stated one: 2 degrees of freedom of repeats, 5 wanted"
    assert [s.about for s in bench.noise.reading] == [stays, "", stays]
    assert [replace(s, about="") for s in bench.noise.reading] == list(BENCH.noise.reading)
    assert bench.noise.shared == BENCH.noise.shared
    told = estimated(readings, bench)["assumptions"]
    assert f"scatter of noise readings: s = 0.5 ({stays})" in told
    assert f"s = 0.5 ({stays})" in fs.describe(bench)
    message = str(caught[0].message)
    assert "noise: 2 degrees of freedom of repeats, 5 wanted" in message
    assert "the stated s = 0.5 and s = 0.2 stays" in message
    assert "speed: no repeated readings; the stated s = 4 stays" in message
    assert caught[0].filename == __file__
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", fs.FanstatsWarning)
        again = with_repeatability(readings, BENCH, at_least=2)
    assert again.noise.reading[-1].name == "repeats"


def test_scatter_below_the_display_leaves_the_display():
    """28.0 three times: Type A 0, and 0.0289 dB of the display, not divided by root three."""
    readings = read(table([28.0] * 3), table([28.0] * 4, drive=7))
    bench = fs.Bench(noise=fs.Instrument(reading=[fs.half_width(0.05)]))

    found = line(readings)

    assert found.standard == 0.0
    assert "below the display's step" in found.status
    again = with_repeatability(readings, bench)
    assert again == bench
    assert again.noise.reading[0].absolute == pytest.approx(0.028868, abs=5e-7)


def test_airflow_scatter_takes_the_form_that_was_stated():
    """Stated as an amount it is measured as an amount, else as a fraction of the reading."""
    rng = np.random.default_rng(6)
    rows = [{"model": "A", "drive [V]": d, "airflow [fpm]": 400 + 4 * rng.normal()}
            for d in (5, 7) for _ in range(6)]  # fmt: skip
    readings = read(rows)

    def measured(stated):
        bench = fs.Bench(airflow=fs.Instrument(reading=stated))
        return with_repeatability(readings, bench).airflow.reading[-1]

    assert measured(fs.standard(3.0)).relative == 0
    assert measured(fs.standard("1 %")).absolute == 0
    assert measured(fs.standard("1 %")).relative == pytest.approx(
        measured(fs.standard(3.0)).absolute / 400, rel=0.02
    )


def test_unequal_scatter_is_used_with_a_warning():
    """The pooled figure goes in, and the reader is told that it fits none."""
    readings = read(*flicker({"A": 0.1, "B": 0.4}))

    with pytest.warns(fs.FanstatsWarning, match="noise: scatter differs between models"):
        bench = with_repeatability(readings, BENCH)

    assert bench.noise.reading[-1].dof == 40
    assert any("scatter differs between models" in text
               for text in estimated(readings, bench)["measured"])  # fmt: skip


def test_arguments_are_checked():
    """A bench is needed, and a number above 0."""
    readings = read(table([30.0, 30.1]))

    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        with_repeatability(readings, {})
    with pytest.raises(fs.FanstatsError, match="`at_least` must be a finite number above 0"):
        with_repeatability(readings, BENCH, at_least=0)
