"""Shifts of sessions seen by a control fan: exact cases, closed forms, refusals, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.spread.session_shifts import session_shifts
from tests.tables import power_law_rows, readings

DAYS = ("mon", "tue", "wed", "thu")
SHIFTS = {"mon": 0.0, "tue": 0.6, "wed": -0.3, "thu": 0.9}


def on_day(model, day, *, noise=0.0, airflow=0.0, speed=0.0, room=27.0, **more):
    """One sitting whose meters read too high by so much."""
    rows = power_law_rows(model, session=day, room=room, **more)
    for row in rows:
        row["noise [dBA]"] += noise
        row["background [dBA]"] += noise
        row["speed [rpm]"] *= 1.0 + speed
        for name in ("airflow none [fpm]", "airflow wire mesh [fpm]"):
            row[name] *= 1.0 + airflow
    return rows


def exact_bench(**noise):
    """Instruments without errors but for what is named of the noise meter."""
    checked = {"shared": [], "sitting": [], "model": [], "reading": []}
    return fs.Bench(
        noise=fs.Instrument(**{**checked, **noise}),
        speed=fs.Instrument(**checked),
        airflow=fs.Instrument(**checked),
    )


def of_kind(found, kind):
    return found.table[found.table["kind"] == kind].set_index("session")


def test_known_shifts_of_level_airflow_and_speed_are_taken_out_exactly():
    """Every fan reads alike on all days after it, three decibels above the room."""
    table = [
        on_day(model, day, noise=SHIFTS[day], airflow=SHIFTS[day] / 20, speed=SHIFTS[day] / 100)
        for day in DAYS
        for model in ("control", f"of {day}")
    ]
    found = session_shifts(readings(*table), exact_bench(), control="control", reference="mon")

    for day in DAYS:
        # At speeds as corrected the level shift is the meter's own.
        assert of_kind(found, "noise")["shift"][day] == pytest.approx(SHIFTS[day], abs=1e-9)
        assert of_kind(found, "airflow")["shift"][day] == pytest.approx(SHIFTS[day] / 20, abs=1e-9)
        assert of_kind(found, "speed")["shift"][day] == pytest.approx(SHIFTS[day] / 100, abs=1e-9)
    estimates = fs.equal_noise(found.readings, 33, bench=found.bench, draws=100, rng=1)
    values = estimates["airflow_value"].sel(scope="tested unit").transpose("model", ...)
    assert np.ptp(values.to_numpy(), axis=0) == pytest.approx([0.0, 0.0], abs=1e-7)


def test_a_supply_that_drifts_moves_every_fan_along_its_own_curve():
    """Speeds really higher on one day: nothing is wrong at equal noise, before or after."""
    table = []
    for day, faster in (("mon", 1.0), ("tue", 1.02)):
        speeds = tuple(faster * n for n in (500, 700, 900, 1200, 1500))
        table += [
            power_law_rows(m, session=day, speeds=speeds, room=None) for m in ("C", f"of {day}")
        ]
    found = session_shifts(readings(*table), exact_bench(), control="C", reference="mon")
    estimates = fs.equal_noise(found.readings, 36, bench=found.bench, draws=100, rng=1)
    flows = estimates["airflow_value"].sel(scope="tested unit", obstruction="none").to_numpy()

    assert of_kind(found, "speed")["shift"]["tue"] == pytest.approx(0.02, rel=1e-9)
    assert flows == pytest.approx([flows[0]] * 3, rel=1e-9)


def test_balanced_mountings_give_the_closed_form():
    """u(shift) is s sqrt(1 - 1/k) against the mean, s sqrt 2 against a session; s is left."""
    table = [on_day("control", day, noise=SHIFTS[day]) for day in DAYS]
    bench = exact_bench(sitting=fs.standard(0.2, dof=7))
    mean = session_shifts(readings(*table), bench)
    first = session_shifts(readings(*table), bench, reference="tue")

    assert of_kind(mean, "noise")["u"].to_numpy() == pytest.approx([0.2 * np.sqrt(0.75)] * 4)
    others = of_kind(first, "noise")["u"].drop("tue").to_numpy()
    assert others == pytest.approx([0.2 * np.sqrt(2)] * 3)
    assert of_kind(first, "noise")["u"]["tue"] == 0
    covariance = first.covariance["noise"].drop(index="tue", columns="tue").to_numpy()
    assert covariance == pytest.approx(0.04 * (np.eye(3) + 1))
    for found in (mean, first):
        (left,) = found.bench.noise.session
        assert left.absolute == pytest.approx(0.2)
        assert left.dof == pytest.approx(7)
    # Student's t on the degrees of freedom of the mounting error.
    high = of_kind(first, "noise")["high"]["wed"] - of_kind(first, "noise")["shift"]["wed"]
    assert high == pytest.approx(2.364624 * 0.2 * np.sqrt(2), rel=1e-6)


def test_two_mountings_of_the_control_fan_halve_the_variance_left():
    """The control fan mounted twice each day."""
    table = [
        on_day("control", day, noise=SHIFTS[day], sitting=str(k)) for day in DAYS for k in (1, 2)
    ]
    found = session_shifts(readings(*table), exact_bench(sitting=fs.standard(0.2)))

    assert found.bench.noise.session[0].absolute == pytest.approx(0.2 / np.sqrt(2))
    assert set(of_kind(found, "noise")["sittings"]) == {2}


def test_what_all_sessions_share_stays_as_one_error_of_everything():
    """Stated sessions of 0.4 dB: their mean over four may be off by 0.2, the control fan's too."""
    table = [on_day("control", day, noise=SHIFTS[day]) for day in DAYS]
    bench = exact_bench(session=fs.standard(0.4), sitting=fs.standard(0.2))
    mean = session_shifts(readings(*table), bench).bench.noise.shared
    first = session_shifts(readings(*table), bench, reference="mon").bench.noise.shared
    seen = session_shifts(readings(*table), exact_bench()).bench.noise.shared

    assert mean[-1].absolute == pytest.approx(np.sqrt((0.16 + 0.04) / 4))
    assert first[-1].absolute == pytest.approx(np.sqrt(0.16 + 0.04))
    # Nothing stated of sessions: their own scatter tells.
    scatter = np.std(list(SHIFTS.values()), ddof=1)
    assert seen[-1].absolute == pytest.approx(scatter / 2, rel=1e-9)
    assert seen[-1].dof == 3


