"""Known corrections: made before anything else, listed everywhere, on both roads alike."""

import io
import json
import math

import numpy as np
import pandas as pd
import pytest

import fanstats as fs
from fanstats.errors import FanstatsError
from fanstats.loading.corrections import corrected
from tests.tables import airflow, power_law_rows, readings

SPREAD = fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"), speed=0)
READING = [fs.half_width(0.05), fs.standard(0.15)]
CERTIFICATE = fs.expanded(0.2, k=2, name="certificate", correction=-0.4)
PLAIN = fs.expanded(0.2, k=2, name="certificate")
DRAWS = {"draws": 200, "rng": 5}


def table(shift=0.0, factor=1.0, amount=0.0):
    """Two models in one room, noted once a session; readings moved by hand."""
    groups = [power_law_rows("A", room=30.0), power_law_rows("B", room=30.0, level_at_900=34)]
    for row in (row for group in groups for row in group):
        row["noise [dBA]"] += shift
        row["background [dBA]"] += shift
        row["airflow none [fpm]"] = row["airflow none [fpm]"] * factor + amount
    return readings(*groups).assign_attrs(background_per="session")


def bench(meter, vane=None):
    """A meter, and a vane where one is given."""
    noise = fs.Instrument(shared=meter, reading=READING)
    flow = None if vane is None else fs.Instrument(shared=vane)
    return fs.Bench(noise=noise, airflow=flow, spread=SPREAD)


@pytest.mark.parametrize("target", ["true", "as read"])
def test_readings_are_corrected_before_anything_else(target):
    """A correction of -0.4 dB is a table whose noise and room were typed 0.4 dB lower."""
    by_bench = fs.equal_noise(table(), 36, bench=bench(CERTIFICATE), target=target, **DRAWS)
    by_hand = fs.equal_noise(table(-0.4), 36, bench=bench(PLAIN), target=target, **DRAWS)

    for name in ("speed", "airflow", "airflow_value"):
        np.testing.assert_allclose(by_bench[name], by_hand[name], rtol=1e-12)


def test_first_order_takes_the_same_correction():
    """Values, uncertainties and covariances of the table that was corrected by hand."""
    by_bench = fs.first_order(table(), 36, bench=bench(CERTIFICATE), target="true")
    by_hand = fs.first_order(table(-0.4), 36, bench=bench(PLAIN), target="true")

    for ending in ("value", "standard_uncertainty", "effect"):
        np.testing.assert_allclose(
            by_bench[f"airflow_{ending}"], by_hand[f"airflow_{ending}"], rtol=1e-9
        )


def test_a_level_as_read_is_one_after_correction():
    """With a meter that reads 0.4 dB high, 35.6 dBA asks for what stood on the display as 36."""
    after = fs.equal_noise(table(), 35.6, bench=bench(CERTIFICATE), **DRAWS)
    display = fs.equal_noise(table(), 36.0, bench=bench(PLAIN), **DRAWS)

    np.testing.assert_allclose(after.airflow, display.airflow, rtol=1e-12)
    told = (
        "noise: readings corrected by -0.4 dBA, and so the level asked for: 35.6 dBA was 36 on the"
    )
    assert f"{told} display" in json.loads(after.assumptions)


def test_levels_that_come_out_are_corrected_too():
    """At equal drive the noise is 0.4 dB less, with the uncertainty of the correction."""
    before = fs.equal_drive(table(), 7, bench=bench(PLAIN), **DRAWS)
    after = fs.equal_drive(table(), 7, bench=bench(CERTIFICATE), **DRAWS)

    np.testing.assert_allclose(after.noise, before.noise - 0.4, rtol=0, atol=1e-11)


