"""How far the choice of curve may be off, pooled over the curves of a table."""

import json

import numpy as np
import pytest
from scipy import stats

import fanstats as fs
from tests.tables import power_law_rows, readings

BENCH = fs.Bench(
    noise=fs.Instrument(sitting=fs.standard(0.1), reading=fs.standard(0.08)),
    speed=fs.Instrument(reading=fs.standard(1.0)),
    airflow=fs.Instrument(reading=fs.standard("1 %")),
)


def pooled(rows):
    """What an estimate with straight lines records of its choice of curve."""
    options = {"curve": "straight", "background": "removed", "draws": 100, "rng": 1}
    found = fs.equal_noise(readings(rows), 32.0, bench=BENCH, **options)
    return json.loads(found.attrs["pooled"])["curve"]


def rows_of(session, models):
    return [
        {**row, "session": session}
        for model, level in models
        for row in power_law_rows(model, room=24.0, level_at_900=level)
    ]


def test_curves_worked_out_together_count_as_each_by_itself():
    """Pooling is the root mean square of the single curves, whatever rooms they stand in."""
    monday = rows_of("mon", [("A", 33.0), ("B", 34.0)])
    tuesday = rows_of("tue", [("C", 33.5)])
    single = [pooled([r for r in monday + tuesday if r["model"] == m]) for m in "ABC"]
    assert all(u > 0 for u in single)
    together = pooled(monday + tuesday)
    assert together == pytest.approx(np.sqrt(np.mean(np.square(single))), rel=1e-9)
    assert pooled((monday + tuesday)[::-1]) == together


def straight_at(rows, speed):
    """What one curve of straight lines, without errors, says of the choice of curve at a speed."""
    x = np.array([row["speed [rpm]"] for row in rows])
    fan = np.array([row["noise [dBA]"] for row in rows])
    level = np.interp(speed, x, fan)
    left_out = np.argmin(np.abs(fan - level))
    keep = np.arange(x.size) != left_out
    return abs(np.interp(level, fan[keep], x[keep]) / speed - 1) / 2


def test_at_one_speed_the_choice_of_curve_is_that_of_the_level_there():
    """By hand for straight lines without reading errors; it reaches the noise by the slope."""
    rows = power_law_rows("A", room=None, speeds=(500.0, 650.0, 800.0, 1000.0, 1250.0, 1500.0))
    table = readings(rows)

    found = fs.equal_speed(
        table, 890, bench=fs.Bench(), curve="straight", draws=20_000, rng=1, background="removed"
    )

    expected = straight_at(rows, 890)
    assert json.loads(found.attrs["pooled"])["curve"] == pytest.approx(expected, rel=1e-6)
    assert any(note.startswith("choice of curve:") for note in json.loads(found.attrs["measured"]))
    slope = (rows[3]["noise [dBA]"] - rows[2]["noise [dBA]"]) / 200 * 890
    u = float(found.noise.sel(scope="tested unit", model="A").std())
    assert u == pytest.approx(slope * expected, rel=0.02)
    value = float(found.noise_value.sel(scope="tested unit", model="A"))
    assert value == pytest.approx(np.interp(890, *zip(*xy(rows), strict=True)), abs=1e-9)


def xy(rows):
    return [(row["speed [rpm]"], row["noise [dBA]"]) for row in rows]


def test_at_one_speed_an_exact_power_law_leaves_no_choice_of_curve():
    """Smooth curves over lg speed give it whichever step is left out."""
    table = readings(power_law_rows("A", room=24.0))
    found = fs.equal_speed(table, 800, bench=fs.Bench(), draws=100, rng=1)

    assert json.loads(found.attrs["pooled"])["curve"] == pytest.approx(0.0, abs=1e-9)


