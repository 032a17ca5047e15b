"""Rigs bridged by the models tested on both: exact shifts, closed forms, refusals, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.rig_bridge import bridge_rigs
from tests.tables import power_law_rows, readings

MESH, NONE = "wire mesh", "none"


def on_rig(model, rig, *, noise=0.0, airflow=0.0, mesh=0.0, room=27.0, **more):
    """One sitting on a rig whose meters read too high by so much."""
    rows = power_law_rows(model, rig=rig, session=f"{rig} day", room=room, **more)
    for row in rows:
        row["noise [dBA]"] += noise
        row["background [dBA]"] += noise
        row["airflow none [fpm]"] *= 1.0 + airflow
        row["airflow wire mesh [fpm]"] *= 1.0 + mesh
    return rows


def old(model, off=0.0, **more):
    return on_rig(model, "old", noise=1.2 + off, airflow=0.08, mesh=-0.05, **more)


def new(model, **more):
    return on_rig(model, "new", room=24.0, **more)


def exact_bench(**noise):
    checked = {"shared": [], "session": [], "sitting": [], "model": [], "reading": []}
    return fs.Bench(
        noise=fs.Instrument(**{**checked, **noise}),
        speed=fs.Instrument(**checked),
        airflow=fs.Instrument(**checked),
    )


def row_of(found, kind, obstruction=""):
    table = found.table
    held = table[(table["kind"] == kind) & (table["obstruction"] == obstruction)]
    assert len(held) == 1
    return held.iloc[0]


def test_level_and_each_obstruction_are_bridged_exactly_whatever_the_rooms():
    """Two models on both rigs; two more, alike in truth, on one each."""
    table = [old("A"), new("A"), old("B"), new("B"), old("only old"), new("only new")]
    found = bridge_rigs(readings(*table), exact_bench(), onto="new")

    assert row_of(found, "noise")["shift"] == pytest.approx(1.2, abs=1e-9)
    assert row_of(found, "airflow", NONE)["shift"] == pytest.approx(0.08, abs=1e-9)
    assert row_of(found, "airflow", MESH)["shift"] == pytest.approx(-0.05, abs=1e-9)
    assert row_of(found, "noise")["models"] == 2
    estimates = fs.equal_noise(found.readings, 33, bench=found.bench, draws=100, rng=1)
    values = estimates["airflow_value"].sel(scope="tested unit").transpose("model", ...)
    assert np.ptp(values.to_numpy(), axis=0) == pytest.approx([0.0, 0.0], abs=1e-6)


def test_scatter_of_models_is_the_uncertainty_of_the_bridge():
    """Differences 1.0, 1.2, 1.3, 1.5 dB: s / sqrt 4 on 3 degrees of freedom, by Student's t."""
    offs = (-0.2, 0.0, 0.1, 0.3)
    table = [g for m, off in zip("ABCD", offs, strict=True) for g in (old(m, off), new(m))]
    found = bridge_rigs(readings(*table), exact_bench(), onto="new")
    row, s = row_of(found, "noise"), np.std(offs, ddof=1)

    assert row["shift"] == pytest.approx(1.25, abs=1e-9)
    assert row["u"] == pytest.approx(s / 2, rel=1e-9)
    assert row["dof"] == pytest.approx(3)
    assert row["high"] == pytest.approx(1.25 + 3.182446 * s / 2, rel=1e-6)
    assert row["by_model"] == pytest.approx(s, rel=1e-9)
    assert found.differences.query("kind == 'noise'")["difference"].to_numpy() == pytest.approx(
        [1.0, 1.2, 1.3, 1.5], abs=1e-9
    )


def test_what_sessions_add_to_all_models_alike_is_reckoned_on_top():
    """One day on each rig: 0.3 dB of each day is in every difference, and shows in no scatter."""
    table = [g for m in "ABCDE" for g in (old(m), new(m))]
    bench = exact_bench(session=fs.standard(0.3))
    assert row_of(bridge_rigs(readings(*table), bench, onto="new"), "noise")["u"] == pytest.approx(
        0.3 * np.sqrt(2), rel=1e-6
    )


def test_few_models_take_what_is_stated():
    """Two models, mountings of 0.2 dB and answers to a tone of 0.3 dB on either rig."""
    table = [old("A", -0.1), new("A"), old("B", 0.1), new("B")]
    stated = exact_bench(sitting=fs.standard(0.2), model=fs.standard(0.3, dof=8))
    found = bridge_rigs(readings(*table), stated, onto="new")
    row = row_of(found, "noise")

    assert row["u"] == pytest.approx(np.sqrt(2 * (0.04 + 0.09) / 2), rel=1e-9)
    # 0.04 is exact; on either rig 0.09 / 2 has 8 degrees of freedom.
    assert row["dof"] == pytest.approx(0.13**2 / (2 * 0.045**2 / 8), rel=1e-6)
    assert np.isnan(row["by_model"]) or row["by_model"] == 0
    assert not any("not considered" in note for note in found.notes)
    silent = bridge_rigs(readings(*table), fs.Bench(), onto="new")
    assert "2 models cannot tell how differently models answer" in silent.sentence()