def test_a_shift_of_the_rise_does_not_cancel_with_the_ambient():
    """The thermometer that also reads the ambient keeps what the control fan left."""
    table = [on_day("control", day) for day in DAYS]
    for group in table:
        for place, row in enumerate(group):
            row["temperature [degC]"] = 60.0 - place + SHIFTS[row["session"]]
            row["ambient [degC]"] = 22.0
    bench = replace(exact_bench(), temperature=fs.Instrument(sitting=[], reading=fs.standard(0.3)))
    found = session_shifts(readings(*table), bench, reference="mon")
    shifts = of_kind(found, "temperature")["shift"]
    estimates = fs.equal_speed(found.readings, 900, bench=found.bench, draws=4000, rng=1)
    rise = estimates["temperature_rise"].sel(scope="tested unit").to_numpy()

    assert shifts.to_numpy() == pytest.approx([SHIFTS[day] for day in shifts.index], abs=1e-9)
    left = found.bench.temperature.session[0].absolute
    assert left == pytest.approx(0.3 * np.sqrt(2 / 5), rel=0.05)
    # Four days' means: each its own left error, and what the reading itself adds.
    assert rise.std() > 0.8 * left / 2


def test_other_readings_of_the_same_sessions_are_corrected_alike():
    """`apply` takes out of them what it took out of the first."""
    table = [on_day("control", day, noise=SHIFTS[day]) for day in DAYS]
    more = readings(on_day("B", "tue", noise=SHIFTS["tue"]))
    found = session_shifts(readings(*table), exact_bench(), reference="mon")
    bare = readings(on_day("B", "tue"))

    assert found.apply(more)["noise"].to_numpy() == pytest.approx(bare["noise"].to_numpy())
    assert found.apply(more)["background"].to_numpy() == pytest.approx(27.0)
    with pytest.raises(fs.FanstatsError, match="did not sit: fri"):
        found.apply(readings(on_day("B", "fri")))


def test_a_session_without_the_control_fan_is_refused_by_name():
    """Nothing is guessed of a day on which the control fan did not sit."""
    table = [on_day("control", "mon"), on_day("control", "tue"), on_day("B", "fri")]
    with pytest.raises(fs.FanstatsError, match="in session 'fri', which holds readings of others"):
        session_shifts(readings(*table), exact_bench(), control="control")


def test_without_a_fan_in_every_session_the_nearest_is_named():
    """Nobody named the control fan, and none sat there every day: which day is missing is said."""
    table = [on_day("control", "mon"), on_day("control", "tue"), on_day("B", "fri")]
    with pytest.raises(fs.FanstatsError, match=r"No fan sat .*control \(sample 1\).* in 'fri'\. "):
        session_shifts(readings(*table), exact_bench())


def control_and_samples(rng, *, mounting=0.3, days=DAYS):
    """A control fan every day, and samples of one model on days of their own, all mounted anew."""
    return readings(
        *(on_day("control", day, noise=SHIFTS[day] + rng.normal() * mounting) for day in days),
        *(
            on_day("A", day, unit=str(u), noise=SHIFTS[day] + rng.normal() * mounting)
            for u, day in enumerate(days)
        ),
    )


