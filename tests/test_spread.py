"""Unit-to-unit spread from readings: exact tables, known components, nothing counted twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.unit_spread import unit_spread
from tests.simulated import SimulatedBench
from tests.tables import power_law_rows, readings

NOISE = "noise at a given speed"
AIRFLOW = "airflow at a given speed"
SPEED = "speed at a given drive"
STEPS = (5.0, 6.0, 7.0, 8.5, 10.0, 12.0)


def exact_bench(**kinds):
    """A bench whose instruments have no errors, in so many words."""
    checked = fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=[])
    return fs.Bench(
        noise=checked,
        speed=checked,
        airflow=checked,
        temperature=checked,
        spread=fs.UnitSpread(**kinds),
    )


def row_of(found, kind, component="between units"):
    table = found.components
    held = table[(table["kind"] == kind) & table["component"].str.startswith(component)]
    assert len(held) == 1
    return held.iloc[0]


def pairs(room=30.0, **more):
    """Two models with two units each, 1 dB and 4 % apart, on exact power laws."""
    return [
        power_law_rows("A", unit="1", level_at_900=33.0, room=room, **more),
        power_law_rows("A", unit="2", level_at_900=34.0, room=room, airflow_at_900=468, **more),
        power_law_rows("B", unit="1", level_at_900=36.0, room=room, **more),
        power_law_rows("B", unit="2", level_at_900=35.0, room=room, airflow_at_900=468, **more),
    ]


# Exact tables ----------------------------------------------------------------------------------


@pytest.mark.parametrize("room", [12.0, 24.0, 30.0])
def test_luck_is_that_of_the_fan_alone_whatever_the_room(room):
    """Pairs 1 dB apart have a variance of 0.5 dB squared; the room changes nothing."""
    found = unit_spread(readings(*pairs(room)), exact_bench())
    noise, airflow = row_of(found, NOISE), row_of(found, AIRFLOW)

    assert noise["raw_variance"] == pytest.approx(0.5, rel=1e-9)
    assert airflow["raw_variance"] == pytest.approx(np.log(1.04) ** 2 / 2, rel=1e-9)
    assert noise["dof"] == pytest.approx(2)
    assert noise["component"] == "between units"
    # The exact interval of one mean square on 2 degrees of freedom.
    assert noise["low"] ** 2 == pytest.approx(2 * 0.5 / 7.377759, rel=1e-6)
    assert noise["high"] ** 2 == pytest.approx(2 * 0.5 / 0.05063562, rel=1e-6)


def test_degrees_of_freedom_are_units_less_models_not_speeds():
    """Eleven steps instead of five leave two degrees of freedom."""
    steps = tuple(np.geomspace(500, 1500, 11))
    found = unit_spread(readings(*pairs(speeds=steps)), exact_bench())

    assert found.bench.spread.noise.dof == 2
    assert found.bench.spread.noise.absolute == pytest.approx(np.sqrt(0.5), rel=1e-9)


def test_a_unit_that_only_spins_faster_has_speed_luck_alone():
    """At its drive 5 % faster, on the same curves: no noise luck and no airflow luck."""
    slow = power_law_rows("A", unit="1")
    fast = power_law_rows(
        "A", unit="2", speeds=tuple(1.05 * n for n in (500, 700, 900, 1200, 1500))
    )
    other = power_law_rows("B", unit="1"), power_law_rows("B", unit="2")
    found = unit_spread(readings(slow, fast, *other), exact_bench())

    assert row_of(found, SPEED)["raw_variance"] == pytest.approx(np.log(1.05) ** 2 / 4, rel=1e-9)
    assert row_of(found, NOISE)["raw_variance"] == pytest.approx(0.0, abs=1e-9)
    assert row_of(found, AIRFLOW)["raw_variance"] == pytest.approx(0.0, abs=1e-9)


def test_labels_used_again_under_another_model_are_other_units():
    """Renaming the units of one model changes nothing."""
    again = unit_spread(readings(*pairs()), exact_bench())
    table = pairs()
    for row in (*table[2], *table[3]):
        row["unit"] = f"other {row['unit']}"
    renamed = unit_spread(readings(*table), exact_bench())

    pd.testing.assert_frame_equal(again.components, renamed.components)


def test_the_order_of_rows_does_not_matter():
    """Shuffled rows give the same components to the last bit."""
    table = pd.DataFrame([row for group in pairs() for row in group])
    bench = fs.Bench(noise=fs.Instrument(reading=fs.standard(0.1)))
    first = unit_spread(fs.read_readings(table), bench)
    second = unit_spread(fs.read_readings(table.sample(frac=1.0, random_state=3)), bench)

    pd.testing.assert_frame_equal(first.components, second.components)
    assert first.bench == second.bench


def test_airflow_is_pooled_over_obstructions_and_each_is_shown():
    """Behind the mesh the second unit gains twice as much: the mean counts, both are listed."""
    table = pairs()
    for row in table[1]:
        row["airflow wire mesh [fpm]"] *= 1.04
    found = unit_spread(readings(*table), exact_bench())
    wanted = (1.5 * np.log(1.04)) ** 2 / 2 / 2 + np.log(1.04) ** 2 / 2 / 2

    assert row_of(found, AIRFLOW)["raw_variance"] == pytest.approx(wanted, rel=1e-9)
    mesh = found.by_obstruction.set_index("obstruction")["sd"]["wire mesh"]
    assert mesh == pytest.approx(np.sqrt((4 + 1) * np.log(1.04) ** 2 / 2 / 2), rel=1e-9)


# What the errors of reading add ----------------------------------------------------------------


def reading_bench(noise=0.1, speed=4.0, airflow=0.01, sitting=None, **kinds):
    return fs.Bench(
        noise=fs.Instrument(
            shared=fs.half_width(1.0),
            session=[],
            sitting=sitting,
            model=fs.standard(0.3),
            reading=fs.standard(noise),
        ),
        speed=fs.Instrument(
            shared=[], session=[], sitting=[], model=[], reading=fs.standard(speed)
        ),
        airflow=fs.Instrument(
            shared=fs.half_width("3 %"),
            session=[],
            sitting=[],
            model=[],
            reading=fs.standard(airflow, relative=True),
        ),
        spread=fs.UnitSpread(**kinds),
    )


def test_the_variance_taken_out_is_what_reading_errors_really_add():
    """Tachometer, flicker and room, two decibels above the room: against plain simulation."""
    bench = reading_bench(noise=0.05, speed=6.0)
    table = pd.DataFrame([row for group in pairs(room=22.0) for row in group])
    removed = unit_spread(fs.read_readings(table), bench).bench.spread
    rng = np.random.default_rng(5)
    noise, airflow = [], []
    for _ in range(50):
        noisy = table.copy()
        noisy["noise [dBA]"] += rng.normal(size=len(table)) * 0.05
        noisy["speed [rpm]"] += rng.normal(size=len(table)) * 6.0
        noisy["background [dBA]"] += rng.normal() * 0.05
        for name in ("airflow none [fpm]", "airflow wire mesh [fpm]"):
            noisy[name] *= 1.0 + rng.normal(size=len(table)) * 0.01
        deviations = unit_spread(fs.read_readings(noisy), bench).deviations
        noise.append(deviations.query("kind == @NOISE")["deviation"].to_numpy())
        airflow.append(deviations.query("kind == @AIRFLOW")["deviation"].to_numpy())

    for found, source in ((noise, removed.noise), (airflow, removed.airflow)):
        # Two pairs: their four deviations hold two degrees of freedom.
        variance = np.var(np.array(found), axis=0, ddof=1).sum() / 2
        error = np.sqrt(2 / (2 * (len(found) - 1)))
        assert source.removed_variance == pytest.approx(variance, rel=4 * error)


def test_errors_that_all_samples_of_a_model_share_are_not_taken_out():
    """Calibration and the answer to the model's tone cancel between siblings."""
    bench = reading_bench(noise=0.0, speed=0.0, airflow=0.0)
    found = unit_spread(readings(*pairs()), bench)

    assert found.bench.spread.noise.removed_variance == pytest.approx(0.0, abs=1e-12)
    assert found.bench.spread.airflow.removed_variance == pytest.approx(0.0, abs=1e-12)


