"""Uncertainty budgets: columns of JCGM 100 Table H.1, shares, what cancels, what stays at zero."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.propagation.budget import budget
from fanstats.propagation.effect_tables import covariance
from fanstats.propagation.first_order import first_order
from tests.tables import power_law_rows, readings

TABLE = readings(
    power_law_rows("A", room=20.0),
    power_law_rows("B", room=20.0, level_at_900=34.0, airflow_at_900=430.0),
)
BENCH = fs.Bench(
    noise=fs.Instrument(
        shared=fs.half_width(1.0, name="calibration"),
        session=[],
        sitting=fs.standard(0.2, name="position"),
        model=fs.half_width(0.4, name="tone"),
        reading=[fs.half_width(0.05, name="display"), fs.standard(0.0, name="repeat")],
    ),
    speed=fs.Instrument(reading=fs.standard(4.0)),
    airflow=fs.Instrument(
        shared=fs.half_width("3 %", name="vane"), reading=fs.standard(3.0, dof=8, name="wobble")
    ),
    spread=fs.UnitSpread(noise=fs.standard(0.8, dof=4), airflow=fs.standard("2 %")),
)


def of(model="A", other=None, **options):
    """Make the budget of the airflow through nothing."""
    options = {"obstruction": "none", "scope": "model", **options}
    table = budget(TABLE, 36, bench=BENCH, model=model, other=other, **options)
    return table, table.set_index("component")


def test_columns_stand_in_the_order_of_table_h1():
    """Component, source, u(x_i), c_i, |c_i| u(x_i), degrees of freedom; then shares."""
    table, _ = of()

    assert list(table.columns[:6]) == [
        "component", "source", "standard_uncertainty", "sensitivity", "contribution", "dof",
    ]  # fmt: skip
    assert list(table.columns[6:]) == ["share", "units"]
    assert table.component.iloc[-1] == "u_c"


@pytest.mark.parametrize("by", ["source", "group", "label"])
@pytest.mark.parametrize("scope", ["tested unit", "model", "next unit"])
def test_contributions_add_up_to_the_combined_uncertainty(by, scope):
    """Squares of contributions, and shares, add up however rows are gathered."""
    table, by_name = of(by=by, scope=scope)
    found = first_order(TABLE, 36, bench=BENCH)
    here = {"scope": scope, "model": "A", "obstruction": "none"}

    parts = table.iloc[:-1]
    u = float(found.airflow_standard_uncertainty.sel(here))
    assert math.sqrt((parts.contribution**2).sum()) == pytest.approx(u, rel=1e-12)
    assert by_name.contribution["u_c"] == pytest.approx(u, rel=1e-12)
    assert parts.share.sum() == pytest.approx(1.0, rel=1e-12)
    assert by_name.dof["u_c"] == pytest.approx(float(found.airflow_dof.sel(here)), rel=1e-12)
    assert table.attrs["value"] == float(found.airflow_value.sel(here))
    assert parts.contribution.is_monotonic_decreasing


@pytest.mark.parametrize("by", ["source", "label"])
def test_contribution_is_sensitivity_times_standard_uncertainty(by):
    """|c_i| u(x_i) is the contribution in every row that has a size."""
    table, _ = of(by=by)
    parts = table.iloc[:-1]

    product = parts.sensitivity.abs() * parts.standard_uncertainty
    np.testing.assert_allclose(product, parts.contribution, rtol=1e-12)
    if by == "label":
        positions = parts[parts.component.str.startswith("noise: position")]
        assert (positions.sensitivity < 0).all()  # read louder: it must run slower


def test_standard_uncertainties_are_those_of_the_statement():
    """Half widths over root three, percentages as fractions, in the unit that was stated."""
    _, rows = of(target="true")

    assert rows.standard_uncertainty["noise: calibration"] == pytest.approx(1 / math.sqrt(3))
    assert rows.standard_uncertainty["airflow: vane"] == pytest.approx(0.03 / math.sqrt(3))
    assert rows.standard_uncertainty["sample luck in noise: tested sample"] == pytest.approx(0.8)
    units = rows.units
    assert units["noise: calibration"] == "dB"
    assert units["airflow: vane"] == "1"
    assert units["airflow: wobble"] == "fpm"
    assert units["speed: reading 1"] == "rpm"
    # A pure scale: the sensitivity is the airflow itself.
    value = of(target="true")[0].attrs["value"]
    assert rows.sensitivity["airflow: vane"] == pytest.approx(value, rel=1e-9)


def test_degrees_of_freedom_are_those_of_each_source():
    """Readings of one pooled scatter are one estimate: 8, whatever their number."""
    _, rows = of()

    assert rows.dof["airflow: wobble"] == pytest.approx(8.0)
    assert rows.dof["sample luck in noise: tested sample"] == pytest.approx(4.0)
    assert rows.dof["airflow: vane"] == math.inf


def test_what_was_stated_and_moves_nothing_keeps_its_row_at_zero():
    """A zero is 0 %, not missing; a calibration that the target cancels says so."""
    table, rows = of()

    assert rows.share["noise: repeat"] == 0.0
    assert rows.contribution["noise: repeat"] == 0.0
    assert rows.standard_uncertainty["noise: repeat"] == 0.0
    assert rows.share["noise: calibration"] == 0.0
    assert "cancels: the level is held on this meter" in rows.source["noise: calibration"]
    assert not table.share.isna().any()
    _, true = of(target="true")
    assert true.share["noise: calibration"] > 0.1
    assert "cancels" not in true.source["noise: calibration"]


def test_groups_have_the_names_of_instruments():
    """Totals by instrument and sample luck, names whole."""
    _, rows = of(by="group")
    _, parts = of()

    assert set(rows.index) == {"noise", "airflow", "speed", "sample luck", "u_c"}
    luck = parts.contribution[parts.index.str.startswith("sample luck")]
    assert rows.contribution["sample luck"] == pytest.approx(math.hypot(*luck), rel=1e-12)


def test_shares_of_three_components():
    """0.5, 0.3 and 0: 73.53, 26.47 and 0 %."""
    bench = fs.Bench(
        noise=fs.Instrument(reading=[]), speed=fs.Instrument(reading=[]),
        airflow=fs.Instrument(shared=[fs.standard("0.5 %", name="DUT"),
                                      fs.standard("0.3 %", name="REF"),
                                      fs.standard(0.0, name="repeat")]),
    )  # fmt: skip
    table = budget(TABLE, 36, bench=bench, model="A", obstruction="none", scope="tested unit",
                   pooled={"curve": 0.0}).set_index("component")  # fmt: skip

    shares = table.share[["airflow: DUT", "airflow: REF", "airflow: repeat"]]
    assert (100 * shares).round(2).tolist() == [73.53, 26.47, 0.0]


def test_the_shared_part_of_a_difference_cancels():
    """The vane scales both and leaves its share of the gap; u_c is that of the covariance."""
    table, rows = of(other="B")
    found = first_order(TABLE, 36, bench=BENCH)
    matrix = covariance(found, "airflow", obstruction="none").values
    alone = first_order(TABLE, 36, bench=BENCH).airflow_value.sel(scope="model", obstruction="none")

    vane = rows.loc["airflow: vane"]
    assert vane.contribution == pytest.approx(
        0.03 / math.sqrt(3) * abs(float(alone[0] - alone[1])), rel=1e-6
    )
    assert vane.cancelled > 0.98
    assert vane.in_first == pytest.approx(of("A")[1].contribution["airflow: vane"], rel=1e-12)
    assert vane.in_second == pytest.approx(of("B")[1].contribution["airflow: vane"], rel=1e-12)
    assert rows.cancelled["sample luck in noise: tested sample"] == 0.0
    u = math.sqrt(matrix[0, 0] + matrix[1, 1] - 2 * matrix[0, 1])
    assert rows.contribution["u_c"] == pytest.approx(u, rel=1e-9)
    assert table.attrs["value"] == pytest.approx(float(alone[0] - alone[1]))


def test_luck_in_a_difference_is_one_estimate_for_both_models():
    """Both models' luck stems from one estimated spread: its 4 degrees of freedom, not 8."""
    _, rows = of(other="B")

    assert rows.dof["sample luck in noise: tested sample"] == pytest.approx(4.0)


