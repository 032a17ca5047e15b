"""First order: against JCGM 100, closed forms, and two general packages run through the chain."""

from __future__ import annotations

import csv
import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path

import GTC
import numpy as np
import pytest
import uncertainties
import xarray as xr
from scipy import stats
from uncertainties import ufloat, umath

import fanstats as fs
from fanstats.engine.curves import straight_values
from fanstats.engine.draws import LabelledDraws
from fanstats.engine.first_order import coverage_factor
from fanstats.propagation.correlation import correlation_factor
from fanstats.propagation.effect_tables import contributions, covariance, first_order_interval
from fanstats.propagation.first_order import first_order
from fanstats.sources import Source
from tests.chain import (
    Errors,
    Package,
    Sizes,
    airflow_at_equal_noise,
    at_equal_drive,
    at_equal_speed,
)
from tests.linear import linearise
from tests.tables import power_law_rows, readings

REFERENCE = Path(__file__).parent / "reference"
SCOPES = ["tested unit", "model", "next unit"]
UNCERTAINTIES = Package(lambda: ufloat(0, 1), umath.log, umath.exp, uncertainties.nominal_value)
GENERAL = Package(lambda: GTC.ureal(0, 1), GTC.log, GTC.exp, GTC.value)


def published(name):
    """Read a published example."""
    return tomllib.loads((REFERENCE / name).read_text())


def error(draws, u, dof, name):
    """One input's error, with the one draw of how wrong its size may be."""
    z = draws.standard((name, "1"), "normal")
    return u * z * (1.0 if math.isinf(dof) else draws.scale((name,), dof))


# The kernel --------------------------------------------------------------------------------------


def test_end_gauge_of_jcgm_100_annex_h1():
    """Contributions, combined uncertainty, degrees of freedom and factor of Annex H.1."""
    reference = published("gum_h1.toml")
    inputs = reference["inputs"]

    def length(draws):
        """Nanometres beyond 50 mm: the digits of the whole length would drown the effects."""
        x = {
            k: (0.0 if k == "l_s" else v["value"]) + error(draws, v["u"], float(v["df"]), k)
            for k, v in inputs.items()
        }
        beyond = x["l_s"] + (inputs["l_s"]["value"] - 50e6)
        bend = x["d_alpha"] * x["theta"] + x["alpha_s"] * x["d_theta"]
        return beyond + x["d"] - (50e6 + beyond) * bend

    found = linearise(length)

    assert found.value + 50e6 == pytest.approx(reference["published"]["l"], abs=0.5)
    by_name = {label[0]: abs(part) for label, part in zip(found.labels, found.effects, strict=True)}
    assert [by_name[name] for name in inputs] == pytest.approx(
        reference["recomputed"]["contributions"], rel=1e-9, abs=1e-9
    )
    assert found.standard_uncertainty == pytest.approx(reference["recomputed"]["u_c"], rel=1e-10)
    assert round(float(found.standard_uncertainty)) == reference["published"]["u_c"]
    assert found.dof == pytest.approx(reference["recomputed"]["df_eff"], rel=1e-9)
    assert int(found.dof) == reference["published"]["df_eff"]
    factor = coverage_factor(int(found.dof), 0.99)
    assert factor == pytest.approx(reference["published"]["t_99"], abs=0.005)
    # H.1.6 prints U = 93 nm, from the rounded 2.92 and 32 nm.
    assert factor * found.standard_uncertainty == pytest.approx(
        reference["recomputed"]["U_99_at_16"], rel=1e-6
    )
    assert round(float(factor * found.standard_uncertainty)) == reference["published"]["U_99"]