def test_what_cannot_be_told_apart_is_one_component_and_counted_once():
    """One mounting a sample: the stated mounting error stays in the component, not in the bench."""
    stated = unit_spread(readings(*pairs()), reading_bench(0, 0, 0, sitting=fs.standard(0.2)))
    unstated = unit_spread(readings(*pairs()), reading_bench(0, 0, 0))
    checked = unit_spread(readings(*pairs()), reading_bench(0, 0, 0, sitting=[]))

    for found in (stated, unstated):
        assert row_of(found, NOISE)["component"] == "between units and sittings, together"
        assert row_of(found, NOISE)["raw_variance"] == pytest.approx(0.5, rel=1e-9)
        assert any("mountings cannot be told apart" in note for note in found.cannot_tell)
    assert row_of(checked, NOISE)["component"] == "between units"
    assert stated.bench.spread.noise.removed_variance == pytest.approx(0.04, rel=1e-9)
    assert unstated.bench.spread.noise.removed_variance == pytest.approx(0.0, abs=1e-12)
    assert stated.bench.noise.sitting == stated_source(0.2)


def stated_source(u):
    return (fs.standard(u),)


def test_a_scatter_below_the_errors_of_reading_is_not_no_spread():
    """Raw value negative: reported so, an upper limit given, and draws that are not all 0."""
    alike = [
        power_law_rows("A", unit="1"),
        power_law_rows("A", unit="2", level_at_900=33.05),
        power_law_rows("B", unit="1"),
        power_law_rows("B", unit="2", level_at_900=33.04),
    ]
    found = unit_spread(readings(*alike), reading_bench(noise=0.3))
    noise, source = row_of(found, NOISE), found.bench.spread.noise

    assert noise["raw_variance"] < 0
    assert noise["sd"] == 0
    assert noise["high"] > 0
    assert "upper limit" in noise["status"]
    assert "none seen above the errors of reading" in found.sentence()
    assert "up to" in source.stated
    bench = fs.Bench(spread=found.bench.spread)
    drawn = fs.equal_speed(readings(*alike), 900, bench=bench, rng=1, background="removed")[
        "noise"
    ].sel(model="A", scope=["tested unit", "model"])  # fmt: skip
    luck = drawn.diff("scope").to_numpy()
    assert 0.0 < np.mean(luck != 0.0) < 0.9


