"""Ready-made instruments: limits of the standards, words on the box, and what nobody has split."""

from __future__ import annotations

import io
import math

import pytest

import fanstats as fs
from fanstats.instruments import (
    from_words,
    named,
    sound_meter,
    split_both_ways,
    tachometer,
    thermocouple,
    vane,
)
from fanstats.loading.describe import describe
from fanstats.propagation.effect_tables import covariance
from fanstats.propagation.first_order import first_order
from tests.tables import power_law_rows, readings


@pytest.mark.parametrize(
    ("class_", "edition", "limit"),
    [(1, 2013, 0.7), (2, 2013, 1.0), (1, 2002, 1.1), (2, 2002, 1.4)],
)
def test_sound_meters_have_the_limits_of_their_edition(class_, edition, limit):
    """Limits at 1 kHz of IEC 61672-1, as half widths that nobody has split."""
    meter = sound_meter(class_, edition=edition)

    assert meter.shared[0].absolute_in("dBA") == pytest.approx(limit / math.sqrt(3))
    assert meter.shared[0].unsplit
    assert meter.reading[0].absolute_in("dBA") == pytest.approx(0.029, abs=5e-4)
    assert meter.unstated == ("session", "sitting", "model")


def test_a_vane_has_a_constant_and_a_relative_part():
    """3 % and 0.2 m/s are 82, 42, 23 and 11 % of 50, 100, 200 and 500 fpm."""
    source = vane("3 % + 0.2 m/s", display="0.01 m/s").shared[0]

    for speed, percent in {50.0: 82, 100.0: 42, 200.0: 23, 500.0: 11}.items():
        half = float(source.standard_uncertainty(speed, "fpm")) * math.sqrt(3)
        assert 100 * half / speed == pytest.approx(percent, abs=0.5)
    assert source.unsplit
    display = vane("3 %", display="0.01 m/s").reading[0]
    assert display.absolute_in("m/s") == pytest.approx(0.005 / math.sqrt(3))
    assert vane("3 %").reading is None
    assert vane("3 %", display=5.0).reading[0].absolute_in("fpm") == pytest.approx(2.5 / 3**0.5)


@pytest.mark.parametrize(("pulses", "seconds", "rpm"), [(2, 1, 30), (2, 10, 3), (1, 1, 60)])
def test_a_tachometer_is_off_by_one_count(pulses, seconds, rpm):
    """One count either way: 30 rpm in one second, a standard uncertainty of 17 rpm."""
    source = tachometer(pulses, seconds).reading[0]

    assert source.absolute_in("rpm") == pytest.approx(rpm / math.sqrt(3))
    assert round(tachometer().reading[0].absolute_in("rpm")) == 17


@pytest.mark.parametrize(
    ("kind", "class_", "limit"), [("K", 1, 1.5), ("K", 2, 2.5), ("T", 1, 0.5), ("T", 2, 1.0)]
)
def test_thermocouples_have_the_limits_of_their_class(kind, class_, limit):
    """Limits of IEC 60584 for new wire below the crossover, in degC and in degF."""
    source = thermocouple(kind, class_).shared[0]

    assert source.absolute_in("degC") == pytest.approx(limit / math.sqrt(3))
    assert source.absolute_in("degF") == pytest.approx(1.8 * limit / math.sqrt(3))
    assert not source.unsplit


def test_two_sensors_are_independent_and_one_cancels_from_the_rise():
    """65 over 23 degC: no offset with one sensor, with two of class 1 1.22 K (type T: 0.41 K)."""
    rows = [
        row | {"temperature [degC]": 65.0 + 600 / row["speed [rpm]"], "ambient [degC]": 23.0}
        for row in power_law_rows("A")
    ]
    spread = fs.UnitSpread(noise=0, airflow=0, temperature=0)

    def u(**instruments):
        bench = fs.Bench(spread=spread, **instruments)
        found = first_order(readings(rows), 36, bench=bench, pooled={"curve": 0.0})
        return float(found.temperature_rise_standard_uncertainty.sel(scope="model", model="A"))

    one = thermocouple("K", class_=1, display=None)
    assert u(temperature=one) == pytest.approx(0.0, abs=1e-9)
    assert u(temperature=one, ambient=one) == pytest.approx(1.22, abs=0.005)
    t = thermocouple("T", class_=1, display=None)
    assert u(temperature=t, ambient=t) == pytest.approx(0.41, abs=0.005)


@pytest.mark.parametrize(
    ("words", "instrument"),
    [
        ("class 2", sound_meter(2)),
        ("Class 1", sound_meter(1)),
        ("sound level meter class 1, edition 2002, display 0.1 dB", sound_meter(1, 0.1, 2002)),
        ("class 2 (IEC 61672-1:2002)", sound_meter(2, edition=2002)),
        ("vane 3 % + 0.2 m/s", vane("3 % + 0.2 m/s")),
        ("vane 3 % + 0.2 m/s, display 0.01 m/s", vane("3 % + 0.2 m/s", "0.01 m/s")),
        ("anemometer 2 %", vane("2 %")),
        ("tachometer 2 pulses, 1 s", tachometer(2, 1)),
        ("tachometer 1 pulse, 10 seconds", tachometer(1, 10)),
        ("thermocouple K class 2", thermocouple("K", 2)),
        ("type T class 1, display 0.5", thermocouple("T", 1, 0.5)),
    ],
)
def test_instruments_are_named_by_the_words_on_the_box(words, instrument):
    """Words give the instrument that the function of its kind gives."""
    assert named(words) == instrument