def test_the_bench_shares_the_scale_and_keeps_each_bridge_as_one_error():
    """Calibration cancels between rigs, the bridge stays; a model's answer is each rig's own."""
    table = [g for m, off in zip("ABCD", (-0.2, 0.0, 0.1, 0.3), strict=True)
             for g in (old(m, off), new(m))]  # fmt: skip
    table += [old("P"), old("Q"), new("R"), new("S")]
    bench = exact_bench(shared=fs.standard(0.8), model=fs.standard(0.1))
    found = bridge_rigs(readings(*table), bench, onto="new")
    made = fs.equal_drive(
        found.readings, 7, bench=found.bench, draws=8000, rng=3, background="removed"
    )
    noise = made["noise"].sel(scope="tested unit")

    def sd(one, other):
        return float((noise.sel(model=one) - noise.sel(model=other)).std())

    u = row_of(found, "noise")["u"]
    error = 4 / np.sqrt(2 * 8000)
    assert sd("R", "S") == pytest.approx(0.1 * np.sqrt(2), rel=error)
    assert sd("P", "Q") == pytest.approx(0.1 * np.sqrt(2), rel=error)
    # Student's t on 3 degrees of freedom: a variance of 3, slow to settle; judge by quantiles.
    gap = (noise.sel(model="P") - noise.sel(model="R")).to_numpy()
    rng = np.random.default_rng(1)
    wanted = u * rng.standard_t(3, 400_000) + 0.1 * np.sqrt(2) * rng.normal(size=400_000)
    for p in (0.1, 0.25, 0.75, 0.9):
        below = np.mean(gap - np.median(gap) < np.quantile(wanted, p))
        assert below == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / 8000) + 0.01)
    assert float(noise.sel(model="R").std()) == pytest.approx(np.hypot(0.8, 0.1), rel=error)


def test_a_level_held_as_read_does_not_take_the_bridge_out():
    """The meter's own error is held; what the bridge may be off by is not."""
    table = [g for m, off in zip("ABCD", (-0.2, 0.0, 0.1, 0.3), strict=True)
             for g in (old(m, off), new(m))]  # fmt: skip
    table += [old("P"), new("R")]
    found = bridge_rigs(readings(*table), exact_bench(shared=fs.standard(0.8)), onto="new")
    made = fs.equal_noise(found.readings, 36, bench=found.bench, draws=400, rng=3)
    speed = np.log(made["speed"].sel(scope="tested unit"))

    # What is left on the rig kept is the choice of curve: 0.13 %.
    assert float(speed.sel(model="R").std()) < 0.002
    # 0.104 dB on 3 degrees of freedom, at 50 dB a decade: 0.48 % times Student's t.
    low, high = np.quantile(speed.sel(model="P"), [0.1587, 0.8413])
    assert (high - low) / 2 == pytest.approx(1.197 * 0.104 / 50 * np.log(10), rel=0.15)


def test_unstated_answers_of_models_are_measured_and_carried():
    """Nothing stated of 'model': its scatter becomes an error of each model of the old rig."""
    offs = (-0.3, -0.1, 0.0, 0.1, 0.4)
    table = [g for m, off in zip("ABCDE", offs, strict=True) for g in (old(m, off), new(m))]
    bench = replace(exact_bench(), noise=fs.Instrument(shared=[], sitting=[], reading=[]))
    found = bridge_rigs(readings(*table), bench, onto="new")

    (source,) = found.bench.on("old").noise.model
    assert source.absolute == pytest.approx(np.std(offs, ddof=1), rel=1e-6)
    assert source.dof == pytest.approx(4)
    assert found.bench.on("new").noise.model is None


def test_a_bridge_of_the_rise_does_not_cancel_with_the_ambient():
    """Another cooler, 6 K warmer by what the models show, plus or minus their scatter."""
    table = []
    for m, off in zip("ABCD", (-0.5, 0.0, 0.2, 0.7), strict=True):
        for rig, warmer in (("old", 6.0 + off), ("new", 0.0)):
            group = on_rig(m, rig)
            for place, row in enumerate(group):
                row |= {"temperature [degC]": 60.0 - place + warmer, "ambient [degC]": 22.0}
            table.append(group)
    bench = replace(exact_bench(), temperature=fs.Instrument(shared=fs.half_width(1.0), reading=[]))
    found = bridge_rigs(readings(*table), bench, onto="new")
    made = fs.equal_speed(found.readings, 900, bench=found.bench, draws=2000, rng=1)

    assert row_of(found, "temperature")["shift"] == pytest.approx(6.1, abs=1e-9)
    assert float(made["temperature_rise"].sel(scope="tested unit", model="A").std()) > 0.05