# Mountings, days, repeats ----------------------------------------------------------------------


def bench_table(
    rng,
    *,
    models=4,
    units=2,
    sittings=3,
    days=1,
    unit_sd=0.8,
    sitting_sd=0.3,
    day_sd=0.0,
    airflow_sd=0.02,
    repeats=1,
    reading=0.05,
    correlation=0.0,
):
    """A table with known components; shares no code with the library."""
    rows = []
    day_error = rng.normal(size=days) * day_sd
    for m in range(models):
        for u in range(units):
            e, f = rng.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]])
            e, f, s = e * unit_sd, f * airflow_sd, rng.normal() * 0.03
            for day in range(days):
                for sat in range(sittings):
                    mounted = rng.normal() * sitting_sd
                    for v in STEPS:
                        n = 900 * (v / 8) ** 0.9 * (1 + s)
                        level = 34 + m + 52 * np.log10(n / 900) + e + mounted
                        read = 10 * np.log10(10 ** (level / 10) + 10**2.4)
                        rows += [
                            {
                                "model": f"M{m}",
                                "unit": f"{u}",
                                "session": f"day {day}",
                                "sitting": f"{sat}",
                                "drive [V]": v,
                                "speed [rpm]": n + rng.normal() * 2,
                                "noise [dBA]": read + day_error[day] + rng.normal() * reading,
                                "background [dBA]": 24.0 + day_error[day],
                                "airflow [fpm]": n * 0.5 * (1 + f) * (1 + rng.normal() * 0.005),
                            }
                            for _ in range(repeats)
                        ]
    return fs.read_readings(pd.DataFrame(rows))


def plain_bench(reading=0.05, **kinds):
    return fs.Bench(
        noise=fs.Instrument(shared=fs.half_width(1.0), model=[], reading=fs.standard(reading)),
        speed=fs.Instrument(shared=[], model=[], reading=fs.standard(2.0)),
        airflow=fs.Instrument(shared=[], model=[], reading=fs.standard("0.5 %")),
        spread=fs.UnitSpread(**kinds),
    )


@pytest.mark.simulation
def test_known_components_are_recovered_with_mountings_and_days():
    """Units 0.8, days 0.25, mountings 0.3 dB; each raw variance is right on the average."""
    rng = np.random.default_rng(2)
    truth = {"between units": 0.8**2, "between sessions": 0.25**2, "between sittings": 0.3**2}
    found = {name: [] for name in truth}
    for _ in range(16):
        table = bench_table(rng, days=2, sittings=2, day_sd=0.25, models=3)
        estimate = unit_spread(table, plain_bench())
        for name in truth:
            found[name].append(row_of(estimate, NOISE, name)["raw_variance"])

    for name, variance in truth.items():
        values = np.array(found[name])
        assert values.mean() == pytest.approx(
            variance, abs=4 * values.std(ddof=1) / np.sqrt(values.size)
        ), name


