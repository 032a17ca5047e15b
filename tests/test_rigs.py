"""Two rigs in one table: whose instrument, which errors they share, which act on one alone."""

import io
import json
import math
from dataclasses import replace

import numpy as np
import pytest

import fanstats as fs
from fanstats.errors import FanstatsError
from tests.tables import airflow, power_law_rows, readings

SPREAD = fs.UnitSpread(noise=0, airflow=0)
VANE = fs.Instrument(shared=fs.standard("2 %", name="vane"))
METER = fs.Instrument(shared=fs.standard(0.5, name="meter"))
# Checked: nothing sets one rig's scale off another's.
JOINED = fs.Instrument(shared=())
BRIDGE = fs.standard("1.5 %", name="bridge", rigs="attic")


def two_rigs():
    """Model A on one rig, model B on another, in one table with a rig column."""
    return readings(power_law_rows("A", rig="cellar"), power_law_rows("B", rig="attic"))


def relative_u(bench, model, **more):
    """Relative standard uncertainty of the airflow through nothing, to first order."""
    found = fs.first_order(two_rigs(), 36, bench=bench, target="true", **more)
    at = {"scope": "model", "model": model, "obstruction": "none"}
    u, value = found.airflow_standard_uncertainty.sel(at), found.airflow_value.sel(at)
    return float(u / value)


def test_an_error_stated_for_one_rig_acts_on_its_readings_alone():
    """2 % of a vane everywhere, 1.5 % of a bridge on one rig: 2 % there, 2.5 % here."""
    vane = fs.Instrument(shared=[fs.standard("2 %", name="vane"), BRIDGE])
    bench = fs.Bench(noise=JOINED, airflow=vane, spread=SPREAD)

    assert relative_u(bench, "A") == pytest.approx(0.02, rel=1e-9)
    assert relative_u(bench, "B") == pytest.approx(0.025, rel=1e-9)

    drawn = fs.equal_noise(two_rigs(), 36, bench=bench, target="true", draws=20_000, rng=1)
    error = 0.025 / math.sqrt(2 * 20_000)
    one, other = airflow(drawn, model="A"), airflow(drawn, model="B")
    assert other.std() / other.mean() == pytest.approx(0.025, abs=4 * error)
    assert abs(np.corrcoef(one, other)[0, 1]) < 4 / math.sqrt(20_000)


def test_an_error_of_one_rig_moves_no_other_draw():
    """The readings of the other rig have the very draws that they have without it."""
    plain = fs.Bench(noise=JOINED, airflow=VANE, spread=SPREAD)
    more = replace(plain, airflow=fs.Instrument(shared=[*VANE.at("shared"), BRIDGE]))
    made = [
        fs.equal_noise(two_rigs(), 36, bench=bench, target="true", draws=200, rng=1)
        for bench in (plain, more)
    ]

    assert np.array_equal(airflow(made[0], model="A"), airflow(made[1], model="A"))
    assert not np.array_equal(airflow(made[0], model="B"), airflow(made[1], model="B"))


def test_the_budget_says_where_an_error_acts():
    """Its row names the rig; in the budget of the other rig's model it stands with a share of 0."""
    vane = fs.Instrument(shared=[*VANE.at("shared"), BRIDGE])
    bench = fs.Bench(noise=JOINED, airflow=vane, spread=SPREAD)
    asked = {"bench": bench, "target": "true", "obstruction": "none", "scope": "tested unit"}
    own = fs.budget(two_rigs(), 36, model="B", **asked).set_index("component")
    other = fs.budget(two_rigs(), 36, model="A", **asked).set_index("component")

    assert own.source["airflow: bridge"].endswith("on rig attic only")
    assert own.share["airflow: bridge"] == pytest.approx((1.5 / 2.5) ** 2)
    assert own.standard_uncertainty["airflow: bridge"] == pytest.approx(0.015)
    assert other.share["airflow: bridge"] == 0


