"""Start, stop, lowest and top: the step they fell in is their resolution."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import fanstats as fs
from fanstats.spread.control_range import control_range


def table(up=None, down=None, once=None, units="V"):
    """Sweeps as {drive: rpm}, each in a sitting named after its way."""
    rows = [
        {"model": "A", "sitting": way, f"drive [{units}]": drive, "speed [rpm]": rpm}
        for way, sweep in (("up", up), ("down", down), ("once", once))
        for drive, rpm in (sweep or {}).items()
    ]
    return fs.read_readings(pd.DataFrame(rows))


UP = {3: 0, 4: 0, 5: 620, 7: 900, 12: 1500}
DOWN = {2: 0, 3: 310, 4: 450, 5: 618, 7: 902, 12: 1502}


def rows(found):
    return found.set_index("quantity")


def test_start_and_stop_are_two_quantities():
    """Going up it starts between 4 and 5 V; going down it stops between 2 and 3 V."""
    found = rows(control_range(table(UP, DOWN), up="up", down="down"))
    start, stop = found.loc["start drive"], found.loc["stop drive"]

    assert start[["value", "low", "high"]].tolist() == [4.5, 4.0, 5.0]
    assert start["u"] == pytest.approx(1 / np.sqrt(12))
    assert stop[["value", "low", "high"]].tolist() == [2.5, 2.0, 3.0]
    assert found.loc["lowest running drive"]["value"] == 3.0
    assert found.loc["lowest speed"]["value"] == 310
    assert found.loc["top speed"]["value"] == 1501
    assert "at 12 V" in found.loc["top speed"]["status"]


def test_without_a_direction_only_what_holds_either_way_is_given():
    """At rest at 4 V it starts above; running at 5 V it stops below: no middle is invented."""
    found = rows(control_range(table(once=UP)))
    start, stop = found.loc["start drive"], found.loc["stop drive"]

    assert np.isnan(start["value"])
    assert (start["low"], np.isnan(start["high"])) == (4.0, True)
    assert (np.isnan(stop["low"]), stop["high"]) == (True, 5.0)
    assert "nobody noted which way" in start["status"]


def test_a_fan_never_seen_at_rest_has_limits_only():
    """The lowest step bounds start and stop from above."""
    found = rows(control_range(table(up=DOWN | {2: 250}), up="up"))

    assert found.loc["start drive"]["high"] == 2.0
    assert np.isnan(found.loc["start drive"]["value"])
    assert "never seen at rest" in found.loc["start drive"]["status"]


def test_a_fan_that_never_turns_says_so():
    """Only stalled steps: no speed, no stop, a start above the highest."""
    found = rows(control_range(table(up={3: 0, 4: 0}), up="up"))

    assert found.loc["start drive"]["low"] == 4.0
    assert "still at rest at the highest step" in found.loc["start drive"]["status"]
    assert found.loc["lowest running drive"]["status"] == "never seen running"
    assert "lowest speed" not in found.index


def test_an_unreliable_start_is_noted():
    """Turning at 4 V, at rest at 5 V on the way up."""
    found = rows(control_range(table(up={3: 0, 4: 300, 5: 0, 7: 800}), up="up"))

    assert found.loc["start drive"][["low", "high"]].tolist() == [5.0, 7.0]
    assert "not start reliably" in found.loc["start drive"]["status"]


def test_duty_and_errors_of_the_tachometer():
    """A duty sweep is given in percent; the speed's uncertainty is that of its readings."""
    bench = fs.Bench(speed=fs.Instrument(reading=fs.standard(4.0)))
    sweep = {10: 0, 20: 400, 100: 1500}
    found = rows(control_range(table(up=sweep, down=sweep, units="%"), up="up", bench=bench))

    assert found.loc["start drive"]["units"] == "%"
    assert found.loc["top speed"]["u"] == pytest.approx(4.0 / np.sqrt(2))


def test_the_range_is_set_against_the_rating():
    """Drives are promised as at most so much, speeds within a band: each with its chance."""
    bench = fs.Bench(speed=fs.Instrument(reading=fs.standard(20.0)))
    rated = {"A": {"start drive": 4.25, "stop drive": 5.0, "top speed": 1650.0,
                   "lowest running drive": 1.0}}  # fmt: skip
    read = table(UP, DOWN)
    found = rows(control_range(read, up="up", down="down", bench=bench, ratings=rated))

    # It starts anywhere between 4 and 5 V.
    assert found.loc["start drive"]["kept"] == pytest.approx(0.25)
    assert found.loc["stop drive"]["kept"] == 1.0
    assert found.loc["lowest running drive"]["kept"] == 0.0
    # 1501 with 20 / sqrt 2 against 1485 to 1815.
    u = 20 / np.sqrt(2)
    wanted = stats.norm.cdf(1815, 1501, u) - stats.norm.cdf(1485, 1501, u)
    assert found.loc["top speed"]["kept"] == pytest.approx(wanted)
    assert np.isnan(found.loc["lowest speed"]["kept"])
    narrow = control_range(read, bench=bench, ratings=rated, tolerance="20 %")
    assert rows(narrow).loc["top speed"]["kept"] > wanted


def test_what_a_sweep_does_not_tell_of_a_rating_is_left_open():
    """No direction: above 4 V is all that is known; no tachometer error: no chance of a speed."""
    rated = {"A": {"start drive": 6.0, "top speed": 1500.0}}
    found = rows(control_range(table(UP), ratings=rated))
    low = rows(control_range(table(UP), ratings={"A": {"start drive": 4.0}}))

    assert np.isnan(found.loc["start drive"]["kept"])
    assert np.isnan(found.loc["top speed"]["kept"])
    assert low.loc["start drive"]["kept"] == 0.0
    assert "kept" not in control_range(table(UP)).columns


def test_ratings_of_nothing_are_refused():
    """A model or quantity that is not there, a rating that is none."""
    with pytest.raises(fs.FanstatsError, match=r"must name models of the readings \(A\); got 'B'"):
        control_range(table(UP), ratings={"B": {"top speed": 1500}})
    with pytest.raises(fs.FanstatsError, match="must be one of 'start drive'"):
        control_range(table(UP), ratings={"A": {"speed": 1500}})
    with pytest.raises(fs.FanstatsError, match="must be a finite number above 0"):
        control_range(table(UP), ratings={"A": {"top speed": -1}})


def test_the_order_of_rows_does_not_matter():
    """A table read backwards gives the same range."""
    read = table(UP, DOWN)
    back = read.isel(row=slice(None, None, -1))
    pd.testing.assert_frame_equal(control_range(read, up="up"), control_range(back, up="up"))


def test_what_cannot_be_is_refused():
    """A way that no sitting is named after, and readings without speed."""
    with pytest.raises(fs.FanstatsError, match="`up` must name a sitting or session; got 'rising'"):
        control_range(table(UP), up="rising")
    with pytest.raises(fs.FanstatsError, match="must name two sweeps; got 'up' for both"):
        control_range(table(UP, DOWN), up="up", down="up")
    noise = fs.read_readings(pd.DataFrame({"model": ["A"], "drive [V]": [5], "noise [dBA]": [30]}))
    with pytest.raises(fs.FanstatsError, match="no sitting with both a drive and a speed"):
        control_range(noise)