def test_resistance_and_reactance_of_jcgm_100_annex_h2():
    """Correlated inputs give the three results of Annex H.2 with their correlations."""
    reference = published("gum_h2.toml")
    with (REFERENCE / "gum_h2_data.csv").open() as file:
        sets = np.array(
            [[float(v) for v in list(row.values())[1:]] for row in csv.DictReader(file)]
        )
    mean = sets.mean(axis=0)
    u = sets.std(axis=0, ddof=1) / math.sqrt(len(sets))
    factor = u[:, None] * correlation_factor(np.corrcoef(sets.T))

    def impedance_of(volts, milliamperes, phase):
        size = 1000.0 * volts / milliamperes
        return np.stack([size * np.cos(phase), size * np.sin(phase), size])

    def impedance(draws):
        z = np.stack([draws.standard(("set", str(k)), "normal") for k in range(3)])
        return impedance_of(*(mean[:, None] + factor @ z))

    found = linearise(impedance)

    exact = reference["recomputed_first_order"]
    for row, name in enumerate("RXZ"):
        assert found.value[row] == pytest.approx(exact[name]["value"], abs=5e-9)
        assert found.value[row] == pytest.approx(reference["published"][name]["value"], abs=5e-4)
        assert found.standard_uncertainty[row] == pytest.approx(exact[name]["u"], abs=5e-9)
        # Approach 2 of H.2.4: each set by itself, then the scatter of the sets. The u(X) printed
        # for approach 1 is this one too; from the data as printed the law of propagation gives
        # 0.2956.
        each = impedance_of(*sets.T)[row]
        printed = reference["published"][name]
        assert each.mean() == pytest.approx(printed["value"], abs=5e-4)
        assert each.std(ddof=1) / math.sqrt(5) == pytest.approx(printed["u"], abs=5e-4)
        if name != "X":
            assert found.standard_uncertainty[row] == pytest.approx(printed["u"], abs=5e-4)
    u_out = found.standard_uncertainty
    matrix = found.covariance / np.outer(u_out, u_out)
    for (row, column), name in {(0, 1): "R_X", (0, 2): "R_Z", (1, 2): "X_Z"}.items():
        assert matrix[row, column] == pytest.approx(exact["r_out"][name], abs=5e-9)
        assert matrix[row, column] == pytest.approx(reference["published"]["r_out"][name], abs=5e-4)


def test_product_of_jcgm_100_g41():
    """Effective degrees of freedom of the product of three inputs."""
    reference = published("gum_g4.toml")
    parts = list(zip(reference["u_rel"], reference["df"], strict=True))

    def product(draws):
        values = [1 + error(draws, u / 100, nu, f"x{k}") for k, (u, nu) in enumerate(parts)]
        return np.prod(values, axis=0)

    found = linearise(product)

    assert 100 * found.standard_uncertainty == pytest.approx(
        reference["recomputed"]["u_c_rel"], rel=1e-9
    )
    assert found.dof == pytest.approx(reference["recomputed"]["df_eff"], rel=1e-9)
    assert round(float(found.dof), 1) == reference["published"]["df_eff"]


def test_coverage_factors_of_jcgm_100_table_g2():
    """All factors of Table G.2 but the one that is printed wrong."""
    with (REFERENCE / "gum_table_g2.csv").open() as file:
        rows = list(csv.DictReader(file))
    off = []
    for row in rows:
        factor = coverage_factor(float(row["df"]), float(row["p_used"]))
        if abs(factor - float(row["t_published"])) > 0.005 + 1e-9:
            off.append((row["df"], row["percent_label"]))

    assert len(rows) == 168
    assert off == [("35", "90")]


def test_mean_of_days_of_jcgm_100_annex_h5():
    """Ten days whose scatter is one estimate have its nine degrees of freedom, not ninety."""
    reference = published("gum_h5.toml")["recomputed"]
    standard = reference["sd_of_day_means"]

    def mean(draws):
        scale = draws.scale(("day",), 9)
        return np.mean(
            [standard * scale * draws.standard(("day", str(k)), "normal") for k in range(10)],
            axis=0,
        )

    found = linearise(mean)

    assert found.standard_uncertainty == pytest.approx(
        reference["u_mean_with_between_day"], rel=1e-9
    )
    assert found.dof == pytest.approx(9.0, rel=1e-9)
    assert standard == pytest.approx(57, abs=0.5)