def test_a_relative_correction_with_an_amount_in_another_unit():
    """-2 % and 0.05 m/s of a vane over readings in fpm; errors in per cent follow the reading."""
    known = fs.half_width("1 %", correction="-2 % + 0.05 m/s", name="vane")
    plain = fs.half_width("1 %", name="vane")
    amount = 0.05 * 60 / 0.3048
    by_bench = fs.equal_noise(table(), 36, bench=bench(PLAIN, known), **DRAWS)
    by_hand = fs.equal_noise(table(0, 0.98, amount), 36, bench=bench(PLAIN, plain), **DRAWS)

    at = {"obstruction": "none"}
    np.testing.assert_allclose(by_bench.airflow.sel(at), by_hand.airflow.sel(at), rtol=1e-11)


def test_the_room_is_corrected_by_the_instrument_that_reads_it():
    """Read with a meter of its own, the room is not moved by the noise meter's correction."""
    own = fs.Bench(noise=fs.Instrument(shared=CERTIFICATE), background=fs.Instrument(shared=[]))
    both = corrected(table(), bench(CERTIFICATE))
    noise_alone = corrected(table(), own)

    assert np.allclose(both.background - table().background, -0.4)
    assert np.array_equal(noise_alone.background, table().background)
    assert np.allclose(noise_alone.noise - table().noise, -0.4)


def test_each_rig_has_its_own_correction():
    """Limited to one rig it moves that rig's readings; a rig's own meter has its own."""
    rows = readings(power_law_rows("A", rig="attic"), power_law_rows("B", rig="cellar"))
    limited = fs.Bench(
        noise=fs.Instrument(shared=fs.standard(0.1, correction=-0.4, rigs="attic")),
        rigs={"cellar": {"airflow": fs.Instrument(shared=fs.standard(0, correction="+1 %"))}},
    )
    found = corrected(rows, limited)

    moved = (found.noise - rows.noise).groupby("rig").mean()
    assert moved.sel(rig="attic") == pytest.approx(-0.4)
    assert moved.sel(rig="cellar") == 0
    scaled = (found.airflow / rows.airflow).groupby("rig").mean(...)
    assert scaled.sel(rig="attic") == 1
    assert scaled.sel(rig="cellar") == pytest.approx(1.01)


def test_corrections_of_one_reading_add_up():
    """Each is meant of the reading as read, so that their order does not matter."""
    vane = [fs.standard("1 %", correction="-2 %"), fs.standard("1 %", correction="10 fpm -1 %")]
    found = corrected(table(), fs.Bench(airflow=fs.Instrument(shared=vane)))
    turned = corrected(table(), fs.Bench(airflow=fs.Instrument(shared=vane[::-1])))

    np.testing.assert_allclose(found.airflow, 0.97 * table().airflow + 10.0)
    np.testing.assert_allclose(found.airflow, turned.airflow, rtol=1e-14)


def test_a_budget_names_the_correction_with_its_uncertainty():
    """Its row says what was added and how well it is known: 0.1 dB."""
    rows = fs.budget(table(), 36, bench=bench(CERTIFICATE), model="A", obstruction="none",
                     target="true").set_index("component")  # fmt: skip

    assert rows.source["noise: certificate"] == (
        "correction -0.4, U = 0.2 (k = 2), one for all readings"
    )
    assert rows.standard_uncertainty["noise: certificate"] == pytest.approx(0.1, rel=1e-12)
    assert rows.share["noise: certificate"] > 0


FILE = """
[noise]
units = "dBA"
shared = [{expanded = 0.2, k = 2, correction = -0.4}]
[airflow]
units = "fpm"
shared = [{half_width = "3 %", correction = "-2 % + 0.1 m/s"}]
[speed]
shared = [{standard = 0, correction = "-0.1 %"}]
"""