@pytest.mark.parametrize(
    ("quantity", "words", "instrument"),
    [
        ("noise", "class 2", sound_meter(2)),
        ("background", "class 1", sound_meter(1)),
        ("airflow", "3 % + 0.2 m/s", vane("3 % + 0.2 m/s")),
        ("airflow", "±3 %", vane("3 %")),
        ("speed", "2 pulses, 1 s", tachometer(2, 1)),
        ("temperature", "K class 1", thermocouple("K", 1)),
        ("ambient", "T", thermocouple("T", 2)),
    ],
)
def test_a_bench_file_needs_no_kind_because_the_table_says_it(quantity, words, instrument):
    """What a quantity is read with is known; only the figures are to be named."""
    assert from_words(quantity, words) == instrument


@pytest.mark.parametrize(
    ("quantity", "words", "message"),
    [
        ("noise", "class 7", r"'class 7': `class_` must be 1 or 2"),
        ("noise", "class 2, edition 1999", "`edition` 2013 or 2002"),
        ("noise", "loud", "takes class, edition, display; 'loud' in 'loud' has no meaning"),
        ("noise", "thermocouple K", "noise is read with a sound meter"),
        ("noise", "display 0.1", "is named by its class"),
        ("noise", "class 2, display 1 m/s", "step of its display is a number of dB"),
        ("airflow", "vane", "is named by the limit on its data sheet"),
        ("airflow", "vane 3 dogs", r"must be in a unit of airflow \(fpm, m/s"),
        ("airflow", "0 %", "`limit` must be above 0"),
        ("airflow", "3 %, display 1 %", "`display` must be a step"),
        ("speed", "0 pulses", "`pulses` must be a finite number above 0"),
        ("temperature", "class 1", "is named by its type"),
        ("temperature", "type J class 1", "`kind` must be 'K' or 'T'"),
    ],
)
def test_words_without_meaning_are_refused(quantity, words, message):
    """Each message quotes the words and says what is taken."""
    with pytest.raises(fs.FanstatsError, match=message):
        from_words(quantity, words)


@pytest.mark.parametrize("words", ["", "a spoon", 7])
def test_names_of_nothing_are_refused(words):
    """The message lists what there is."""
    with pytest.raises(fs.FanstatsError, match="Known: 'class 2'"):
        named(words)


def test_bench_files_name_meters_by_their_class():
    """``meter = "class 2"`` in a bench file; what the table states itself stays."""
    text = '[noise]\nunits = "dBA"\nmeter = "class 2"\nsitting = [{standard = 0.2}]'
    bench = fs.read_bench(io.StringIO(text))

    assert bench.noise.shared == sound_meter(2).shared
    assert bench.noise.sitting[0].absolute == 0.2
    assert "±1 dB" in describe(bench)
    with pytest.raises(fs.FanstatsError, match=r"\[noise\]: 'class 7'"):
        fs.read_bench(io.StringIO('[noise]\nmeter = "class 7"'))


# What nobody has split ---------------------------------------------------------------------------

TABLE = readings(
    power_law_rows("A", room=20.0),
    power_law_rows("B", room=20.0, level_at_900=34.0, airflow_at_900=430.0),
)
BENCH = fs.Bench(
    noise=fs.Instrument(
        shared=[fs.half_width(1.0, unsplit=True), fs.standard(0.1)], reading=[fs.standard(0.2)]
    ),
    airflow=vane("3 %"),
    spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")),
)


def test_unsplit_limits_are_taken_either_way():
    """Wholly shared, wholly a model's own; everything else stands where it stood."""
    shared, model = split_both_ways(BENCH)

    assert [s.stated for s in shared.noise.shared] == ["s = 0.1", "±1"]
    assert shared.noise.model is None
    assert [s.stated for s in model.noise.model] == ["±1"]
    assert model.noise.model[0].about.endswith("taken as all of it each model's own")
    assert shared.noise.shared[1].about.endswith("taken as all of it shared")
    assert [s.stated for s in model.noise.shared] == ["s = 0.1"]
    assert model.airflow.shared == ()
    assert not any(s.unsplit for bench in (shared, model) for _, _, s in bench.noise)
    assert shared.spread == model.spread == BENCH.spread


def test_a_gap_is_surer_where_the_limit_is_shared():
    """Ranges are about as wide either way, the gap between two models is not."""
    shared, model = split_both_ways(BENCH)
    here = {"obstruction": "none", "scope": "tested unit"}

    def u(bench):
        found = first_order(TABLE, 36, bench=bench, target="true")
        matrix = covariance(found, "airflow", **here).values
        return math.sqrt(matrix[0, 0]), math.sqrt(matrix[0, 0] + matrix[1, 1] - 2 * matrix[0, 1])

    one, gap = u(shared)
    own, own_gap = u(model)
    assert one == pytest.approx(own, rel=0.05)
    assert gap < 0.5 * own_gap


def test_other_sources_keep_their_draws_when_a_limit_moves():
    """A source without a name is named by its place, so that moving another renames nobody."""
    bench = fs.Bench(
        noise=fs.Instrument(shared=[fs.half_width(0.0, unsplit=True), fs.standard(0.5)]),
        spread=fs.UnitSpread(noise=0, airflow=0),
    )
    options = {"draws": 200, "rng": 3, "target": "true"}
    plain = fs.equal_noise(TABLE, 36, bench=bench, **options)

    for other in split_both_ways(bench):
        again = fs.equal_noise(TABLE, 36, bench=other, **options)
        assert (again.speed.values == plain.speed.values).all()


def test_a_bench_without_unsplit_limits_gives_two_alike():
    """Nothing to split: both benches say the same."""
    bench = fs.Bench(noise=fs.Instrument(shared=fs.half_width(1.0, name="meter")))

    shared, model = split_both_ways(bench)

    assert shared == model
    assert shared.noise.shared == bench.noise.shared