def test_a_sum_with_itself_has_the_degrees_of_freedom_of_twice_it():
    """X + x and 2 x agree in uncertainty and degrees of freedom; x + y of one pool differ in u."""

    def sums(draws):
        x, y = (
            draws.standard(("pool", name), "normal") * draws.scale(("pool",), 3) for name in "xy"
        )
        return np.stack([x + x, 2 * x, x + y])

    found = linearise(sums)

    assert found.standard_uncertainty == pytest.approx([2, 2, math.sqrt(2)], rel=1e-9)
    assert found.dof == pytest.approx([3, 3, 3], rel=1e-9)


@pytest.mark.parametrize(
    ("parts", "dof", "factor"),
    [
        ([(0.5, math.inf), (0.2, 2)], 105.125, 1.98279),
        ([(0.5, math.inf), (0.3, math.inf)], math.inf, 1.959964),
        ([(0.1 / math.sqrt(2), 1), (1 / math.sqrt(2), 1)], 1.0200, None),
        ([(0.0, 3), (0.0, math.inf)], math.nan, math.nan),
    ],
)
def test_welch_satterthwaite_at_its_ends(parts, dof, factor):
    """Known parts, one limited part, all known, nothing uncertain: no division by zero."""

    def total(draws):
        return sum(error(draws, u, nu, str(k)) for k, (u, nu) in enumerate(parts))

    found = linearise(total)

    assert found.dof == pytest.approx(dof, rel=5e-5, nan_ok=True)
    if factor is not None:
        assert coverage_factor(found.dof) == pytest.approx(factor, abs=5e-6, nan_ok=True)


def test_two_samples_of_two_have_the_published_kind_of_interval():
    """Means 30 and 32 of two readings each, scatter 0.1 and 1: -10.62 to 6.62."""

    def gap(draws):
        return -2.0 + (
            error(draws, 0.1 / math.sqrt(2), 1, "A") - error(draws, 1 / math.sqrt(2), 1, "B")
        )

    found = linearise(gap)
    reach = coverage_factor(found.dof) * found.standard_uncertainty

    assert [-2 - reach, -2 + reach] == pytest.approx([-10.62, 6.62], abs=0.005)


def test_one_meter_cancels_from_a_difference_and_two_do_not():
    """Specification 1.4 dB, scatter 0.3 dB: a difference has 0.4243 or 1.2193 dB."""

    def gap(draws, second):
        meter = 1.4 / math.sqrt(3)
        a = meter * draws.standard(("meter 1",), "rectangular")
        b = meter * draws.standard((second,), "rectangular")
        a = a + 0.3 * draws.standard(("a",), "normal")
        return np.stack([a, a - b - 0.3 * draws.standard(("b",), "normal")])

    same = linearise(lambda draws: gap(draws, "meter 1")).standard_uncertainty
    other = linearise(lambda draws: gap(draws, "meter 2")).standard_uncertainty

    assert same == pytest.approx([0.8622, 0.4243], abs=5e-5)
    assert other == pytest.approx([0.8622, 1.2193], abs=5e-5)


def test_noise_to_drive_to_airflow_chains_its_slopes():
    """Two steps by straight lines: 1.3333 and 0.9167, their gap 0.4167 or 1.6180."""
    volts = np.array([5.0, 7, 9, 12])
    noise = {"A": [24.0, 28, 31, 37], "B": [22.0, 27, 33, 39]}
    flow = {"A": [20.0, 30, 38, 50], "B": [18.0, 29, 40, 52]}

    def chain(draws, shared):
        found = []
        for model in "AB":
            bias = 0.5 * draws.standard(("meter",) if shared else ("meter", model), "normal")
            at = straight_values(
                np.array(noise[model])[:, None], volts[:, None], (30.0 + bias)[None]
            )
            found.append(straight_values(volts[:, None], np.array(flow[model])[:, None], at)[0])
        return np.stack([*found, found[0] - found[1]])

    together = linearise(lambda draws: chain(draws, shared=True))
    apart = linearise(lambda draws: chain(draws, shared=False))

    assert together.value == pytest.approx([35.3333, 34.5, 0.8333], abs=5e-5)
    assert together.standard_uncertainty == pytest.approx([1.3333, 0.9167, 0.4167], abs=5e-5)
    assert apart.standard_uncertainty[2] == pytest.approx(1.6180, abs=5e-5)


