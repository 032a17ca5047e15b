"""Typing errors a bench really has are named by row and reason, and nothing is corrected."""

from __future__ import annotations

import json
import warnings

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

import fanstats as fs
from fanstats.loading.fan_laws import fit_sweeps, medians
from fanstats.loading.plausibility import implausible
from tests.tables import power_law_rows
from tests.typing_errors import SLIPS, bench

VOLTS = (5.0, 6.0, 7.0, 9.0, 12.0)


def read(rows):
    """Read rows without regard to the warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", fs.FanstatsWarning)
        return fs.read_readings(pd.DataFrame(rows))


def doubts(rows):
    """What is doubted: row, column, and all words on it."""
    entries = json.loads(read(rows).attrs["report"])
    return [
        (e["line"], e["column"], f"{e['rule']}; {e['found']}; {e['mend']}")
        for e in entries
        if e["kind"] == "implausible"
    ]


def fan(model="A", **changes):
    """A sweep by the fan laws with readings as displays show them, above a room of 24 dBA."""
    rows = power_law_rows(model, room=24.0, speeds=(500.0, 650.0, 800.0, 1050.0, 1350.0), **changes)
    return [
        row
        | {
            "drive [V]": VOLTS[step],
            "noise [dBA]": round(float(row["noise [dBA]"]), 1),
            "airflow none [fpm]": float(round(row["airflow none [fpm]"])),
            "airflow wire mesh [fpm]": float(round(row["airflow wire mesh [fpm]"])),
        }
        for step, row in enumerate(rows)
    ]


def changed(at, **cells):
    """The same sweep with cells of one row typed wrong."""
    names = {"drive": "drive [V]", "speed": "speed [rpm]", "noise": "noise [dBA]",
             "airflow": "airflow none [fpm]", "mesh": "airflow wire mesh [fpm]"}  # fmt: skip
    rows = fan()
    rows[at] |= {names[name]: value for name, value in cells.items()}
    return rows


def test_a_sound_sweep_is_not_doubted():
    """Readings by the fan laws, rounded as displays show them, raise no doubt."""
    assert doubts(fan()) == []


@pytest.mark.parametrize(
    ("rows", "line", "column", "words"),
    [
        (changed(2, speed=8000.0), 3, "speed [rpm]", "by a decimal point"),
        (changed(2, airflow=40.0), 3, "airflow none [fpm]", "by a decimal point"),
        (changed(3, mesh=1.87), 4, "airflow wire mesh [fpm]", "m/s in a column of fpm"),
        (changed(4, noise=2.85), 5, "noise [dBA]", "no reading lies below the room"),
        (changed(1, speed=325.0, airflow=650.0), 2, "speed [rpm]", "Are the two swapped?"),
        (changed(2, noise=48.0), 3, "noise [dBA]", "about 3"),
        (changed(4, noise=285.0), 5, "noise [dBA]", "lies within -10 to 120"),
        (changed(3, drive=90.0), 4, "drive [V]", "lies within 0 to 60 V"),
        (changed(3, drive=6.5), 4, "drive [V]", "1050 rpm at 6.5 V, 800 rpm at 7 V in row 3"),
        (changed(1, airflow=0.0), 2, "airflow none [fpm]", "a meter shows 0 below the least"),
        (changed(1, noise=22.0), 2, "noise [dBA]", "22 dBA in a room of 24"),
    ],
)  # fmt: skip
def test_a_slip_is_named_with_its_row_column_and_reason(rows, line, column, words):
    """One cell typed wrong: that cell is named, no other, and why it is doubted."""
    found = doubts(rows)

    assert {(row, name) for row, name, _ in found} == {(line, column)}
    assert any(words in text for *_, text in found)


def test_nothing_is_corrected():
    """A doubted reading stays as it was written, and one warning says so."""
    rows = changed(2, speed=8000.0)
    with pytest.warns(fs.FanstatsWarning, match="1 x implausible.*used as written"):
        readings = fs.read_readings(pd.DataFrame(rows))

    assert readings["speed"].values[2] == 8000.0
    assert readings.attrs["rows_used"] == 5


def test_a_step_out_of_order_is_named_with_the_other_row():
    """A fan that turns more slowly at a higher drive: both rows are named."""
    rows = [{"model": "A", "drive [V]": v, "speed [rpm]": n}
            for v, n in ((5, 500), (7, 700), (9, 690), (10, 620), (12, 1200))]  # fmt: skip
    found = doubts(rows)

    assert [line for line, *_ in found] == [4]
    assert "620 rpm at 10 V, 700 rpm at 7 V in row 2" in found[0][2]


def test_the_order_of_rows_is_no_error():
    """A sweep read downwards, or in any order, is as good as one upwards."""
    assert doubts(fan()[::-1]) == []


def test_the_same_row_twice_is_named():
    """A row that agrees with another in every digit is doubted; a true repeat is not."""
    rows = fan()
    again = rows[2] | {"noise [dBA]": rows[2]["noise [dBA]"] + 0.1}

    assert doubts([*rows, again]) == []
    found = doubts([*rows, rows[2]])
    assert [line for line, *_ in found] == [6]
    assert "row 3 again" in found[0][2]


def test_a_table_pasted_twice_is_said_to_stand_twice():
    """Every row twice is one warning in plain words; every row is used as it stands."""
    rows = [*fan("A"), *fan("B"), *fan("A"), *fan("B")]
    with pytest.warns(fs.FanstatsWarning, match="the same rows stand twice"):
        readings = fs.read_readings(pd.DataFrame(rows))

    ((line, _, text),) = doubts(rows)
    assert line == 0
    assert "20 rows, 10 of them different" in text
    assert readings.attrs["rows_used"] == 20


def test_steps_read_again_on_a_coarse_display_are_listed():
    """Each step twice, one after the other, alike in every digit: a word, and no warning."""
    rows = [row for row in fan() for _ in range(2)]
    fs.read_readings(pd.DataFrame(rows))

    ((line, _, text),) = doubts(rows)
    assert line == 0
    assert "leave it if each step was read more than once" in text


def test_a_block_pasted_twice_is_told_of_once():
    """The sweep of one fan a second time among others: its rows from where to where, once."""
    ((line, _, text),) = doubts([*fan("A"), *fan("B"), *fan("B"), *fan("C")])

    assert line == 11
    assert "the same rows stand twice" in text
    assert "B: rows 6 to 10 again, to row 15" in text


def test_a_few_rows_read_alike_are_no_pasted_table():
    """Three rows, each read twice on a coarse display, are named one by one."""
    table = fan()[:3]
    found = doubts([*table, *table[:2], table[2] | {"noise [dBA]": 40.0}])

    assert [line for line, *_ in found if "again" in found[0][2]][:2] == [4, 5]


def test_a_whole_fan_in_another_unit_is_named_once():
    """Airflow of one fan in m/s under a heading in fpm: one doubt, with the unit that fits."""
    wrong = [
        row | {name: row[name] * 0.00508 for name in row if name.startswith("airflow")}
        for row in fan("B")
    ]
    found = doubts([*fan("A"), *wrong])

    assert [(line, column) for line, column, _ in found] == [(6, "airflow none [fpm]")]
    assert "Are the readings in m/s?" in found[0][2]


def test_a_whole_fan_with_swapped_columns_is_named_once():
    """Speed and airflow of one fan in each other's column, beside three that are right."""
    wrong = [
        row
        | {"speed [rpm]": row["airflow none [fpm]"], "airflow none [fpm]": row["speed [rpm]"],
           "airflow wire mesh [fpm]": 0.7 * row["speed [rpm]"]}
        for row in fan("D")
    ]  # fmt: skip
    found = doubts([*fan("A"), *fan("B"), *fan("C"), *wrong])

    assert [line for line, *_ in found] == [16]
    assert "Are the two columns swapped?" in found[0][2]


