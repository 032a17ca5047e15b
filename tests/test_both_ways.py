"""Limits that nobody split: results made twice, and what stands either way."""

import functools
import io
import json
import math

import numpy as np
import pytest

import fanstats as fs
from fanstats.propagation.both_ways import both_ways, compare_both_ways, rank_both_ways
from fanstats.sources.splitting import split, unsplit_limits
from tests.tables import power_law_rows, readings

SPREAD = fs.UnitSpread(noise=fs.standard(0.2), airflow=fs.standard("1 %"))
VANE = fs.Bench(airflow=fs.instruments.vane("3 %"), spread=SPREAD)
AIRFLOW = {"quantity": "airflow"}


def chart(**values):
    """Makes estimates off a chart at 36 dBA."""
    return functools.partial(
        fs.from_chart, values, quantity="airflow", units="fpm", level=36, draws=4000
    )


def test_results_are_made_twice_with_the_same_draws():
    """Shared and own differ by the limit alone; both have the width of the whole limit."""
    both = both_ways(chart(A=440, B=418), VANE, rng=1)

    assert both.root == 1
    for each in (both.shared, both.model):
        drawn = each.airflow.sel(scope="tested unit", model="A")
        error = 0.03 / math.sqrt(3) / math.sqrt(2 * 4000)
        assert float(drawn.std() / 440) == pytest.approx(0.03 / math.sqrt(3), abs=4 * error)
    rho = [
        np.corrcoef(each.airflow.sel(scope="tested unit"))[0, 1]
        for each in (both.shared, both.model)
    ]
    assert rho[0] > 0.999
    assert abs(rho[1]) < 4 / math.sqrt(4000)


def test_a_verdict_that_both_ways_agree_on_stands():
    """A wide gap is ahead whatever is shared; a narrow one is open either way."""
    both = both_ways(chart(A=500, B=400), VANE, rng=1)
    pair = compare_both_ways(both, "A", "B", **AIRFLOW)

    assert (pair.stands, pair.verdict, pair.who) == (True, "ahead", "A")
    assert pair.decided_by == ()
    assert math.isnan(pair.largest_own)
    assert "ahead (A), whether airflow: data sheet limit ±3 % is shared" in pair.sentence()
    close = compare_both_ways(both_ways(chart(A=401, B=400), VANE, rng=1), "A", "B", **AIRFLOW)
    assert (close.stands, close.verdict, close.who) == (True, "open", None)


def test_a_verdict_that_hangs_on_the_split_does_not_stand():
    """It is open, and the sentence names the test that decides and what it would have to find."""
    pair = compare_both_ways(both_ways(chart(A=440, B=418), VANE, rng=1), "A", "B", **AIRFLOW)

    assert (pair.shared.verdict, pair.model.verdict) == ("ahead", "leaning")
    assert (pair.stands, pair.verdict, pair.who) == (False, "open", None)
    assert pair.decided_by == ("airflow: data sheet limit",)
    said = pair.sentence()
    assert "ahead (A) if airflow: data sheet limit ±3 % is shared by all models" in said
    assert "leaning (A) if it is each model's own" in said
    assert "no verdict stands. An afternoon decides it: read six models or more" in said
    share = 100 * math.sqrt(pair.largest_own / 3) * 0.03
    assert f"is below some {share:.2g} % (standard deviation)" in said


def test_the_verdict_turns_at_the_share_that_is_named():
    """With that share each model's own it is ahead; with 1/32 of the variance more it is not."""
    make = chart(A=440, B=418)
    pair = compare_both_ways(both_ways(make, VANE, rng=1), "A", "B", **AIRFLOW)
    verdicts = [
        fs.compare(
            make(bench=split(VANE, {"airflow: data sheet limit": share}), rng=1),
            "A",
            "B",
            **AIRFLOW,
        ).verdict
        for share in (pair.largest_own, pair.largest_own + 1 / 32)
    ]

    assert verdicts == ["ahead", "leaning"]


def test_a_split_limit_keeps_its_whole_variance():
    """Parts add up in squares, and the correction stays with the shared part."""
    limit = fs.half_width("3 %", unsplit=True, name="limit", correction="-1 %")
    bench = fs.Bench(airflow=fs.Instrument(shared=limit))
    for share in (0.0, 0.3, 1.0):
        made = split(bench, {"airflow: limit": share}).airflow
        variances = [sum(s.relative**2 for s in made.at(level)) for level in ("shared", "model")]
        assert sum(variances) == pytest.approx(limit.relative**2)
        assert variances[1] == pytest.approx(share * limit.relative**2)
        assert [s.correction.relative for s in made.at("shared")] == [-0.01]
        assert all(s.correction is None for s in made.at("model"))