@pytest.mark.parametrize("u", [0.01, 0.1, 0.8])
def test_slopes_of_a_smooth_function_are_exact(u):
    """A level less its room, against the closed form, from small to large uncertainties."""

    def corrected(draws):
        total = 33.0 + u * draws.standard(("total",), "normal")
        room = 30.0 + u * draws.standard(("room",), "normal")
        return 10 * np.log10(10 ** (total / 10) - 10 ** (room / 10))

    found = linearise(corrected)

    share = 1 / (1 - 10**-0.3)
    assert found.effects == pytest.approx([share * u, (1 - share) * u], rel=1e-9)


# The engine --------------------------------------------------------------------------------------

SIZES = Sizes()


def bench(sizes=SIZES, **spread):
    """A bench with one source on most levels, of the sizes that the chain uses."""
    return fs.Bench(
        noise=fs.Instrument(
            shared=fs.standard(sizes.meter, name="calibration"),
            session=[],
            sitting=fs.standard(sizes.position, name="position"),
            model=fs.standard(sizes.tone, name="tone"),
            reading=[fs.half_width(0.05), fs.standard(sizes.flicker)],
        ),
        speed=fs.Instrument(reading=fs.standard(sizes.tachometer)),
        airflow=fs.Instrument(
            shared=fs.half_width("3 %", name="vane"),
            model=fs.standard("0.8 %", name="swirl"),
            reading=fs.standard(sizes.wobble),
        ),
        spread=fs.UnitSpread(
            **(spread or {"noise": fs.standard(sizes.noise_luck), "airflow": fs.standard("2 %")})
        ),
    )


def uneven(model, offset):
    """Rows of one sitting that follow no power law."""
    rows = power_law_rows(
        model,
        level_at_900=31.5 + offset,
        airflow_at_900=450 - 20 * offset,
        room=27.0,
        speeds=(750.0, 850.0, 980.0, 1150.0, 1400.0),
    )
    for place, row in enumerate(rows):
        row["noise [dBA]"] = round(row["noise [dBA]"] + [0.3, -0.2, 0.25, -0.1, 0.2][place], 1)
        row["airflow none [fpm]"] = round(
            row["airflow none [fpm]"] * [1, 1.02, 0.99, 1.01, 1][place]
        )
    return rows


A, B = uneven("A", 0.0), uneven("B", 1.0)
PAIR = readings(A, B)
ON_A_KNOT = A[2]["noise [dBA]"]


@pytest.mark.parametrize("package", [UNCERTAINTIES, GENERAL], ids=["uncertainties", "GTC"])
@pytest.mark.parametrize("level", [35.0, 33.3, ON_A_KNOT])
@pytest.mark.parametrize("target", ["as read", "true"])
def test_standard_uncertainties_equal_those_of_general_packages(package, level, target):
    """The equal-noise chain through two other packages: 1e-9, also with the target on a knot."""
    found = first_order(PAIR, level, bench=bench(), target=target)
    sizes = Sizes(curve=json.loads(found.attrs["pooled"])["curve"])

    assert sizes.curve > 0
    for scope in SCOPES:
        errors = Errors(package)
        numbers = [
            airflow_at_equal_noise(
                package, errors, rows, level, scope, sizes, true=target == "true"
            )
            for rows in (A, B)
        ]
        here = {"scope": scope, "obstruction": "none"}
        assert found.airflow_value.sel(here).values == pytest.approx(
            [package.nominal(number) for number in numbers], rel=1e-10
        )
        gap = numbers[0] - numbers[1]
        spread = [number.std_dev if package is UNCERTAINTIES else GTC.uncertainty(number)
                  for number in [*numbers, gap]]  # fmt: skip
        u = found.airflow_standard_uncertainty.sel(here).values
        assert u == pytest.approx(spread[:2], rel=1e-9)
        matrix = covariance(found, "airflow", obstruction="none", scope=scope).values
        u_gap = math.sqrt(matrix[0, 0] + matrix[1, 1] - 2 * matrix[0, 1])
        assert u_gap == pytest.approx(spread[2], rel=1e-9)