def test_each_rig_has_its_own_instrument():
    """One rig's vane is good to 4 %, the others' to 2 %; the noise meter is stated once."""
    worse = fs.Instrument(shared=fs.standard("4 %", name="vane"))
    bench = fs.Bench(noise=JOINED, airflow=VANE, spread=SPREAD, rigs={"attic": {"airflow": worse}})

    assert relative_u(bench, "A") == pytest.approx(0.02, rel=1e-9)
    assert relative_u(bench, "B") == pytest.approx(0.04, rel=1e-9)
    assert "airflow on rig attic: session, sitting, model, reading errors not stated" in (
        bench.not_considered
    )
    rows = fs.budget(two_rigs(), 36, bench=bench, model="B", obstruction="none", target="true")
    assert rows.set_index("component").standard_uncertainty["airflow: vane"] == 0.04


def test_a_carried_instrument_is_one_on_both_rigs():
    """One meter carried along: its error cancels from the gap, and a level as read is meant."""
    stated = {
        "shared": METER.shared,
        "session": fs.standard(0.3, name="drift"),
        "sitting": fs.standard(0.2, name="position"),
    }
    asked = {"model": "A", "other": "B", "obstruction": "none", "target": "true"}
    for carried in (False, True):
        meter = fs.Instrument(**stated, carried=carried)
        bench = fs.Bench(noise=meter, airflow=JOINED, spread=SPREAD)
        rows = fs.budget(two_rigs(), 36, bench=bench, background="removed", **asked)
        cancelled = {
            name: rows[rows.component.str.contains(name)].cancelled.to_numpy()
            for name in ("meter", "drift", "position")
        }
        for name in ("meter", "drift"):
            assert cancelled[name] == pytest.approx(1.0 if carried else 0.0, abs=1e-6)
        assert (cancelled["position"] == 0.0).all()

    made = fs.equal_noise(two_rigs(), 36, bench=bench, target="as read", draws=200, rng=1)
    assert made.target == "as read"


def test_an_unrecorded_session_is_no_common_day_of_two_rigs():
    """Without a session column a carried meter's drift is each sitting's own."""
    table = readings(
        power_law_rows("A", rig="cellar", session=""), power_law_rows("A", rig="attic", session="")
    )
    meter = fs.Instrument(session=fs.standard(0.3), carried=True)
    bench = fs.Bench(noise=meter, airflow=JOINED, spread=SPREAD)
    found = fs.first_order(table, 36, bench=bench)

    labels = [json.loads(str(label)) for label in found.label.values]
    assert len({tuple(label) for label in labels if label[2] == "session"}) == 2


def test_two_meters_hold_no_common_level_as_read():
    """The message names the rigs and says what to do where it is one meter after all."""
    with pytest.raises(FanstatsError, match=r"rigs 'attic', 'cellar'.*carried=True"):
        fs.equal_noise(two_rigs(), 36, bench=fs.Bench(noise=METER), draws=200)


@pytest.mark.parametrize("read", [fs.equal_speed, fs.equal_drive])
def test_rigs_that_nothing_joins_are_refused_by_name(read):
    """Neither a bridge nor a stated calibration: no result of one beside one of the other."""
    at = 900 if read is fs.equal_speed else 7
    for bench, loose in (
        (fs.Bench(noise=METER), r"airflow was read on .*missing for rig 'attic', 'cellar'"),
        (fs.Bench(airflow=VANE), r"noise was read on the rigs 'attic', 'cellar'.*bridge_rigs"),
        (
            fs.Bench(noise=METER, airflow=VANE, rigs={"attic": {"airflow": fs.Instrument()}}),
            r"\[airflow\] shared \(missing for rig 'attic'\)",
        ),
    ):
        with pytest.raises(FanstatsError, match=loose):
            read(two_rigs(), at, bench=bench, draws=100)
    joined = fs.Bench(noise=METER, airflow=VANE)
    assert read(two_rigs(), at, bench=joined, draws=100, rng=1).sizes["model"] == 2
    one = two_rigs().isel(row=two_rigs()["rig"].to_numpy() == "attic")
    assert read(one, at, bench=fs.Bench(), draws=100, rng=1).sizes["model"] == 1