@pytest.mark.parametrize("model", ["A", "B"])
def test_a_model_against_itself_has_no_uncertainty(model):
    """Difference 0, uncertainty 0, shares 0: nothing is divided by zero."""
    table, rows = of(model, other=model)

    assert table.attrs["value"] == 0.0
    assert (table.contribution == 0).all()
    assert (table.share == 0).all()
    assert rows.cancelled["u_c"] == pytest.approx(1.0, rel=1e-12)
    assert np.isnan(rows.dof["u_c"])


@pytest.mark.parametrize("other", [None, "B"])
def test_a_budget_by_scope_says_what_every_scope_adds(other):
    """Measuring is the uncertainty of the tested unit; each luck adds what its scope has more."""
    u = {
        scope: of(other=other, scope=scope)[1].contribution["u_c"]
        for scope in ("tested unit", "model", "next unit")
    }
    _, rows = of(other=other, scope="next unit", by="scope")

    measuring = rows.contribution["tested unit: measuring it"]
    old = rows.contribution["model: luck of the units tested"]
    new = rows.contribution["next unit: its own luck"]
    assert measuring == pytest.approx(u["tested unit"], rel=0.02)  # read where the model meets it
    assert math.hypot(measuring, old) == pytest.approx(u["model"], rel=1e-9)
    assert math.hypot(measuring, old, new) == pytest.approx(u["next unit"], rel=1e-12)
    assert rows.share.drop("u_c").sum() == pytest.approx(1.0)