@pytest.mark.parametrize("package", [UNCERTAINTIES, GENERAL], ids=["uncertainties", "GTC"])
@pytest.mark.parametrize(("held", "at"), [("drive", 7.0), ("drive", 6.4), ("speed", 1000.0)])
def test_equal_drive_and_speed_have_the_uncertainties_of_general_packages(package, held, at):
    """Speed, noise in the room and airflow of two models and their gaps: 1e-9, on a step too."""
    lucky = bench(noise=fs.standard(SIZES.noise_luck), airflow=fs.standard("2 %"),
                  speed=fs.standard("3 %"))  # fmt: skip
    found = first_order(PAIR, **{held: at}, bench=lucky)
    chain = at_equal_drive if held == "drive" else at_equal_speed
    # The choice of curve between steps is added at one speed, not at one drive.
    sizes = replace(SIZES, curve=json.loads(found.attrs["pooled"])["curve"] or 0.0)

    assert (sizes.curve > 0) == (held == "speed")
    assert found.attrs["question"] == f"equal {held}"
    for scope in SCOPES:
        errors = Errors(package)
        results = [chain(package, errors, rows, at, scope, sizes) for rows in (A, B)]
        for name in results[0]:
            place = {"obstruction": "none"} if name == "airflow" else {}
            here = {"scope": scope, **place}
            numbers = [result[name] for result in results]
            numbers.append(numbers[0] - numbers[1])
            spread = [number.std_dev if package is UNCERTAINTIES else GTC.uncertainty(number)
                      for number in numbers]  # fmt: skip
            assert found[f"{name}_value"].sel(here).values == pytest.approx(
                [package.nominal(number) for number in numbers[:2]], rel=1e-10
            )
            u = found[f"{name}_standard_uncertainty"].sel(here).values
            assert u == pytest.approx(spread[:2], rel=1e-9)
            matrix = covariance(found, name, scope=scope, **place).values
            gap = math.sqrt(matrix[0, 0] + matrix[1, 1] - 2 * matrix[0, 1])
            assert gap == pytest.approx(spread[2], rel=1e-9)


@pytest.mark.parametrize("held", [{"drive": 13.5}, {"speed": 2100.0}])
def test_equal_drive_and_speed_agree_with_monte_carlo(held):
    """Same values and statuses; standard uncertainties within what chance and curvature allow."""
    table, stated = fs.demo.readings(), fs.demo.bench()
    made = (fs.equal_drive if "drive" in held else fs.equal_speed)(
        table, *held.values(), bench=stated, draws=4000, rng=3
    )
    found = first_order(table, **held, bench=stated)

    for name in [n.removesuffix("_value") for n in made if str(n).endswith("_value")]:
        np.testing.assert_allclose(found[f"{name}_value"], made[f"{name}_value"], rtol=1e-12)
        assert (found[f"{name}_status"] == made[f"{name}_status"]).all()
        u, drawn = (
            found[f"{name}_standard_uncertainty"],
            made[name].std("draw", ddof=1, skipna=False),
        )
        near = np.abs(drawn / u - 1).where(u > 0)
        assert int(near.notnull().sum()) > 3
        assert float(near.max()) < 0.1
        assert float(near.median()) < 2 * 0.7 / math.sqrt(4000)