def test_measured_mountings_replace_the_assumed_ones():
    """Three mountings of each sample: the bench holds what was measured, and units come apart."""
    estimate = unit_spread(bench_table(np.random.default_rng(4)), plain_bench())
    noise, sitting = row_of(estimate, NOISE), row_of(estimate, NOISE, "between sittings")
    (source,) = estimate.bench.noise.sitting

    assert noise["component"] == "between units"
    assert noise["how"].startswith("REML")
    assert source.absolute**2 - source.removed_variance == pytest.approx(sitting["raw_variance"])
    assert source.dof == 4 * 2 * 2
    # What the bench now holds of mountings is a third of their variance in a mean of three.
    share = estimate.bench.spread.noise.removed_variance
    assert share == pytest.approx(sitting["raw_variance"] / 3, rel=0.05)


def test_mountings_are_measured_whatever_was_stated_of_them():
    """A stated mounting error is replaced: it is not taken off what the mountings show."""
    table = bench_table(np.random.default_rng(4))
    bench = plain_bench()
    guessed = replace(bench, noise=replace(bench.noise, sitting=fs.standard(2.0)))
    first, second = unit_spread(table, bench), unit_spread(table, guessed)

    assert first.bench.noise.sitting == second.bench.noise.sitting
    assert first.bench.spread == second.bench.spread
    pd.testing.assert_frame_equal(first.components, second.components)


def test_units_are_what_mountings_leave_of_their_means():
    """Exact levels: variance of unit means less half that of mountings, two a sample."""
    levels = {("A", "1"): (33.0, 33.4), ("A", "2"): (34.0, 34.8), ("B", "1"): (36.0, 36.2),
              ("B", "2"): (35.2, 34.8)}  # fmt: skip
    table = [
        power_law_rows(model, unit=unit, sitting=str(place), level_at_900=level)
        for (model, unit), held in levels.items()
        for place, level in enumerate(held)
    ]
    found = unit_spread(readings(*table), replace(exact_bench(), noise=fs.Instrument(reading=[])))
    within = (0.4**2 + 0.8**2 + 0.2**2 + 0.4**2) / 2 / 4
    means = (1.2**2 / 2 + 1.1**2 / 2) / 2
    units, sittings = row_of(found, NOISE), row_of(found, NOISE, "between sittings")

    assert sittings["raw_variance"] == pytest.approx(within, rel=1e-9)
    assert units["raw_variance"] == pytest.approx(means - within / 2, rel=1e-9)
    assert units["sd"] ** 2 == pytest.approx(means - within / 2, rel=1e-9)
    assert found.bench.spread.noise.absolute**2 == pytest.approx(means, rel=1e-9)
    assert found.bench.spread.noise.removed_variance == pytest.approx(within / 2, rel=1e-9)


def test_mountings_seen_in_the_rise_do_not_cancel_with_the_ambient():
    """One thermometer for both temperatures: what mountings move of the rise stays in the bench."""
    rng = np.random.default_rng(14)
    table = []
    for model in "AB":
        for unit in "12":
            for sitting in "123":
                mounted = rng.normal() * 1.5
                group = power_law_rows(model, unit=unit, sitting=sitting)
                for place, row in enumerate(group):
                    row |= {"temperature [degC]": 60 - place + mounted, "ambient [degC]": 22.0}
                table.append(group)
    probe = fs.Instrument(shared=fs.half_width(1.0), reading=[], name="probe")
    found = unit_spread(readings(*table), replace(exact_bench(), temperature=probe))
    sd = row_of(found, "temperature rise at a given speed", "between sittings")["sd"]
    first = readings(*[g for g in table if g[0]["sitting"] == "1" and g[0]["unit"] == "1"])
    made = fs.equal_speed(first, 900, bench=found.bench, draws=4000, rng=1)
    rise = made["temperature_rise"].sel(scope="tested unit", model="A").to_numpy()

    # Student's t on 8 degrees of freedom or so; the calibration of the probe still cancels.
    low, high = np.quantile(rise, [0.1587, 0.8413])
    assert (high - low) / 2 == pytest.approx(sd, rel=0.12)


