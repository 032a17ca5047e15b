"""Samples that pin a value down: closed form, simulation, and what no sample reduces."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import fanstats as fs
from fanstats.errors import FanstatsError
from fanstats.planning.value import plan_value
from fanstats.sources import Instrument, standard
from tests.synthetic import benched, plain_bench, power_law_readings
from tests.test_plan import PAIR, estimates, flows

THREE = {**PAIR, "Calder": 32.0}


def test_samples_for_a_half_width_follow_from_luck_measuring_and_what_is_shared() -> None:
    """The half width is z times luck and measuring over root n, with the shared error on top."""
    made = estimates(THREE, draws=60_000, shared=0.2)
    plan = plan_value(made, "Aven", half_width=0.8)
    z = stats.norm.isf(0.025)

    def width(n: float) -> float:
        return float(z * math.sqrt((0.64 + 0.09) / n + 0.04))

    # What all share is told from the draws: 60,000 of them are good to 1.2 % at two errors.
    assert plan.half_width_now == pytest.approx(width(1), rel=0.02)
    assert plan.half_width_then == pytest.approx(width(plan.n_total), rel=0.03)
    assert plan.half_width_floor == pytest.approx(width(math.inf), rel=0.05)
    assert width(plan.n_total) < 0.8 * 1.02
    assert width(plan.n_total - 1) > 0.8 * 0.98
    assert (plan.n_per_model, plan.add, plan.verdict) == (plan.n_total, plan.n_total - 1, "test")


def test_a_range_pinned_as_planned_is_that_narrow_when_simulated() -> None:
    """Estimates with as many samples as planned have a range of the half width planned."""
    made = estimates(THREE, draws=40_000, shared=0.2, dof=6.0)
    plan = plan_value(made, "Aven", half_width=1.0)
    later = estimates(THREE, draws=40_000, shared=0.2, tested=plan.n_total, dof=5 + plan.n_total)
    low, high = np.quantile(later["noise"].sel(scope="model", model="Aven"), [0.025, 0.975])

    assert (high - low) / 2 == pytest.approx(plan.half_width_then, rel=0.03)


def test_what_every_sample_shares_is_not_bought_down() -> None:
    """A half width below what calibration leaves cannot be reached, and it says why."""
    plan = plan_value(estimates(THREE, draws=20_000), "Aven", half_width=0.5)

    assert plan.verdict == "cannot be reached"
    assert (plan.add, plan.n_total) == (0, 1)
    assert "No number of samples pins the noise of the typical one of Aven" in plan.sentence()
    assert "calibration" in plan.sentence()
    enough = plan_value(estimates(THREE), "Aven", half_width=9.0)
    assert enough.verdict == "already enough"


def test_ratios_are_pinned_in_percent_with_money_and_hours() -> None:
    """A half width in percent; packs, hours, the unit and what was tested are said."""
    made = flows({"Aven": 4.0, "Bryll": 4.1}, spread=0.04, shared=0.005)
    plan = plan_value(
        made, "Aven", half_width="3 %", sitting_hours=0.5,
        prices={"Aven": {"price": 30.0, "pack": 4, "currency": "EUR"}},
    )  # fmt: skip
    same = plan_value(made, "Aven", half_width=0.12)

    assert plan.n_total == same.n_total
    assert plan.money == 30.0 * math.ceil(plan.add / 4)
    assert plan.hours == 0.5 * plan.add
    assert f"to ±3 % (95 times in 100), test {plan.add} more" in plan.sentence()
    assert f"{plan.money:g} EUR and {plan.hours:.1f} h at the bench" in plan.sentence()
    assert "Tested: 1 sample of Aven." in plan.sentence()
    assert "prices and bench hours not stated" in same.sentence()
    assert "half width [%]" in plan.to_csv()


def test_only_the_sweep_of_the_model_in_question_is_doubted() -> None:
    """Another model's sweep that ends near the target is no matter of this plan."""
    made = benched(
        {"Aven": 4.0, "Bryll": 4.1, "Calder": 4.2}, noise_spread=1.0, above=[20.0, 2.0, 20.0]
    )
    notes = {
        name: plan_value(made, name, half_width="8 %").not_considered for name in ("Aven", "Bryll")
    }

    assert not any("hardly reach" in note for note in notes["Aven"])
    assert any("the steps read of Bryll hardly reach" in note for note in notes["Bryll"])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"half_width": 0.0}, r"`half_width` must be a finite number above 0; got 0.0"),
        ({"half_width": "3 %"}, r"`half_width` must be a number in dB; got '3 %'"),
        ({"half_width": math.nan}, r"`half_width` must be a finite number above 0"),
        ({"probability": 95}, r"`probability` must be a fraction.*Write 0.95 for 95 %"),
        ({"model": "Brill"}, r"`model` must be one of the models present.*mean 'Bryll'"),
        ({"prices": {"Bryll": 2.0}}, r"`prices` must name 'Aven'; got 'Bryll'"),
        ({"sitting_hours": -1.0}, r"`sitting_hours` must be a finite number at least 0"),
    ],
)
def test_wishes_that_make_no_sense_are_refused(arguments: dict[str, object], message: str) -> None:
    """Each impossible request names its argument, the rule and what was found."""
    with pytest.raises(FanstatsError, match=message):
        plan_value(estimates(THREE), **{"model": "Aven", "half_width": 1.0, **arguments})