def test_the_ends_of_a_sweep_stay_covered_whatever_the_choice_of_curve():
    """At the speed of the last step no draw lies beyond the data because the curve may be off."""
    rows = [row for k in "ABC" for row in power_law_rows(k, room=24.0)]
    options = {"curve": "straight", "draws": 400, "rng": 1}
    found = fs.equal_speed(
        readings(rows), 1500, bench=fs.Bench(), pooled={"curve": 0.01}, **options
    )

    assert float(found.noise.sel(scope="tested unit").std("draw").min()) > 0.1
    assert float(found.noise_share_above.sel(scope="tested unit").max()) == 0.0


def test_the_budget_names_the_choice_of_curve_at_one_speed():
    """As large as the draws have it."""
    rows = power_law_rows("A", room=None, speeds=(500.0, 650.0, 800.0, 1000.0, 1250.0, 1500.0))
    given = {"speed": 890, "curve": "straight", "background": "removed"}
    table = fs.budget(
        readings(rows), bench=BENCH, model="A", quantity="noise", scope="tested unit", **given
    ).set_index("component")
    found = fs.equal_speed(
        readings(rows), 890, bench=BENCH, curve="straight", background="removed", rng=1
    )

    own = table.loc["choice of curve"]
    assert own["standard_uncertainty"] == json.loads(found.attrs["pooled"])["curve"]
    assert own["share"] > 0.3
    drawn = float(found.noise.sel(scope="tested unit", model="A").std())
    assert table.loc["u_c", "contribution"] == pytest.approx(drawn, rel=0.03)


def test_where_no_curve_choice_is_added_the_result_says_so():
    """At one drive, and where too few steps tell; at one noise level or speed it is measured."""
    table = readings(power_law_rows("A", room=24.0))
    how = {"bench": BENCH, "draws": 100, "rng": 1}

    def said(estimates):
        notes = json.loads(estimates.attrs["not_considered"])
        return [note for note in notes if note.startswith("choice of curve")]

    assert said(fs.equal_speed(table, 800, **how)) == []
    few = readings(power_law_rows("A", room=24.0, speeds=(600.0, 900.0, 1300.0)))
    assert "four usable steps around the speed" in said(fs.equal_speed(few, 800, **how))[0]
    assert "at equal drive" in said(fs.equal_drive(table, 6.5, **how))[0]
    assert said(fs.equal_noise(table, 32, **how)) == []


@pytest.mark.simulation
def test_noise_at_one_speed_is_covered_between_steps_of_curves_that_no_line_fits():
    """200 sweeps with a wave in each: 95 in 100 with straight lines, and hardly half without it."""
    rng = np.random.default_rng(4)
    speeds = np.array([560.0, 700.0, 900.0, 1150.0, 1450.0])
    rows, truth = [], []
    for k in range(200):
        size, place = 0.5 * rng.normal(), rng.uniform(0, 1)

        def level(speed, size=size, place=place):
            lg = np.log10(speed / 900)
            return 33 + 50 * lg + size * np.sin(2 * np.pi * (lg / 0.35 + place))

        truth.append(level(1000.0))
        for row in power_law_rows(f"M{k}", session=f"d{k}", speeds=speeds, room=None):
            speed = row["speed [rpm]"]
            noise = level(speed) + 0.1 * rng.normal()
            rows.append({**row, "speed [rpm]": speed + 3 * rng.normal(), "noise [dBA]": noise})
    bench = fs.Bench(
        noise=fs.Instrument(reading=[fs.standard(0.1)]),
        speed=fs.Instrument(reading=[fs.standard(3)]),
    )

    def share(**more):
        found = fs.equal_speed(
            readings(rows), 1000, bench=bench, curve="straight", background="removed", draws=1000,
            rng=1, **more,
        ).noise.sel(scope="tested unit")  # fmt: skip
        low, high = np.quantile(found, [0.025, 0.975], axis=1)
        return np.mean((low <= truth) & (truth <= high))

    least, most = stats.binom.ppf([0.001, 0.999], 200, 0.95) / 200
    assert least <= share() <= most
    assert share(pooled={"curve": 1e-12}) < 0.7