def test_samples_tested_on_both_rigs_are_preferred():
    """A second sample on one rig alone, 3 dB louder, plays no part; alone it does, and is said."""
    both = [old("A", unit="1"), new("A", unit="1"), new("A", unit="2", level_at_900=36.0)]
    found = bridge_rigs(readings(*both), exact_bench(), onto="new")
    spread = fs.UnitSpread(noise=fs.standard(0.8, dof=6), airflow=fs.standard("2 %"), speed=0)
    stated = replace(exact_bench(), spread=spread)
    other = bridge_rigs(readings(both[0], both[2]), stated, onto="new")

    assert row_of(found, "noise")["shift"] == pytest.approx(1.2, abs=1e-9)
    assert row_of(found, "noise")["u"] == 0
    assert row_of(other, "noise")["shift"] == pytest.approx(-1.8, abs=1e-9)
    assert "with different samples, whose luck lies in the bridge" in other.sentence()
    # The luck of one sample on either rig, at the degrees of freedom of the spread.
    assert row_of(other, "noise")["u"] == pytest.approx(0.8 * np.sqrt(2))
    assert row_of(other, "noise")["dof"] == pytest.approx(6)
    assert row_of(other, "airflow", NONE)["u"] == pytest.approx(0.02 * np.sqrt(2))
    # Two such models, one with two samples on the new rig.
    more = [*both[:1], both[2], old("B"), new("B", unit="2"), new("B", unit="3")]
    pair = row_of(bridge_rigs(readings(*more), stated, onto="new"), "noise")
    assert pair["u"] == pytest.approx(0.8 * np.sqrt(2 + 1.5) / 2)


def test_different_samples_are_no_bridge_where_nothing_says_how_samples_differ():
    """The spread is unknown then: three such models are refused, four tell by their scatter."""
    table = [
        each
        for m, off in enumerate((0.2, -0.3, 0.4, -0.1))
        for each in (old(f"M{m}", off, unit="1"), new(f"M{m}", unit="2"))
    ]
    with pytest.raises(fs.FanstatsError, match=r"different samples, .*\(spread: noise\)\. State"):
        bridge_rigs(readings(*table[:6]), exact_bench(), onto="new")
    found = bridge_rigs(readings(*table), exact_bench(), onto="new")
    assert row_of(found, "noise")["how"] == "scatter of models"


def test_models_that_differ_more_than_stated_are_named():
    """Scatter of 2 dB where 0.05 dB are stated."""
    table = [old("A", -2.0), new("A"), old("B", 2.0), new("B")]
    found = bridge_rigs(readings(*table), exact_bench(model=fs.standard(0.05)), onto="new")
    assert "models differ more between rig old" in found.sentence()


def test_rigs_without_a_model_in_common_are_refused_by_name():
    """No bridge, no comparison; and without one, a level as read is refused too."""
    table = readings(old("A"), new("B"))
    with pytest.raises(fs.FanstatsError, match="Rigs 'old' and 'new' have no model in common"):
        bridge_rigs(table, exact_bench(), onto="new")
    with pytest.raises(fs.FanstatsError, match=r"rigs 'new', 'old'.*bridge_rigs"):
        fs.equal_noise(table, 33, bench=exact_bench(), draws=100)


def test_a_quantity_that_no_common_model_read_is_refused_unless_left_out():
    """Level on both, airflow of the common model on one rig alone."""
    silent = new("A")
    for row in silent:
        row["airflow none [fpm]"] = row["airflow wire mesh [fpm]"] = np.nan
    table = readings(old("A"), silent, new("B"))
    with pytest.raises(fs.FanstatsError, match="airflow behind none is not bridged from rig old"):
        bridge_rigs(table, exact_bench(), onto="new")
    found = bridge_rigs(table, exact_bench(), onto="new", quantities=["noise"])
    assert set(found.table["kind"]) == {"noise"}


def test_wrong_arguments_are_refused():
    """A bench, a rig, a quantity of the wrong kind; one rig alone."""
    table = readings(old("A"), new("A"))
    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        bridge_rigs(table, None, onto="new")
    with pytest.raises(fs.FanstatsError, match="`onto` must be one of 'new', 'old'"):
        bridge_rigs(table, exact_bench(), onto="attic")
    with pytest.raises(fs.FanstatsError, match="`quantities` must be one of"):
        bridge_rigs(table, exact_bench(), onto="new", quantities=["load"])
    with pytest.raises(fs.FanstatsError, match=r"of one rig \(old\): there is nothing to bridge"):
        bridge_rigs(readings(old("A")), exact_bench(), onto="old")