def test_corrections_in_the_bench_file_and_read_back():
    """A number is in the table's unit; describe() says what is added and how well it is known."""
    found = fs.read_bench(io.StringIO(FILE))

    known = found.noise.shared[0].correction
    assert (known.absolute, known.relative, known.units) == (-0.4, 0.0, "dBA")
    flow = found.airflow.shared[0].correction
    assert (flow.absolute, flow.relative, flow.units) == (0.1, -0.02, "m/s")
    said = fs.describe(found)
    assert "Corrected before anything else: noise and room noise by -0.4 dBA; speed by -0.1 %; " \
        "airflow by -2 % + 0.1 m/s." in said  # fmt: skip
    assert "has in common: correction -0.4 dBA, U = 0.2 dBA (k = 2)." in said
    assert "correction -0.1 %, exact as written" in said


def test_numbers_off_a_chart_are_taken_as_corrected():
    """A chart at 36 dBA means 36 on its own axis; the correction's uncertainty stays."""
    chart = {"quantity": "airflow", "units": "fpm", "level": 36, "target": "true", **DRAWS}
    with_it = fs.from_chart({"A": 412, "B": 398}, bench=bench(CERTIFICATE), **chart)
    without = fs.from_chart({"A": 412, "B": 398}, bench=bench(PLAIN), **chart)

    assert np.array_equal(with_it.airflow, without.airflow)


def test_readings_are_corrected_once():
    """Corrected readings are not corrected again, and not by another bench."""
    once = corrected(table(), bench(CERTIFICATE))

    assert corrected(once, bench(CERTIFICATE)) is once
    assert corrected(table(), bench(PLAIN)).identical(table())
    other = fs.expanded(0.2, correction=-0.5)
    with pytest.raises(FanstatsError, match="corrected before, by another bench"):
        corrected(once, bench(other))


def test_a_cell_that_states_its_own_uncertainty_keeps_it_relative():
    """450(9) less 2 % is 441 with 8.82; zeros, where nothing turned, stay zeros."""
    rows = fs.read_readings(pd.DataFrame({"model": ["A", "A"], "drive [V]": [5, 0],
        "speed [rpm]": [900, 0], "airflow [fpm]": ["450(9)", "0"]}))  # fmt: skip
    known = fs.Bench(
        airflow=fs.Instrument(shared=fs.standard("1 %", correction="-2 % + 5 fpm")),
        speed=fs.Instrument(shared=fs.standard(0, correction=3)),
    )
    found = corrected(rows, known)

    assert found.airflow.values.tolist() == [446.0, 0.0]
    assert found.airflow_standard.values[0] == pytest.approx(8.82)
    assert found.speed.values.tolist() == [903.0, 0.0]


def test_no_draw_is_renamed_by_a_correction():
    """Steps named by their speed, and notes of the room, keep the labels that were read."""
    groups = [power_law_rows("A", room=30.0), power_law_rows("B", room=29.0)]
    rows = [{k: v for k, v in row.items() if k != "drive [V]"} for g in groups for row in g]
    tacho = [
        fs.Instrument(reading=fs.standard(4), shared=fs.standard(0, correction=c)) for c in (0, 2)
    ]
    labels = []
    for instrument in tacho:
        stated = fs.Bench(noise=fs.Instrument(shared=fs.standard(0, correction=instrument.shared[0]
                          .correction.absolute / 10), reading=READING), speed=instrument,
                          spread=SPREAD)  # fmt: skip
        labels.append(set(fs.first_order(readings(rows), 35, bench=stated).label.values))

    assert labels[0] == labels[1]


def test_spread_and_control_range_see_corrected_readings():
    """A tachometer that reads 5 % low gives a top speed 5 % higher."""
    known = fs.Bench(speed=fs.Instrument(shared=fs.standard(0, correction="+5 %")))
    plain, after = fs.control_range(table()), fs.control_range(table(), bench=known)
    top = [found[found.quantity == "top speed"].value.to_numpy() for found in (plain, after)]

    np.testing.assert_allclose(top[1], 1.05 * top[0])