def test_exactly_one_thing_is_held_equal():
    """The message names the arguments; options of another question are refused."""
    for given, match in (
        ({}, "exactly one of `level`, `drive` and `speed` .* got none"),
        ({"level": 35, "drive": 7}, "got `level` and `drive`"),
        ({"drive": 7, "fans": {"A": 2}}, "`fans` goes with `level`; got it with `drive`"),
        ({"speed": 900, "drive_units": "V"}, "`drive_units` goes with `drive`"),
        ({"level": 35, "drive_units": "V"}, "got it with `level`. Leave it out"),
        ({"speed": -1}, "`speed` must be above 0 rpm"),
    ):
        with pytest.raises(fs.FanstatsError, match=match):
            first_order(PAIR, **given, bench=bench())


def test_the_target_is_really_on_a_knot():
    """The case above is the one it is meant to be, and bends more on one side than the other."""
    nearest = min(abs(row["noise [dBA]"] - ON_A_KNOT) for row in A)

    assert nearest == 0


def test_values_are_those_of_the_monte_carlo_road():
    """Same values and statuses, standard uncertainties within what curvature and chance allow."""
    table, demo = fs.demo.readings(), fs.demo.bench()
    found = first_order(table, 33, bench=demo)
    estimates = fs.equal_noise(table, 33, bench=demo, draws=4000, rng=3)

    for name in ("speed", "airflow", "temperature_rise"):
        drawn = estimates[f"{name}_value"].values
        there = np.isfinite(drawn)
        assert np.array_equal(found[f"{name}_value"].values[there], drawn[there])
        assert (found[f"{name}_status"].values[there] == "").all()
        ratio = estimates[name].std("draw", skipna=False) / found[f"{name}_standard_uncertainty"]
        assert float(abs(ratio - 1).max()) < 0.05 + 4 / math.sqrt(2 * 4000)
    assert found.attrs["pooled"] == estimates.attrs["pooled"]


def test_models_worked_out_together_are_as_by_themselves():
    """Errors that no two models share are moved together; nothing leaks from one to another."""
    together = first_order(PAIR, 35.0, bench=bench())
    pooled = together.attrs["pooled"]

    for model, rows in (("A", A), ("B", B)):
        alone = first_order(readings(rows), 35.0, bench=bench(), pooled=pooled)
        for name in ("airflow_standard_uncertainty", "airflow_dof", "speed_standard_uncertainty"):
            np.testing.assert_allclose(
                together[name].sel(model=model), alone[name].sel(model=model), rtol=1e-12
            )
        here = {"obstruction": "wire mesh", "scope": "next unit"}
        own = contributions(alone, "airflow", **here).sel(model=model)
        shared = contributions(together, "airflow", **here).sel(model=model)
        kept = shared.sel(label=own.label)
        np.testing.assert_allclose(kept, own, rtol=1e-9, atol=1e-12)
        assert float(abs(shared).sum()) == pytest.approx(float(abs(own).sum()), rel=1e-9)


def test_the_room_of_all_is_felt_by_all_models_worked_out_together():
    """Without sessions the reference room was read in one model's sitting, and moves every model.

    Its labels name that model, but they are no errors of that model alone.
    """
    groups = [uneven(name, offset) for name, offset in (("A", 0.0), ("B", 1.0), ("C", 0.5))]
    for place, rows in enumerate(groups):
        for row in rows:
            row["session"] = ""
            row["background [dBA]"] = 27.0 + 0.1 * place
    meter = bench()
    drifting = fs.Bench(
        noise=replace(meter.noise, session=fs.standard(0.3)), speed=meter.speed,
        airflow=meter.airflow, spread=meter.spread,
    )  # fmt: skip
    together = first_order(readings(*groups), 33.0, bench=drifting)
    pooled = together.attrs["pooled"]
    room = json.loads(pooled)["room"]["model"]
    assert room == "B"

    for rows in groups:
        model = rows[0]["model"]
        alone = first_order(readings(rows), 33.0, bench=drifting, pooled=pooled)
        here = {"model": model, "scope": "model", "obstruction": "none"}
        u = float(together.airflow_standard_uncertainty.sel(here))
        assert u == pytest.approx(float(alone.airflow_standard_uncertainty.sel(here)), rel=1e-12)
        effects = contributions(together, "airflow", obstruction="none").sel(model=model)
        drift = effects.sel(
            label=[text for text in effects.label.values if '"session", "1"' in text]
        )
        named = [text for text in drift.label.values[drift.values != 0] if f'"{room}"' in text]
        assert len(named) == 1  # the drift of the room's own sitting