def test_shown_as_text_and_html():
    """The sentence names the rigs, the shifts and how many models stand behind them."""
    found = bridge_rigs(readings(old("A"), new("A")), exact_bench(), onto="new")
    assert "rig old reads noise +1.2 dB (+1.2 to +1.2; 1 model)" in found.sentence()
    assert repr(found).startswith("Beside rig new, and taken out of the readings")
    assert "<table" in found._repr_html_()


# A known truth ---------------------------------------------------------------------------------


def simulated(rng, common, luck=0.0):
    """Models alike at equal noise; `common` on both rigs, one more on each.

    With luck, in dB, the two samples of a common model are different ones.
    """
    rows, level_off, flow_off = [], rng.normal(), rng.normal() * 0.05

    def at(model, rig, level, unit="1"):
        mounted, swirl = rng.normal() * np.hypot(0.1, 0.2), rng.normal() * 0.01
        room = 26.0 if rig == "old" else 23.0
        for v in (5.0, 6.0, 7.0, 8.5, 10.0, 12.0):
            n = 900 * (v / 8) ** 0.9
            fan = level + 52 * np.log10(n / 900) + mounted
            read = 10 * np.log10(10 ** (fan / 10) + 10 ** (room / 10))
            off, more = (level_off, flow_off) if rig == "old" else (0.0, 0.0)
            rows.append(
                {
                    "model": model,
                    "unit": unit,
                    "rig": rig,
                    "session": f"{rig} day",
                    "drive [V]": v,
                    "speed [rpm]": n + rng.normal() * 2,
                    "noise [dBA]": read + off + rng.normal() * 0.1,
                    "background [dBA]": room + off,
                    "airflow [fpm]": 400 * n / 900 * (1 + more) * (1 + swirl)
                    * (1 + rng.normal() * 0.005),
                }
            )  # fmt: skip

    for m in range(common):
        level = 35 + rng.normal()
        for rig in ("old", "new"):
            own = rng.normal() * luck if luck else 0.0
            at(f"common {m}", rig, level + own, rig if luck else "1")
    for rig in ("old", "new"):
        at(f"{rig} only", rig, 35.0)
    return fs.read_readings(pd.DataFrame(rows)), level_off, flow_off


def simulation_bench():
    return fs.Bench(
        noise=fs.Instrument(
            shared=fs.half_width(1.0),
            session=[],
            sitting=fs.standard(0.1),
            model=fs.standard(0.2),
            reading=fs.standard(0.1),
        ),
        background=fs.Instrument(name="noise", shared=fs.half_width(1.0), session=[], reading=[]),
        speed=fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=fs.standard(2.0)),
        airflow=fs.Instrument(
            shared=fs.half_width("3 %"),
            session=[],
            sitting=[],
            model=fs.standard("1 %"),
            reading=fs.standard("0.5 %"),
        ),
    )


@pytest.mark.simulation
@pytest.mark.parametrize("common", [2, pytest.param(5, marks=pytest.mark.at_length)])
def test_shifts_of_rigs_are_covered_as_stated(common):
    """Known shifts of level and airflow of 100 pairs of rigs, from two and from five models."""
    rng = np.random.default_rng(common)
    hits = []
    for _ in range(100):
        table, level, flow = simulated(rng, common)
        found = bridge_rigs(table, simulation_bench(), onto="new")
        for kind, true in (("noise", level), ("airflow", flow)):
            row = row_of(found, kind)
            hits.append(row["low"] <= true <= row["high"])
    assert np.mean(hits) == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / len(hits)))


@pytest.mark.simulation
def test_shifts_from_different_samples_are_covered():
    """Three models whose samples differ by 0.8 dB and sat on one rig each, at 60 pairs of rigs."""
    rng = np.random.default_rng(12)
    bench = replace(
        simulation_bench(), spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0, speed=0)
    )
    hits = []
    for _ in range(60):
        table, level, _ = simulated(rng, 3, luck=0.8)
        row = row_of(bridge_rigs(table, bench, onto="new"), "noise")
        hits.append(row["low"] <= level <= row["high"])
    assert np.mean(hits) == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / len(hits)))


@pytest.mark.simulation
def test_comparisons_across_a_bridge_cover():
    """Like models, one on each rig, at equal noise three decibels above the old room."""
    rng = np.random.default_rng(9)
    hits = []
    for trial in range(40):
        table, _, _ = simulated(rng, 4)
        found = bridge_rigs(table, simulation_bench(), onto="new")
        made = fs.equal_noise(found.readings, 33, bench=found.bench, draws=500, rng=trial)
        flow = np.log(made["airflow"].sel(scope="tested unit"))
        difference = flow.sel(model="old only") - flow.sel(model="new only")
        low, high = np.quantile(difference, [0.025, 0.975])
        hits.append(low <= 0 <= high)
    assert np.mean(hits) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(hits))