@pytest.mark.parametrize("held", [{"drive": 7.0}, {"speed": 850.0}])
@pytest.mark.parametrize("quantity", ["noise", "airflow"])
def test_budgets_at_equal_drive_and_at_equal_speed(held, quantity):
    """Rows add up to the first-order uncertainty; a gap in noise is rid of the calibration."""
    bench = fs.Bench(noise=BENCH.noise, speed=BENCH.speed, airflow=BENCH.airflow,
                     spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"),
                                          speed=fs.standard("3 %")))  # fmt: skip
    place = {} if quantity == "noise" else {"obstruction": "none"}
    asked = {"bench": bench, "quantity": quantity, **held, **place}
    one, pair = (
        budget(TABLE, model="A", other=other, **asked).set_index("component")
        for other in (None, "B")
    )
    found = first_order(TABLE, **held, bench=bench)

    u = found[f"{quantity}_standard_uncertainty"].sel(scope="model", model="A", **place)
    assert one.contribution["u_c"] == pytest.approx(float(u), rel=1e-12)
    matrix = covariance(found, quantity, **place).values
    gap = math.sqrt(matrix[0, 0] + matrix[1, 1] - 2 * matrix[0, 1])
    assert pair.contribution["u_c"] == pytest.approx(gap, rel=1e-9)
    shared = {"noise": "noise: calibration", "airflow": "airflow: vane"}[quantity]
    assert pair.cancelled[shared] > 0.98
    luck = "sample luck in speed: tested sample"
    assert (luck in one.index) == ("drive" in held)


def test_two_rigs_do_not_share_an_instrument_and_are_told_apart():
    """Rows name the rig; the vanes of two rigs do not cancel."""
    table = readings(
        power_law_rows("A", room=20.0, rig="bench"), power_law_rows("B", room=20.0, rig="desk")
    )
    rows = budget(table, 36, bench=BENCH, model="A", other="B", obstruction="none",
                  target="true").set_index("component")  # fmt: skip

    assert rows.cancelled["bench airflow: vane"] == 0.0
    assert rows.cancelled["desk airflow: vane"] == 0.0


def test_a_cell_that_states_its_own_uncertainty_has_a_row():
    """``450(6)`` replaces the bench's reading errors of that cell, and is listed as such."""
    rows = power_law_rows("A", room=20.0)
    own = [row | {"airflow none [fpm]": f"{row['airflow none [fpm]']:.0f}(6)"} for row in rows]
    table = fs.read_readings(pd.DataFrame(own))

    found = budget(table, 36, bench=BENCH, model="A", obstruction="none").set_index("component")

    assert found.standard_uncertainty["airflow: cell"] == pytest.approx(6.0)
    assert found.share["airflow: cell"] > 0
    assert found.share["airflow: wobble"] == 0.0


def test_a_room_that_nobody_read_is_a_component():
    """What the room may hide is listed with its own size."""
    table = readings(power_law_rows("A", room=None, speeds=(300.0, 700.0, 900.0, 1200.0, 1500.0)))

    rows = budget(table, 36, bench=BENCH, model="A", obstruction="none").set_index("component")

    assert rows.share["unknown room"] > 0
    assert rows.units["unknown room"] == "dB"
    product = rows.sensitivity["unknown room"] * rows.standard_uncertainty["unknown room"]
    assert abs(product) == pytest.approx(rows.contribution["unknown room"])


def test_what_has_no_estimate_is_refused_with_its_reason():
    """Unknown models, quantities, places, and results that are missing."""
    quiet = readings(
        power_law_rows("A", room=20.0), power_law_rows("Q", level_at_900=10.0, room=2.0)
    )
    unstated = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8)))

    with pytest.raises(fs.FanstatsError, match="`model` must be one of 'A', 'B'; got 'C'"):
        of("C")
    with pytest.raises(fs.FanstatsError, match="`other` must be one of 'A', 'B'; got 'C'"):
        of("A", other="C")
    with pytest.raises(fs.FanstatsError, match="`obstruction` must be one of 'none', 'wire mesh'"):
        of(obstruction=None)
    with pytest.raises(fs.FanstatsError, match="`quantity` must be one of 'speed', 'airflow'"):
        of(quantity="noise")
    with pytest.raises(fs.FanstatsError, match="`by` must be one of"):
        of(by="colour")
    with pytest.raises(fs.FanstatsError, match="'Q' has no airflow for scope 'model': above range"):
        budget(quiet, 36, bench=BENCH, model="Q", obstruction="none")
    with pytest.raises(fs.FanstatsError, match="spread not stated: airflow"):
        budget(TABLE, 36, bench=unstated, model="A", obstruction="none")


def test_rigs_that_bear_the_names_of_parameters_stay_rigs():
    """What a component is, and where it was read, is told whatever a rig is called."""
    names = ("curve", "room unknown", "spread")
    rows = [power_law_rows(name[0].upper(), rig=name, session=f"{name} day") for name in names]
    sources = {"noise": [fs.half_width(1.0, name="scale")], "airflow": [fs.standard("1 %")]}
    bench = replace(
        BENCH,
        rigs={
            name: {kind: fs.Instrument(shared=listed) for kind, listed in sources.items()}
            for name in names
        },
    )
    table = budget(
        readings(*rows), 36, bench=bench, model="C", obstruction="none", target="true"
    ).set_index("component")  # fmt: skip
    assert table.share[["curve noise: scale", "room unknown noise: scale"]].min() > 0
    assert table.share["curve airflow: shared 1"] > 0
    assert not table.index.str.startswith("spread").any()