def test_an_unsplit_limit_with_a_correction_is_corrected_either_way():
    """Taken as a model's own its limit moves; what is added stays with the instrument."""
    limit = fs.half_width(1.0, unsplit=True, correction=-0.4, name="limit")
    shared, model = fs.split_both_ways(bench(limit))

    for each in (shared, model):
        assert np.allclose(corrected(table(), each).noise - table().noise, -0.4)
    assert [source.is_zero for source in model.noise.shared] == [True]
    assert model.noise.model[0].absolute == pytest.approx(1 / math.sqrt(3))


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: fs.standard(0.1, correction="much"), "`correction` must read like"),
        (lambda: fs.standard(0.1, correction=""), "`correction` must read like"),
        (lambda: fs.standard(0.1, correction="1 dB + 2 dB"), "two amounts"),
        (lambda: fs.standard(0.1, correction=math.nan), "`correction` must be finite"),
        (lambda: fs.standard(0.1, correction=[1]), "must be a number or text"),
        (lambda: fs.standard(0.1, correction=1, acts_on="fan"), "State the two as two sources"),
        (lambda: fs.Instrument(model=CERTIFICATE), "under `shared`; got 'correction -0.4"),
        (lambda: fs.UnitSpread(noise=CERTIFICATE), "spread has no correction"),
        (
            lambda: fs.Bench(noise=fs.Instrument(shared=fs.standard(0, correction="1 %"))),
            "`noise`: a level or temperature has no percentage",
        ),
    ],
)
def test_corrections_that_make_no_sense_are_refused(make, match):
    """Each message names what is wrong and what to write instead."""
    with pytest.raises(FanstatsError, match=match):
        make()


def test_a_correction_larger_than_the_reading_is_refused():
    """The message names line and model, what was read, and what it comes to."""
    known = bench(PLAIN, fs.standard("1 %", correction="-3 m/s"))
    with pytest.raises(FanstatsError, match=r"line 1: the corrected airflow must be above 0; 250 "
                       r"fpm of model 'A' comes to -340.551 fpm"):  # fmt: skip
        fs.equal_noise(table(), 36, bench=known, **DRAWS)


@pytest.mark.parametrize(
    ("instrument", "match"),
    [
        (
            fs.Instrument(shared=[fs.standard(1), fs.half_width("3 % + 0.2 m3/h")]),
            r"`bench`, airflow, shared, source 2: '±\(3 % \+ 0.2 m3/h\)' is in m3/h, and the "
            r"airflow readings are in fpm; .* State it in fpm or as a percentage",
        ),
        (
            fs.Instrument(reading=fs.standard("3 dB")),
            "airflow, reading, source 1: 's = 3 dB' is in dB, and the airflow readings are in fpm",
        ),
        (
            fs.Instrument(shared=fs.standard("1 %", correction="1 cfm")),
            "airflow, shared, source 1: 'correction .1 cfm, s = 1 %' is in cfm",
        ),
    ],
)
def test_a_unit_that_does_not_fit_is_named_with_its_place(instrument, match):
    """Table of the bench, level of sharing, place in the list, both units, the mend."""
    with pytest.raises(FanstatsError, match=match):
        fs.equal_noise(table(), 36, bench=fs.Bench(airflow=instrument), **DRAWS)


def test_text_of_a_correction_is_read_with_its_signs():
    """Minus signs of either kind, parts in any order, a unit that holds a minus."""
    cases = {
        "-0.4 dB": (-0.4, 0.0, "dB"), "\u2212 2 %": (0.0, -0.02, None), "+3": (3.0, 0.0, None),
        "0.1 m/s - 2 %": (0.1, -0.02, "m/s"), "-2 %+0.1 m/s": (0.1, -0.02, "m/s"),
        "-5 min-1": (-5.0, 0.0, "rpm"),
    }  # fmt: skip
    for text, expected in cases.items():
        known = fs.standard(0.1, correction=text).correction
        assert (known.absolute, known.relative, known.units) == expected, text
    assert fs.standard("1 %", correction="0.5 %").stated == "correction +0.5 %, s = 1 %"
    assert airflow(fs.equal_noise(table(), 36, bench=bench(PLAIN), **DRAWS)).size == 200