def test_days_are_named_with_the_samples_where_nothing_tells_them_apart():
    """Each sample on a day of its own: samples, mountings and days are one component."""
    table = pairs()
    for place, group in enumerate(table):
        for row in group:
            row["session"] = f"day {place % 2}"
    found = unit_spread(readings(*table), fs.Bench())

    assert row_of(found, NOISE)["component"] == "between units and sittings and sessions, together"
    assert any("same two samples on both days" in note for note in found.cannot_tell)


def test_pooled_repeats_replace_assumed_scatter_but_not_the_display():
    """Three readings a step: measured scatter enters with its degrees of freedom."""
    table = bench_table(np.random.default_rng(6), models=2, sittings=1, repeats=3)
    bench = plain_bench(reading=0.5)
    noise = replace(bench.noise, reading=(fs.half_width(0.05), fs.standard(0.5)))
    found = unit_spread(table, replace(bench, noise=noise)).bench.noise.reading

    assert found[0] == fs.half_width(0.05)
    assert found[1].dof == 2 * 2 * 6 * 2
    assert found[1].absolute == pytest.approx(0.05, rel=4 / np.sqrt(2 * 48))


def test_repeats_that_all_read_alike_leave_the_stated_scatter():
    """A display too coarse to show the scatter is no proof that there is none."""
    table = readings(*([row for row in group for _ in range(2)] for group in pairs()))
    bench = plain_bench(reading=0.1)
    found = unit_spread(table, bench)

    assert found.bench.noise.reading == bench.noise.reading
    told = found.components.query("kind == 'reading of noise'").iloc[0]
    assert told["sd"] == 0
    assert "display hides" in told["status"]


# Priors, boxes, contradictions, correlation ----------------------------------------------------


def test_a_prior_counts_as_the_units_it_is_worth():
    """Scaled inverse chi-square: (2 x 0.5 + 4 x (0.6**2 + v)) / 6 on 6 degrees of freedom."""
    bench = reading_bench(0, 0, 0, sitting=fs.standard(0.2))
    prior = fs.UnitSpread(noise=fs.standard(0.6))
    found = unit_spread(readings(*pairs()), bench, prior=prior, worth=4)
    source = found.bench.spread.noise

    assert source.absolute**2 == pytest.approx((2 * 0.5 + 4 * (0.36 + 0.04)) / 6, rel=1e-9)
    assert source.dof == 6
    assert "prior" in source.stated
    assert row_of(found, NOISE, "between units, prior")["dof"] == 6


def test_an_earlier_pool_brings_its_own_degrees_of_freedom():
    """The spread of an earlier estimate is handed on as the next one's prior."""
    first = unit_spread(readings(*pairs()), exact_bench())
    again = unit_spread(readings(*pairs()), exact_bench(), prior=first.bench.spread)

    assert again.bench.spread.noise.dof == 4
    assert again.bench.spread.noise.absolute == pytest.approx(np.sqrt(0.5), rel=1e-9)


def test_a_prior_without_a_worth_is_refused():
    """A maker's tolerance has no degrees of freedom of its own."""
    prior = fs.UnitSpread(noise=fs.standard(0.6))
    with pytest.raises(fs.FanstatsError, match="`worth` must say how many units"):
        unit_spread(readings(*pairs()), exact_bench(), prior=prior)


def test_one_sample_a_model_leaves_the_bench_and_names_the_models():
    """Nothing to estimate is said in words; the stated spread stays."""
    bench = exact_bench(noise=fs.standard(0.8))
    found = unit_spread(readings(power_law_rows("A"), power_law_rows("B")), bench)

    assert found.bench == bench
    assert found.components.empty
    assert "no model was tested with two samples" in found.sentence()
    assert any("(A and B)" in note for note in found.cannot_tell)


def test_a_single_pair_is_reported_and_not_put_in_the_bench():
    """One degree of freedom: the figure stands in the table, the stated spread in the bench."""
    bench = exact_bench(noise=fs.standard(0.8))
    found = unit_spread(readings(*pairs()[:2]), bench)

    assert row_of(found, NOISE)["raw_variance"] == pytest.approx(0.5, rel=1e-9)
    assert "too few" in row_of(found, NOISE)["status"]
    assert found.bench.spread.noise == fs.standard(0.8)