def test_more_samples_than_anybody_means_to_test_are_not_worth_it() -> None:
    """A half width just above the floor takes hundreds: said with the price, and what 40 give."""
    made = estimates({"Aven": 31.0, "Bryll": 30.2, "Cerne": 30.6}, shared=0.5, draws=40_000)
    asked = {"quantity": "noise", "prices": {"Aven": 10.0}, "sitting_hours": 0.5}
    plan = plan_value(made, "Aven", half_width=1.0, **asked)
    more = plan_value(made, "Aven", half_width=1.0, most_units=plan.n_total, **asked)
    forty = plan_value(made, "Aven", half_width=1.03, **asked)

    assert plan.verdict == "not worth it"
    assert plan.n_total > 40
    assert plan.money == 10.0 * plan.add
    assert plan.sentence().startswith("Not worth it: to pin the noise of the typical one of Aven")
    assert "more than the 40 that anybody means to test (`most_units`), which give ±" in (
        plan.sentence()
    )
    assert (more.verdict, more.n_total) == ("test", plan.n_total)
    assert (more.reason, forty.reason) == ("", "")
    assert forty.verdict == "test"


@pytest.mark.parametrize("correlation", [0.0, -0.8, 1.0])
def test_lucks_that_go_in_step_are_pinned_as_they_add_up(correlation: float) -> None:
    """Half widths of airflow at equal noise rest on what luck in noise and airflow add up to."""
    made = benched(
        {"Aven": 4.0, "Bryll": 4.1, "Calder": 4.2}, own=0.01, mounting=0.01,
        correlation=correlation, draws=40_000,
    )  # fmt: skip
    plan = plan_value(made, "Aven", half_width="3 %")
    slope, air = 0.04 * 0.8, 0.02
    luck = slope**2 + air**2 - 2 * correlation * slope * air

    # In percent; the error of the model itself stays with endless samples.
    for n, said in ((1, plan.half_width_now), (plan.n_total, plan.half_width_then)):
        assert said == pytest.approx(196 * math.sqrt((luck + 1e-4) / n + 1e-4), rel=0.01)
    assert plan.half_width_floor == pytest.approx(1.96, rel=0.03)


def test_another_bench_pins_a_value_as_if_it_had_read_it() -> None:
    """What a further sample's mounting adds is that of the bench planned for."""
    values = {"Aven": 4.0, "Bryll": 4.1, "Calder": 4.2}
    made = {size: benched(values, mounting=size, noise_spread=0.0) for size in (0.03, 0.01)}
    bench = plain_bench(mounting=0.01, noise_spread=0.0)
    asked = {"half_width": "4 %"}
    own, other = (plan_value(made[0.03], "Aven", **asked, bench=b) for b in (None, bench))

    assert other.n_total == plan_value(made[0.01], "Aven", **asked).n_total
    assert other.n_total < own.n_total
    assert other.half_width_now < own.half_width_now


@pytest.mark.parametrize("days", ["one day", "a day each"])
def test_errors_of_a_day_average_out_where_models_were_tested_on_days_of_their_own(
    days: str,
) -> None:
    """A day that all share is like calibration; a model's own day comes with its sample."""
    readings = power_law_readings({"Aven": 4.0, "Bryll": 4.1, "Calder": 4.2})
    if days == "a day each":
        readings = readings.assign_coords(session=readings["model"].astype(str))
    vane = {"shared": 0.0, "session": 0.02, "sitting": 0.02, "model": 0.01, "reading": 0.0}
    bench = replace(
        plain_bench(noise_spread=0.0, airflow_spread=0.03),
        airflow=Instrument(**{k: standard(size, relative=True) for k, size in vane.items()}),
    )
    made = fs.equal_noise(readings, 33, bench=bench, draws=40_000, rng=4)
    plan = plan_value(made, "Aven", quantity="airflow", half_width="6 %")
    one_unit, model, day = 0.03**2 + 0.02**2, 0.01**2, 0.02**2
    kept, each = (day, 0.0) if days == "one day" else (0.0, day)

    for n, said in (
        (1, plan.half_width_now),
        (plan.n_total, plan.half_width_then),
        (math.inf, plan.half_width_floor),
    ):
        variance = (one_unit + each) / n + model + kept
        assert said == pytest.approx(196 * math.sqrt(variance), rel=0.02)