def test_a_control_fan_tells_nothing_of_mountings_once_its_shifts_are_out():
    """Its sessions read alike by construction: the stated error of mounting stays as it is."""
    bench = exact_bench(sitting=fs.standard(0.3))
    found = session_shifts(control_and_samples(np.random.default_rng(1)), bench, control="control")
    spread = fs.unit_spread(found.readings, found.bench)

    assert spread.bench.noise.sitting == bench.noise.sitting
    assert not spread.components["component"].str.startswith("between sittings").any()
    assert any(note.startswith("control (sample 1): the shifts") for note in spread.left_out)
    # The sample of the control's own model still counts as one, with its siblings.
    sibling = on_day("control", "mon", unit="2", level_at_900=34.0, noise=SHIFTS["mon"])
    both = readings(*(on_day("control", day, noise=SHIFTS[day]) for day in DAYS), sibling)
    shifted = session_shifts(both, bench, control=("control", "1"))
    means = fs.unit_spread(shifted.readings, shifted.bench).deviations
    assert means[means["kind"].str.startswith("noise")]["deviation"].abs().tolist() == (
        pytest.approx([0.5, 0.5], abs=1e-9)
    )


def test_a_control_fan_hides_no_drift_once_its_shifts_are_out():
    """Its scatter of 0 would make that of all others look small: it is not judged, nor judges."""
    rng = np.random.default_rng(2)
    days = [f"day {d}" for d in range(1, 6)]
    shifts = dict(zip(days, rng.normal(size=5), strict=True))
    table = readings(
        *(
            on_day(model, day, noise=shifts[day] + 0.1 * rng.normal())
            for day in days for model in ("control", "A", "B")
        )
    )  # fmt: skip
    found = session_shifts(table, exact_bench(sitting=fs.standard(0.1)), control="control")
    judged = fs.trends(found.readings, found.bench).table

    assert set(judged[judged["kind"].str.startswith("noise")]["model"]) == {"A", "B"}


def test_shifts_are_taken_out_once():
    """Readings that were brought together are refused: a second pass would find nothing."""
    table = control_and_samples(np.random.default_rng(3))
    found = session_shifts(table, exact_bench(), control="control")
    with pytest.raises(fs.FanstatsError, match=r"already, those seen by control \(sample 1\)"):
        session_shifts(found.readings, found.bench, control="control")
    with pytest.raises(fs.FanstatsError, match="Pass them as they were read"):
        found.apply(found.readings)


def test_what_cannot_serve_as_control_is_refused_with_the_mend():
    """No name, a wrong one, several samples, one session, none recorded."""
    both = readings(*(on_day(m, day) for m in ("A", "B") for day in ("mon", "tue")))
    with pytest.raises(fs.FanstatsError, match=r"must name the control fan: A .* and B"):
        session_shifts(both, exact_bench())
    with pytest.raises(fs.FanstatsError, match=r"got 'X'\. Models: A, B"):
        session_shifts(both, exact_bench(), control="X")
    with pytest.raises(fs.FanstatsError, match="`reference` must be one of 'mon', 'tue'"):
        session_shifts(both, exact_bench(), control="A", reference="sun")
    with pytest.raises(fs.FanstatsError, match="there is nothing to compare"):
        session_shifts(readings(on_day("A", "mon")), exact_bench(), control="A")
    with pytest.raises(fs.FanstatsError, match="no session is recorded"):
        session_shifts(readings(on_day("A", "")), exact_bench(), control="A")
    units = readings(*(on_day("A", day, unit=u) for u in "12" for day in ("mon", "tue")))
    with pytest.raises(fs.FanstatsError, match="must name one sample of 'A'"):
        session_shifts(units, exact_bench(), control="A")
    assert session_shifts(units, exact_bench(), control=("A", "2")).control == ("A", "2")
    with pytest.raises(fs.FanstatsError, match="`bench` must be a Bench"):
        session_shifts(both, None, control="A")


def test_sessions_stated_to_make_no_difference_are_left_alone():
    """An empty list of session errors is a statement: nothing is taken out."""
    table = [on_day("control", day, noise=SHIFTS[day], airflow=0.01) for day in DAYS]
    found = session_shifts(readings(*table), exact_bench(session=[]))

    assert "noise" not in set(found.table["kind"])
    assert any("noise: sessions are stated to make no difference" in n for n in found.notes)