def test_row_order_does_not_matter():
    """Shuffled rows give the same result, models in the order of their first row."""
    order = np.random.default_rng(1).permutation(len(A) + len(B))
    shuffled = readings([(A + B)[place] for place in order])

    found = first_order(PAIR, 35.0, bench=bench())
    again = first_order(shuffled, 35.0, bench=bench()).sel(model=["A", "B"])

    for name in ("airflow_value", "airflow_standard_uncertainty", "airflow_dof"):
        np.testing.assert_array_equal(found[name].values, again[name].values)


def test_covariances_survive_saving(tmp_path):
    """A result saved and opened again gives the same covariances and labels."""
    found = first_order(PAIR, 35.0, bench=bench())
    found.to_netcdf(tmp_path / "found.nc")

    with xr.open_dataset(tmp_path / "found.nc") as again:
        np.testing.assert_array_equal(
            covariance(again, "airflow", obstruction="none").values,
            covariance(found, "airflow", obstruction="none").values,
        )


def test_correlations_are_those_of_the_draws():
    """Shared errors correlate models as they do in the draws of the other road."""
    found = first_order(PAIR, 35.0, bench=bench())
    drawn = fs.equal_noise(PAIR, 35.0, bench=bench(), draws=4000, rng=5).airflow
    matrix = covariance(found, "airflow", obstruction="none", scope="tested unit").values
    correlation = matrix[0, 1] / math.sqrt(matrix[0, 0] * matrix[1, 1])
    seen = np.corrcoef(drawn.sel(scope="tested unit", obstruction="none").values)[0, 1]

    assert correlation > 0.2
    assert abs(seen - correlation) < 4 * (1 - correlation**2) / math.sqrt(4000)


def test_what_was_not_stated_is_missing_and_says_why():
    """With no airflow spread there is a tested unit only, and no uncertainty is invented."""
    found = first_order(PAIR, 35.0, bench=bench(noise=fs.standard(0.8)))
    missing = found.airflow_standard_uncertainty.sel(scope=["model", "next unit"])

    assert bool(missing.isnull().all())
    assert "spread not stated: airflow" in str(found.airflow_status.sel(scope="model").values[0, 0])
    assert bool(found.airflow_standard_uncertainty.sel(scope="tested unit").notnull().all())


def test_a_model_out_of_range_keeps_its_place_and_reason():
    """A model that never gets as loud as the target has no uncertainty, the others theirs."""
    quiet = power_law_rows("quiet", level_at_900=20.0, room=10.0)

    found = first_order(readings(A, quiet), 35.0, bench=bench())

    assert list(found.model.values) == ["A", "quiet"]
    assert "above range" in str(found.status.sel(model="quiet").item())
    u = found.airflow_standard_uncertainty.sel(scope="model", obstruction="none")
    assert np.isnan(u.sel(model="quiet"))
    assert u.sel(model="A") > 0
    matrix = covariance(found, "airflow", obstruction="none")
    assert np.isfinite(matrix.values).sum() == 1