def test_a_component_cooler_than_the_room_is_named():
    """Temperature and ambient in each other's column."""
    rows = [row | {"temperature [degC]": t, "ambient [degC]": 22.0}
            for row, t in zip(fan(), (60.0, 55.0, 20.0, 46.0, 42.0), strict=True)]  # fmt: skip
    found = doubts(rows)

    assert [(line, column) for line, column, _ in found] == [(3, "temperature [degC]")]


def stuck(level, room=None, speeds=True):
    """A sweep on a meter that shows nothing below 30."""
    rows = [
        {"model": "A", "drive [V]": v, "speed [rpm]": 100.0 * v,
         "noise [dBA]": max(level, round(33 + 50 * np.log10(v / 9), 1)), "background [dBA]": room}
        for v in (5.0, 6.0, 7.0, 9.0, 12.0)
    ]  # fmt: skip
    frame = pd.DataFrame(rows).dropna(axis=1, how="all")
    return frame if speeds else frame.drop(columns="speed [rpm]")


@pytest.mark.parametrize(
    ("table", "lines"),
    [
        (stuck(30.0), [1, 2, 3]),
        (stuck(30.0, speeds=False), [1, 2, 3]),
        (stuck(30.0, room=30.0), [1, 2, 3]),  # the room's own reading sticks there too
        (stuck(30.0, room=29.8), []),  # that is the room
        (stuck(0.0), []),
    ],
)
def test_a_reading_stuck_at_the_floor_is_a_limit(table, lines):
    """The lowest level repeats while the fan slows down: write <30, unless it is the room."""
    found = [d for d in doubts(table) if "a limit, not a level" in d[2]]

    assert [line for line, *_ in found] == lines
    assert all("Write <30 there" in text for *_, text in found)