def test_only_the_limit_that_turns_the_verdict_is_named():
    """Of a meter and a vane the wider one decides; a gap in airflow hangs on it alone."""
    meter = fs.Instrument(shared=fs.half_width(0.05, unsplit=True, name="meter"))
    bench = fs.Bench(noise=meter, airflow=VANE.airflow, spread=SPREAD)
    both = both_ways(chart(A=440, B=418), bench, rng=1)
    pair = compare_both_ways(both, "A", "B", **AIRFLOW)

    assert list(both.limits) == ["noise: meter", "airflow: data sheet limit"]
    assert not pair.stands
    assert pair.decided_by == ("airflow: data sheet limit",)


def test_a_ranking_holds_what_is_certain_either_way():
    """Wider of both rank ranges; pairs that hang on the split are listed, the others stand."""
    found = rank_both_ways(both_ways(chart(A=520, B=440, C=416), VANE, rng=1), **AIRFLOW)

    assert found.settled == {1: "A"}
    assert found.apart == (("A", "B"), ("A", "C"))
    assert found.in_doubt == (("B", "C"),)
    table = found.table.set_index("model")
    for one, other in ((found.shared, found.model), (found.model, found.shared)):
        own = one.table.set_index("model").loc[table.index]
        assert (table.rank_low <= own.rank_low).all()
        assert (table.rank_high >= own.rank_high).all()
        assert one.settled != other.settled
    assert "shared or each model's own: A from B, A from C." in found.sentence()
    assert "On how that is split hang: B from C. An afternoon decides it" in found.sentence()
    clear = rank_both_ways(both_ways(chart(A=520, B=400), VANE, rng=1), **AIRFLOW)
    assert clear.sentence().endswith("Nothing hangs on how that is split.")


FILE = """
[noise]
meter = "class 2"
[airflow]
units = "fpm"
shared = [{half_width = "3 % + 0.2 m/s", unsplit = true, name = "box"}]
[rig.attic.airflow]
meter = "vane 2 %"
[spread]
noise = {standard = 0.5}
airflow = {standard = "2 %"}
"""


def test_from_the_bench_file_to_a_verdict_in_a_few_lines():
    """Limits of every rig are found, listed by describe() and in the attributes of results."""
    bench = fs.read_bench(io.StringIO(FILE))
    table = readings(power_law_rows("A"), power_law_rows("B", airflow_at_900=430))

    both = both_ways(functools.partial(fs.equal_noise, table, 36, draws=500), bench, rng=3)
    pair = compare_both_ways(both, "A", "B", quantity="airflow", obstruction="none")

    assert list(unsplit_limits(bench)) == [
        "noise: class 2 limit", "airflow: box", "attic airflow: data sheet limit",
    ]  # fmt: skip
    assert not pair.stands
    said = fs.describe(bench)
    assert "Not split (±1 dB, ±(3 % + 0.2 m/s), ±2 %)" in said
    assert "box ±(3 % + 0.2 m/s) (nobody knows how much of it all models share)" in said
    once = json.loads(fs.equal_noise(table, 36, bench=bench, draws=100, rng=1).assumptions)
    assert any("noise, ±1 dB: nobody knows how much of it all models share" in t for t in once)
    own = json.loads(both.model.assumptions)
    assert any(
        "airflow, ±(3 % + 0.2 m/s): nobody has split it; taken as all of it each model's own" in t
        for t in own
    )
    assert both.model.root == both.shared.root


def test_without_unsplit_limits_there_are_no_two_ways():
    """The message says how a limit is stated as unsplit, or to make the estimates once."""
    with pytest.raises(fs.FanstatsError, match=r"no limit that nobody has split.*unsplit=True"):
        both_ways(chart(A=1, B=2), fs.Bench(spread=SPREAD), rng=1)


@pytest.mark.parametrize(
    ("own", "match"),
    [({"noise": 1.0}, "`own` must be one of"), ({"airflow: data sheet limit": 1.5}, "from 0 to 1")],
)
def test_shares_that_make_no_sense_are_refused(own, match):
    """A share has the name of a limit and lies from 0 to 1."""
    with pytest.raises(fs.FanstatsError, match=match):
        split(VANE, own)