def test_samples_of_one_box_give_a_lower_bound():
    """With the box recorded, a spread within one box is labelled so."""
    table = pairs()
    for group in table:
        for row in group:
            row["batch"] = f"box of {row['model']}"
    found = unit_spread(readings(*table), exact_bench())

    assert "one box: at least this much" in row_of(found, NOISE)["status"]
    assert "at least this much" in found.bench.spread.noise.stated
    assert any("lower bound" in note for note in found.cannot_tell)


def test_samples_that_differ_more_than_stated_are_a_contradiction():
    """A decibel apart against a stated 0.05 dB."""
    wide = unit_spread(readings(*pairs()), exact_bench(noise=fs.standard(0.05)))
    fair = unit_spread(readings(*pairs()), exact_bench(noise=fs.standard(0.7)))

    assert any(note.startswith(f"{NOISE}: samples differ more") for note in wide.contradictions)
    assert not fair.contradictions


def test_noise_and_airflow_luck_are_correlated_where_they_are():
    """Noisier samples that move more air, 0.8 in truth; none is given below 8 of freedom."""
    rng = np.random.default_rng(8)
    many = bench_table(rng, models=12, units=3, sittings=1, correlation=0.8, sitting_sd=0.0)
    few = bench_table(rng, models=3, units=2, sittings=1)
    found = unit_spread(many, plain_bench()).correlation

    assert found.dof == 24
    assert found.low < 0.8 < found.high
    assert found.low > 0.3
    assert found.corrected >= found.read
    assert unit_spread(few, plain_bench()).correlation is None


# What cannot be used ---------------------------------------------------------------------------


def test_without_speed_a_noisier_sample_cannot_be_told_from_a_faster_one():
    """Curves over the drive say nothing of luck at a given speed."""
    table = pairs()
    for group in table:
        for row in group:
            del row["speed [rpm]"]
    found = unit_spread(readings(*table), exact_bench())

    assert found.bench.spread.noise is None
    assert any("cannot be told from a faster one" in note for note in found.left_out)


def test_an_unknown_room_counts_only_speeds_well_above_it():
    """Room not read: speeds 10 dB above the lowest noise are used, closer ones are not."""
    table = pairs(room=None)
    found = unit_spread(readings(*table), exact_bench())
    low = [power_law_rows("A", unit=u, room=None, speeds=(500, 600, 700)) for u in "12"]
    none = unit_spread(readings(*low), exact_bench())

    assert row_of(found, NOISE)["raw_variance"] == pytest.approx(0.5, rel=1e-6)
    assert any("room not read" in note for note in none.left_out)


def test_samples_without_a_common_speed_are_listed():
    """Curves that do not overlap cannot be set side by side."""
    low = power_law_rows("A", unit="1", speeds=(500, 600, 700))
    high = power_law_rows("A", unit="2", speeds=(1100, 1300, 1500))
    found = unit_spread(readings(low, high), exact_bench())

    assert any("share no range of speed" in note for note in found.left_out)


def test_samples_alike_to_the_last_digit_are_not_no_spread():
    """Nothing stated of the display: no figure, no upper limit, and nothing in the bench."""
    alike = [
        power_law_rows(model, unit=unit, sitting=sitting, level_at_900=33.7, airflow_at_900=411)
        for model in "AB" for unit in "123" for sitting in "123"
    ]  # fmt: skip
    table = readings(*alike)
    stated = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")))
    found = unit_spread(table, stated)

    assert found.bench.spread == stated.spread
    assert found.bench.noise is None or found.bench.noise.sitting is None
    assert (found.components["sd"] == 0).all()
    assert found.components["high"].isna().all()
    assert "noise at a given speed: alike to the last digit read" in found.sentence()
    assert (found.deviations["deviation"] == 0).all()
    prior = unit_spread(table, fs.Bench(), prior=stated.spread, worth=5)
    assert prior.bench.spread.noise.dof == 5
    assert prior.bench.spread.noise.absolute == pytest.approx(0.8)
    # A display that is stated leaves an upper limit.
    seen = unit_spread(table, replace(stated, noise=fs.Instrument(reading=fs.half_width(0.05))))
    assert 0 < row_of(seen, NOISE)["high"] < 0.1