def test_a_sweep_that_never_leaves_the_floor_needs_a_second_witness():
    """One fan that reads 30.0 throughout may be so; two of them at the same level may not."""
    flat = [{"model": "B", "drive [V]": v, "noise [dBA]": 30.0} for v in (5.0, 7.0, 9.0)]

    assert doubts(flat) == []
    assert [line for line, *_ in doubts([*flat, *(r | {"model": "C"} for r in flat)])] == [
        *range(1, 7)
    ]


def test_two_columns_alone_are_doubted_together():
    """With speed and noise alone neither vouches for the other: both are named."""
    rows = [{"model": "A", "speed [rpm]": n, "noise [dBA]": round(33 + 50 * np.log10(n / 900), 1)}
            for n in (700.0, 900.0, 1100.0, 1300.0, 1500.0)]  # fmt: skip
    rows[2]["speed [rpm]"] = 110.0
    found = doubts(rows)

    assert [line for line, *_ in found] == [3]
    assert "does not go with 'noise [dBA]'" in found[0][2]
    assert "One of the two is off by a decimal point" in found[0][2]


def test_a_flood_is_counted():
    """Where nothing keeps to the laws a dozen rows are listed and the rest counted."""
    rng = np.random.default_rng(4)
    rows = [{"model": "A", "noise [dBA]": 20.0, "background [dBA]": float(round(room, 1))}
            for room in rng.uniform(25, 30, 40)]  # fmt: skip
    found = doubts(rows)

    assert len(found) == 13
    assert found[-1][0] == 0
    assert "and 28 more rows" in found[-1][2]


def test_no_rows_no_doubts():
    """An empty table has nothing to doubt."""
    assert implausible(xr.Dataset({"speed": ("row", np.zeros(0))})) == []


# How often --------------------------------------------------------------------------------------


def benches(count):
    """Benches with slopes, resonances, vane starts and rooms drawn at random."""
    return [bench(np.random.default_rng([31, number])) for number in range(count)]


def test_sound_benches_are_seldom_doubted():
    """Of 400 sound fans no more than 2 in 100 are doubted, at 99 % confidence."""
    tables = benches(40)
    doubted = sum(len({(text.split("; ")[1].split(":")[0]) for *_, text in doubts(rows)})
                  for rows in tables)  # fmt: skip

    assert stats.binom.cdf(doubted, 400, 0.02) < 0.01


@pytest.mark.parametrize("name", SLIPS)
def test_slips_are_found_in_nearly_all_benches(name):
    """A slip in a random cell of a random bench is named at its row in more than 8 of 10."""
    column, slip = SLIPS[name]
    hits = 0
    for number, rows in enumerate(benches(40)):
        at = int(np.random.default_rng([32, number]).integers(len(rows)))
        slip(rows, at)
        hits += (at + 1, column) in {(line, named) for line, named, _ in doubts(rows)}

    assert stats.binom.sf(hits - 1, 40, 0.8) < 0.05


# The fit ----------------------------------------------------------------------------------------


def test_medians_agree_with_pandas():
    """Grouped medians with missing values are those of pandas."""
    rng = np.random.default_rng(0)
    for size in (0, 1, 5, 300):
        groups, values = rng.integers(0, max(size // 5, 1), size), rng.normal(size=size)
        values[rng.random(size) < 0.3] = np.nan
        expected = pd.Series(values).groupby(groups).transform("median").to_numpy(dtype=float)

        np.testing.assert_allclose(medians(values, groups), expected)


def test_a_fan_with_slopes_of_its_own_is_fitted_exactly():
    """Columns with other slopes than the laws' leave nothing over, a wrong cell all of it."""
    sweep_ = np.linspace(-0.3, 0.3, 7)
    decades = np.column_stack([1.0 + sweep_, 0.3 + 1.3 * sweep_, 0.7 + 0.8 * sweep_])
    decades[2, 1] += 0.5
    fit = fit_sweeps(decades, np.zeros(7, dtype=np.intp))

    expected = np.zeros((7, 3))
    expected[2, 1] = 0.5
    np.testing.assert_allclose(fit.off, expected, atol=0.02)  # a sixth of the smallest limit