def test_an_estimated_spread_counts_its_own_degrees_of_freedom():
    """All samples share one estimate: 4 degrees of freedom, fewer once measurement is taken out."""
    plain = fs.standard(0.8, dof=4)
    nothing = fs.Instrument(reading=[])
    quiet = fs.Bench(noise=nothing, speed=nothing, airflow=nothing,
                     spread=fs.UnitSpread(noise=plain, airflow=0))  # fmt: skip
    two_units = readings(A, [row | {"unit": "2"} for row in A], B)
    pooled = {"curve": 0.0}
    found = first_order(two_units, 35.0, bench=quiet, pooled=pooled)

    dof = found.airflow_dof.sel(scope=["model", "next unit"])
    np.testing.assert_allclose(dof, 4.0, rtol=1e-9)

    mean_square = Source(absolute=1.0, dof=4, kind="mean square", removed_variance=0.36)
    reduced = fs.Bench(noise=nothing, speed=nothing, airflow=nothing,
                       spread=fs.UnitSpread(noise=mean_square, airflow=0))  # fmt: skip
    less = first_order(two_units, 35.0, bench=reduced, pooled=pooled)
    np.testing.assert_allclose(less.airflow_dof.sel(scope="model"), 4 * 0.64**2, rtol=1e-9)
    np.testing.assert_allclose(
        less.airflow_standard_uncertainty.sel(scope="model"),
        found.airflow_standard_uncertainty.sel(scope="model"),
        rtol=1e-9,
    )


def test_scatter_pooled_over_readings_is_one_estimate():
    """Readings of one pooled scatter are one source: its degrees of freedom, not many times."""
    quiet = fs.Bench(
        noise=fs.Instrument(reading=fs.standard(0.3, dof=6)),
        speed=fs.Instrument(reading=[]),
        airflow=fs.Instrument(reading=[]),
        spread=fs.UnitSpread(noise=0, airflow=0),
    )

    found = first_order(PAIR, 35.0, bench=quiet, pooled={"curve": 0.0})

    np.testing.assert_allclose(found.airflow_dof, 6.0, rtol=1e-9)


def test_intervals_use_students_t():
    """Value plus and minus t times u; a factor of the normal where nothing limits it."""
    few = bench(noise=fs.standard(0.8, dof=3), airflow=fs.standard("2 %"))
    found = first_order(PAIR, 35.0, bench=few)
    ends = first_order_interval(found, "airflow", probability=0.9)

    u, dof = found.airflow_standard_uncertainty, found.airflow_dof
    width = (ends.sel(bound="upper") - ends.sel(bound="lower")) / 2 / u
    np.testing.assert_allclose(width, stats.t.ppf(0.95, dof.values), rtol=1e-12)
    assert float(dof.sel(scope="tested unit").min()) == math.inf


def test_questions_that_make_no_sense_are_refused():
    """Messages name the argument and list what there is."""
    found = first_order(PAIR, 35.0, bench=bench())

    with pytest.raises(fs.FanstatsError, match="`obstruction` must be one of 'none', 'wire mesh'"):
        covariance(found, "airflow")
    with pytest.raises(fs.FanstatsError, match="`obstruction` must be left out: speed has none"):
        covariance(found, "speed", obstruction="none")
    with pytest.raises(fs.FanstatsError, match="`quantity` must be one of 'speed', 'airflow'"):
        covariance(found, "noise")
    with pytest.raises(fs.FanstatsError, match="must come from first_order"):
        covariance(fs.equal_noise(PAIR, 35.0, bench=bench(), draws=100, rng=1), "airflow")
    with pytest.raises(fs.FanstatsError, match="must come from first_order"):
        covariance(xr.Dataset(), "airflow")


def test_labels_of_errors_are_those_of_the_draws():
    """An error's label here is the label that its draws have: nothing is renamed on the way."""
    found = first_order(PAIR, 35.0, bench=bench())
    labels = set(found.label.values.tolist())

    assert '["", "airflow", "shared", "vane"]' in labels
    assert '["spread", "noise", "next unit", "B"]' in labels
    draws = LabelledDraws(root=1, size=2)
    assert draws.standard(("", "airflow", "shared", "vane"), "rectangular").size == 2