def test_the_sentence_says_what_was_left_out_and_what_one_pair_is_worth():
    """Noise lost in the room, a spread from one pair, scatter that nobody stated."""
    drowned = [power_law_rows("A", unit=unit, level_at_900=10.0, room=40.0) for unit in "12"]
    found = unit_spread(readings(*drowned), exact_bench())
    assert "Left out: A, noise at a given speed: at the room's floor" in found.sentence()

    # Several samples without a speed: not that each model had one sample, and models together.
    silent = readings(*pairs()).drop_vars("speed")
    told = unit_spread(silent, exact_bench()).sentence()
    assert "no two samples of one model can be set side by side. " in told
    assert "each model was tested with one sample" not in told
    assert "Left out: A and B, noise at a given speed: no speed readings" in told
    assert "temperature" not in told

    # A sample that never turned costs its model no more than itself; one step makes no curve.
    table = readings(*pairs(), power_law_rows("A", unit="3"))
    stalled = (table["model"] == "A") & (table["unit"] == "3")
    found = unit_spread(table.assign(speed=table["speed"].where(~stalled, 0.0)), exact_bench())
    assert row_of(found, NOISE)["dof"] == pytest.approx(2)
    assert "Left out: model 'A', sample '3', session 'day': no speed above 0" in found.sentence()
    short = unit_spread(readings(*pairs(speeds=(900.0,))), exact_bench())
    assert "A and B, airflow at a given speed: fewer than two usable steps" in short.sentence()

    again = readings(*pairs(sitting="1")[:3], power_law_rows("A", unit="1", sitting="2"))
    told = unit_spread(again, fs.Bench()).sentence()
    assert "in noise, airflow and speed: too few samples had more than one. Taking" in told
    assert "How mountings differ" not in told
    days = [power_law_rows("A", unit=u, session=day, sitting=sitting)
            for u in "12" for day in ("mon", "tue") for sitting in "12"]  # fmt: skip
    told = unit_spread(readings(*days), fs.Bench()).sentence()
    assert "How days differ is told by 1 degree of freedom in noise, airflow and speed" in told

    pair = unit_spread(readings(*pairs()[:2]), fs.Bench())
    assert "One pair of samples (noise, airflow and speed) is reported and not put in the" in (
        pair.sentence()
    )
    assert "noise, airflow and speed is not known and counts as sample luck" in pair.sentence()
    assert "is not told by 1 degree of freedom" in pair.sentence()


def test_rigs_that_nothing_bridges_make_no_sample_luck():
    """1.2 dB between two rigs is none of the samples', nor of their mountings."""
    rows = [
        power_law_rows("A", unit=unit, rig=rig, level_at_900=level)
        for unit, level, rig in (("1", 33.0, "new"), ("2", 34.0, "new"), ("1", 34.2, "old"))
    ]
    apart = unit_spread(readings(*rows), exact_bench())
    assert row_of(apart, NOISE)["sd"] == pytest.approx(np.sqrt(0.5), abs=1e-9)
    assert "between sittings" not in set(apart.components["component"])
    assert any(
        "A, noise at a given speed: sittings on rig 'old' are not held against those on rig 'new'"
        in note for note in apart.left_out
    )  # fmt: skip
    bridge = fs.bridge_rigs(readings(*rows), exact_bench(), onto="new")
    joined = unit_spread(bridge.readings, bridge.bench)
    assert not joined.left_out
    assert row_of(joined, NOISE)["sd"] == pytest.approx(np.sqrt(0.5), abs=1e-9)


def test_a_bridge_leaves_one_degree_of_freedom_less_to_mountings():
    """Three fans on both rigs, 0.3 dB about their mean difference: the bridge was that mean."""
    rows = [
        power_law_rows(
            model, rig=rig, session="", level_at_900=33.0 + (1.2 + off if rig == "old" else 0.0)
        )
        for model, off in (("A", 0.3), ("B", 0.0), ("C", -0.3))
        for rig in ("old", "new")
    ]
    bridge = fs.bridge_rigs(readings(*rows), exact_bench(), onto="new")
    row = row_of(unit_spread(bridge.readings, bridge.bench), NOISE, "between sittings")

    # Differences of variance 0.09 on 2 degrees of freedom, of two sittings each.
    assert row["dof"] == pytest.approx(2)
    assert row["raw_variance"] == pytest.approx(0.09 / 2, rel=1e-6)