def test_a_misspelt_rig_is_refused_and_an_absent_one_listed():
    """Errors of a rig that nobody read from must not vanish in silence."""
    for bench in (
        fs.Bench(airflow=fs.Instrument(shared=fs.standard("1 %", rigs=["atic"]))),
        fs.Bench(rigs={"atic": {"airflow": VANE}}),
    ):
        with pytest.raises(FanstatsError, match=r"rig 'atic'.* did you mean 'attic'"):
            fs.equal_noise(two_rigs(), 36, bench=bench, target="true", draws=200)
    shed = fs.Bench(noise=JOINED, airflow=JOINED, rigs={"shed": {"airflow": VANE}})
    made = fs.equal_noise(two_rigs(), 36, bench=shed, target="true", draws=200, rng=1)
    assert "stated for rigs that no reading is from, and so without effect: shed" in (
        json.loads(made.assumptions)
    )


FILE = """
[noise]
units = "dBA"
shared = [{half_width = 1.0}]

[airflow]
units = "fpm"
carried = true
shared = [{half_width = "3 %"}, {standard = "1.5 %", name = "bridge", rigs = ["attic"]}]

[rig.attic.noise]
meter = "class 1"
"""


def test_rigs_in_the_bench_file_and_read_back():
    """``[rig.attic.noise]`` is that rig's meter; limited and carried things are read back."""
    bench = fs.read_bench(io.StringIO(FILE))

    assert bench.on("attic").noise == fs.instruments.sound_meter(class_=1)
    assert bench.on("cellar").noise == fs.Instrument(shared=fs.half_width("1 dBA"))
    assert bench.on("attic").airflow is bench.airflow
    assert bench.airflow.carried
    assert bench.airflow.shared[1].rigs == ("attic",)
    said = fs.describe(bench)
    assert "Airflow, one and the same on every rig:" in said
    assert "bridge s = 1.5 % (on rig attic only)" in said
    assert "On rig attic, in place of what is stated for the others:\n  Noise:" in said
    assert "class 1 limit ±0.7 dB" in said


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[rig.attic]\nshared = []", r"\[rig.attic\]: a rig holds instruments; .*\[rig.attic.no"),
        ("[rig.attic.nose]\nshared = []", r"\[rig.attic\]: no instrument is called 'nose'"),
        ("[rig.attic.noise]\nshard = []", r"\[rig.attic.noise\]: no key is called 'shard'"),
        ("[noise]\ncarried = 1", r"\[noise\]: 'carried' is true or false; found 1"),
        ("[noise]\nshared = [{standard = 1, rigs = [3]}]", r"source 1: `rigs` must be names"),
        ("[rig]\nattic = 3", r"\[rig.attic\]: a rig holds instruments; found 3"),
    ],
)
def test_faults_of_rigs_in_a_bench_file(text, match):
    """Each message names the table and the mend."""
    with pytest.raises(FanstatsError, match=match):
        fs.read_bench(io.StringIO(text))


@pytest.mark.parametrize(
    ("rigs", "match"),
    [
        ({"": {}}, "`rigs` must be named"),
        ({"attic": VANE}, "must be a mapping of quantity to Instrument"),
        ({"attic": {"noise": 1.0}}, "'attic', noise, must be an Instrument"),
        ({"attic": {"load": VANE}}, "must be one of"),
        ([], "`rigs` must be a mapping"),
    ],
)
def test_faults_of_rigs_in_a_bench(rigs, match):
    """Rigs have names, quantities and instruments."""
    with pytest.raises(FanstatsError, match=match):
        fs.Bench(rigs=rigs)