def test_a_control_fan_too_rough_to_help_is_said_to_be():
    """Mountings of 0.5 dB against sessions of 0.1 dB: the correction makes things worse."""
    table = [on_day("control", day) for day in DAYS]
    bench = exact_bench(session=fs.standard(0.1), sitting=fs.standard(0.5))
    found = session_shifts(readings(*table), bench)

    assert "makes ranges wider, not narrower" in found.sentence()
    assert "differ no more than the control fan's own errors allow" in found.sentence()


def test_shown_as_text_and_html():
    """The sentence names the fan, the anchor and the ends."""
    table = [on_day("control", day, noise=SHIFTS[day]) for day in DAYS]
    found = session_shifts(readings(*table), exact_bench(sitting=fs.standard(0.2)), reference="mon")

    assert repr(found).startswith("Shifts of sessions against mon, seen by control (sample 1)")
    assert "+0.9 dB (+0.35 to +1.5) in thu" in found.sentence()
    assert "<table" in found._repr_html_()


# A known truth ---------------------------------------------------------------------------------


def simulated(rng, *, days=4, models=2, day_sd=0.4, room=30.0):
    """Like models, each on one day; a control fan on all. Returns the table and the shifts."""
    b, a = rng.normal(size=days) * day_sd, rng.normal(size=days) * 0.02
    rows = []
    for d in range(days):
        for model in ("control", *(f"M{d}{m}" for m in range(models))):
            mounted = rng.normal() * 0.15
            for v in (5.0, 6.0, 7.0, 8.5, 10.0, 12.0):
                n = 900 * (v / 8) ** 0.9
                level = 35 + 52 * np.log10(n / 900) + mounted
                total = 10 * np.log10(10 ** (level / 10) + 10 ** (room / 10))
                rows.append(
                    {
                        "model": model,
                        "session": f"d{d}",
                        "drive [V]": v,
                        "speed [rpm]": n + rng.normal() * 2,
                        "noise [dBA]": total + b[d] + rng.normal() * 0.1,
                        "background [dBA]": room + b[d],
                        "airflow [fpm]": 400 * n / 900 * (1 + a[d]) * (1 + rng.normal() * 0.005),
                    }
                )
    return fs.read_readings(pd.DataFrame(rows)), b, a


def simulation_bench():
    return fs.Bench(
        noise=fs.Instrument(
            shared=fs.half_width(1.0),
            session=fs.standard(0.4),
            sitting=fs.standard(0.15),
            model=[],
            reading=fs.standard(0.1),
        ),
        background=fs.Instrument(
            name="noise", shared=fs.half_width(1.0), session=fs.standard(0.4), reading=[]
        ),
        speed=fs.Instrument(shared=[], session=[], sitting=[], model=[], reading=fs.standard(2.0)),
        airflow=fs.Instrument(
            shared=fs.half_width("3 %"),
            session=fs.standard("2 %"),
            sitting=[],
            model=[],
            reading=fs.standard("0.5 %"),
        ),
    )


@pytest.mark.simulation
def test_shifts_are_covered_as_stated():
    """Known shifts of 300 sessions lie in their ranges 95 times in 100."""
    rng = np.random.default_rng(21)
    hits = {"noise": [], "airflow": []}
    for _ in range(75):
        table, b, a = simulated(rng, models=0)
        found = session_shifts(table, simulation_bench())
        log = np.log1p(a)
        for kind, true in (("noise", b - b.mean()), ("airflow", np.expm1(log - log.mean()))):
            held = of_kind(found, kind)
            hits[kind].append(np.mean((held["low"] <= true) & (true <= held["high"])))
    for found in hits.values():
        # The four shifts of one bench share its control fan: the bench is what is counted.
        error = max(np.std(found, ddof=1) / np.sqrt(len(found)), 0.006)
        assert np.mean(found) == pytest.approx(0.95, abs=3.5 * error)


@pytest.mark.simulation
def test_comparisons_between_sessions_cover_and_are_narrower_than_without():
    """Like models read on different days, at equal noise six decibels above the room."""
    rng = np.random.default_rng(22)
    hits, with_control, without = [], [], []
    for trial in range(24):
        table, _, _ = simulated(rng)
        found = session_shifts(table, simulation_bench(), control="control")
        pairs = [(table, simulation_bench(), without), (found.readings, found.bench, with_control)]
        for read, bench, widths in pairs:
            estimates = fs.equal_noise(read, 36, bench=bench, draws=600, rng=trial)
            flow = np.log(estimates["airflow"].sel(scope="tested unit"))
            for m in range(2):
                difference = flow.sel(model=f"M0{m}") - flow.sel(model=f"M1{m}")
                low, high = np.quantile(difference, [0.025, 0.975])
                widths.append(high - low)
                if widths is with_control:
                    hits.append(low <= 0 <= high)
    assert np.mean(hits) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(hits))
    assert np.mean(with_control) < 0.6 * np.mean(without)