def test_wrong_arguments_are_refused():
    """A bench, a prior and a curve of the wrong kind are named."""
    table = readings(*pairs())
    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        unit_spread(table, "bench.toml")
    with pytest.raises(fs.FanstatsError, match="`prior` must be a UnitSpread"):
        unit_spread(table, fs.Bench(), prior=0.8)
    with pytest.raises(fs.FanstatsError, match=r"got Bench\. Pass its `\.spread`\."):
        unit_spread(table, fs.Bench(), prior=fs.Bench(), worth=5)
    with pytest.raises(fs.FanstatsError, match=r"none was given; got worth=5\."):
        unit_spread(table, fs.Bench(), worth=5)
    with pytest.raises(fs.FanstatsError, match="`worth` must be a finite number above 0"):
        unit_spread(table, fs.Bench(), prior=fs.UnitSpread(), worth=0)
    with pytest.raises(fs.FanstatsError, match="`curve` must be one of"):
        unit_spread(table, fs.Bench(), curve="spline")


def test_shown_as_text_and_html():
    """The sentence stands above the table in both."""
    found = unit_spread(readings(*pairs()), exact_bench())

    assert repr(found).startswith("Sample luck (standard deviation of production;")
    assert "<table" in found._repr_html_()
    assert "0.71 dB (0.37 dB to 4.4 dB)" in found.sentence()


# Through the engine ----------------------------------------------------------------------------


@pytest.mark.simulation
def test_intervals_with_an_estimated_spread_cover_the_typical_and_the_next_unit():
    """Spread estimated from five pairs, then equal noise: both scopes cover as promised."""
    rng = np.random.default_rng(12)
    simulated = SimulatedBench(models=5, units=2)
    bench = reading_bench(
        noise=simulated.noise_reading,
        speed=simulated.speed_reading,
        airflow=simulated.airflow_reading,
        sitting=fs.standard(simulated.noise_sitting),
    )
    bench = replace(
        bench,
        noise=replace(
            bench.noise, shared=fs.standard(simulated.meter_shared), model=fs.standard(0.2)
        ),
        airflow=replace(bench.airflow, shared=fs.standard(simulated.airflow_shared, relative=True)),
    )
    hits = {"model": [], "next unit": []}
    for trial in range(18):
        table, truth = simulated.simulate(rng)
        read = fs.read_readings(table)
        measured = unit_spread(read, bench).bench
        estimates = fs.equal_noise(read, simulated.target, bench=measured, draws=1000, rng=trial)
        for scope, true in (("model", truth.model), ("next unit", truth.next_unit)):
            draws = estimates["airflow"].sel(scope=scope).to_numpy()
            low, high = np.quantile(draws, [0.025, 0.975], axis=-1)
            hits[scope].append(np.mean((low <= true) & (true <= high)))

    for scope, found in hits.items():
        # Models of one bench share its spread: the bench is the unit of counting.
        error = np.std(found, ddof=1) / np.sqrt(len(found))
        assert np.mean(found) > 0.95 - 3.5 * max(error, 0.01), scope
        assert np.mean(found) < 0.9999, scope


@pytest.mark.simulation
@pytest.mark.parametrize(
    ("above_room", "tachometer", "flicker"), [(6.0, 4.0, 0.1), (1.5, 10.0, 0.2)]
)
def test_intervals_of_components_cover_with_tachometer_and_room(above_room, tachometer, flicker):
    """Six pairs, the target six and one and a half decibels above the room: every kind covers."""
    rng = np.random.default_rng(17)
    simulated = SimulatedBench(
        models=6,
        units=2,
        above_room=above_room,
        speed_reading=tachometer,
        noise_reading=flicker,
        noise_sitting=0.0,
    )
    bench = reading_bench(
        noise=flicker, speed=tachometer, airflow=simulated.airflow_reading, sitting=[]
    )
    truth = {NOISE: 0.8, AIRFLOW: 0.02, SPEED: 0.04}
    hits, raw = {kind: [] for kind in truth}, {kind: [] for kind in truth}
    for _ in range(60):
        table, _ = simulated.simulate(rng)
        found = unit_spread(fs.read_readings(table), bench)
        for kind, true in truth.items():
            row = row_of(found, kind)
            hits[kind].append(row["low"] <= true <= row["high"])
            raw[kind].append(row["raw_variance"] / true**2)
    for kind in truth:
        assert np.mean(hits[kind]) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60), kind
        error = np.std(raw[kind], ddof=1) / np.sqrt(60)
        assert np.mean(raw[kind]) == pytest.approx(1.0, abs=3.5 * error), kind
