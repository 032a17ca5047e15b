"""Workbooks of different habits are read as they are, and the report says what matters."""

from __future__ import annotations

import json
import warnings

import numpy as np
import openpyxl
import pytest

import fanstats as fs
from fanstats.output.report import write_workbook
from fanstats.spread.control_range import control_range
from tests import habits
from tests.habits import BRINDLE, CALLOW, DROSERA, MESH, RETEST_ROOM, STEPS

BENCH = fs.Bench(
    noise=fs.Instrument(reading=[fs.half_width(0.05)]),
    spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")),
)


def read(path, **options):
    """Read without regard to the warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", fs.FanstatsWarning)
        return fs.read_readings(path, **options)


def entries(readings, kind):
    """The report's entries of one kind."""
    return [e for e in json.loads(readings.attrs["report"]) if e["kind"] == kind]


def kinds(readings, *ignored):
    """Which kinds of entries the report holds, beside what is always assumed."""
    return {e["kind"] for e in json.loads(readings.attrs["report"])} - {"assumed", *ignored}


def airflow(readings, level, fan, obstruction=None):
    """Airflow of one fan at equal noise, in fpm."""
    estimates = fs.equal_noise(readings, level, bench=BENCH, draws=200, rng=1)
    value = estimates["airflow_value"].sel(scope="model", model=fan.name)
    if obstruction is not None:
        value = value.sel(obstruction=obstruction)
    factor = {"fpm": 1.0, "m/s": 1 / 0.00508}[estimates["airflow"].attrs["units"]]
    return float(value) * factor


# What the displays of the invented instruments leave open: 0.05 dB are 0.23 % of a speed, half a
# digit of 300 fpm 0.17 %; five steps of a cubic add as much again.
CLOSE = 0.01


def test_one_sheet_a_fan(tmp_path):
    """Banner, dates, averages, remarks and stalls on a sheet a fan; days and prices apart."""
    path = habits.one_sheet_a_fan(tmp_path / "fans.xlsx")
    with pytest.raises(fs.FanstatsError, match="say sheets='all' where each sheet is one fan"):
        read(path)
    readings = read(path, sheets="all")

    assert set(readings["model"].values) == {BRINDLE.name, CALLOW.name}
    assert readings.attrs["rows_in"] == 28
    assert readings.attrs["rows_used"] == 24
    assert set(readings["session"].values) == {"2025-03-08", "2025-03-09"}
    assert readings.attrs["background_per"] == "session"
    assert set(readings["ambient"].values) == {20.5, 21.0}
    assert json.loads(readings.attrs["prices"])[CALLOW.name] == {
        "price": 39.0, "pack": 3, "currency": "EUR"
    }  # fmt: skip
    assert kinds(readings) == {"note", "skipped", "stalled"}
    assert [e["found"] for e in entries(readings, "skipped")] == ["2 rows"]
    assert [e["line"] for e in entries(readings, "stalled")] == [5, 16, 5, 16]
    notes = [e["found"] for e in entries(readings, "note")]
    assert notes.count("blades dusty, wiped before") == 2
    assert sum(note.startswith("Average, average") for note in notes) == 2
    for fan in (BRINDLE, CALLOW):
        assert airflow(readings, 33.0, fan, "wire mesh") == pytest.approx(
            fan.airflow_at(33.0, 22.0, MESH), rel=CLOSE
        )
    found = control_range(readings, up="up", down="down").set_index(["model", "quantity"])
    start = found.loc[(BRINDLE.name, "start drive")]
    assert (start["low"], start["high"]) == (3.0, 5.0)


def test_commas_and_suffixes(tmp_path):
    """Decimal commas, units in cells, limits, a spreadsheet error, words: all from text cells."""
    path = habits.commas_and_suffixes(tmp_path / "fans.xlsx")
    with pytest.raises(fs.FanstatsError, match=r"row 5.*cell '1\.158'.*thousands='\.'"):
        read(path)
    with pytest.warns(fs.FanstatsWarning, match="2 x below range, 1 x spreadsheet error"):
        readings = fs.read_readings(path, thousands=".")

    assert readings.attrs["rows_in"] == readings.attrs["rows_used"] == 11
    assert kinds(readings) == {
        "below range", "spreadsheet error", "unreadable cell", "near-duplicate label"
    }  # fmt: skip
    assert [(e["line"], e["found"]) for e in entries(readings, "below range")] == [
        (2, "Lo"), (3, "<30")
    ]  # fmt: skip
    assert entries(readings, "near-duplicate label")[0]["found"] == "Drosera 9, drosera 9"
    assert entries(readings, "unreadable cell")[0]["found"] == "see photo"
    expected = [fan.speed(volts) for fan in (BRINDLE, DROSERA) for volts in STEPS]
    assert readings["speed"].values[:10].tolist() == expected
    assert readings["noise"].values[2] == BRINDLE.noise(7.0, 21.0)
    assert readings["temperature"].values[0] == pytest.approx(20.4 + BRINDLE.rise(5.0), abs=0.05)
    assert set(readings["session"].values) == {"3.4.2025", "14.4.2025"}
    assert airflow(readings, 33.0, BRINDLE) == pytest.approx(
        BRINDLE.airflow_at(33.0, 21.0), rel=CLOSE
    )


def test_merged_blocks(tmp_path):
    """Merged models, an evening written once, obstructions down the rows, no rpm."""
    path = habits.merged_blocks(tmp_path / "fans.xlsx")
    unfilled = read(path)
    assert len([e for e in entries(unfilled, "assumed") if e["found"] == "(blank)"]) == 17
    (ignored,) = entries(unfilled, "ignored column")
    assert ignored["mend"].startswith("Did you mean 'background [dBA]'? Rename it, or map it with "
                                      "columns={'ambient [dBA]': 'background [dBA]'}")  # fmt: skip
    assert "background" not in unfilled

    readings = read(path, fill_down=["session"], columns={"ambient [dBA]": "background [dBA]"})
    assert readings["model"].values.tolist() == [CALLOW.name] * 5 + [DROSERA.name] * 5
    assert set(readings["session"].values) == {"first evening", "second evening"}
    assert "speed" not in readings
    assert kinds(readings) == {"joined", "skipped"}
    assert [e["found"] for e in entries(readings, "skipped")] == ["lorry outside"]
    assert readings.attrs["rows_in"] == 20
    assert readings.attrs["rows_used"] == 19
    np.testing.assert_equal(
        readings["airflow"].sel(obstruction="wire mesh").values[:5],
        [CALLOW.airflow(v, MESH) if v != 6.0 else np.nan for v in STEPS],
    )
    # Without rpm a quantity is read off over the drive, for the samples tested.
    estimates = fs.equal_noise(readings, 36.0, bench=BENCH, draws=200, rng=1)
    value = estimates["airflow_value"].sel(scope="tested unit", obstruction="free air")
    assert float(value.sel(model=DROSERA.name)) == pytest.approx(
        DROSERA.airflow_at(36.0, 20.0), rel=CLOSE
    )


def test_own_headings(tmp_path):
    """Headings mapped in the bench file; the meter's floor and four typing errors are named."""
    path = habits.own_headings(tmp_path / "fans.xlsx")
    with pytest.raises(fs.FanstatsError, match=r"'SPL': .*columns=\{'Fan': 'model', 'SPL'"):
        read(path)
    lines = [f'"{theirs}" = "{ours}"' for theirs, ours in habits.HEADINGS.items()]
    (tmp_path / "bench.toml").write_text("\n".join(["[columns]", *lines]))
    columns = fs.read_bench(tmp_path / "bench.toml").columns
    readings = read(path, columns=columns)

    for given in (None, 3):
        again = read(path, columns=columns, header_row=given)
        assert again.attrs["report"] == readings.attrs["report"]
    assert readings.attrs["rows_in"] == readings.attrs["rows_used"] == 16
    np.testing.assert_equal(readings["drive_duty"].values[-5:], [42, 50, 58, 75, 100])
    assert np.isnan(readings["drive_duty"].values[:-5]).all()
    assert kinds(readings, "repeat") == {"ignored column", "implausible"}
    doubts = {
        (e["line"], e["column"]): f"{e['rule']} {e['found']} {e['mend']}"
        for e in entries(readings, "implausible")
    }
    stuck = {line for (line, _), text in doubts.items() if "a limit, not a level" in text}
    assert stuck == {4, 5, 10, 11, 12}  # rows at 30.0 on a meter that shows nothing below it
    others = {key: text for key, text in doubts.items() if "a limit" not in text}
    assert set(others) == {(7, "speed [rpm]"), (9, ""), (12, "speed [rpm]"),
                           (18, "airflow wire mesh [fpm]")}  # fmt: skip
    assert "Is it off by a decimal point?" in others[7, "speed [rpm]"]
    assert "row 8 again" in others[9, ""]
    assert "Are the two swapped?" in others[12, "speed [rpm]"]
    assert "m/s in a column of fpm" in others[18, "airflow wire mesh [fpm]"]
    assert readings["speed"].values[3] == 10 * BRINDLE.speed(9.0)


def test_different_days(tmp_path):
    """Noise, airflow and temperature from other days and sweeps; a re-test on a new rig."""
    path = habits.different_days(tmp_path / "fans.xlsx")
    alone = read(path)
    assert [e["mend"] for e in entries(alone, "skipped")] == [
        f"Name it: sheets=[{title!r}], or sheets='all'" for title in ("Air", "Warm", "Re-test")
    ]
    readings = fs.read_readings(path, sheets=["Noise", "Air", "Warm", "Re-test"])

    assert kinds(readings) == {"note"}
    assert [e["found"] for e in entries(readings, "note")] == ["still", "heater on", "new rig"]
    assert readings.attrs["rows_in"] == readings.attrs["rows_used"] == 62
    box = readings["rig"].values == "box"
    assert set(readings["background"].values[box]) == {RETEST_ROOM}
    assert box.sum() == 11
    shelf = readings.isel(row=~box)
    for fan in (BRINDLE, CALLOW, DROSERA):
        assert airflow(shelf, 33.0, fan, "wire mesh") == pytest.approx(
            fan.airflow_at(33.0, 22.0, MESH), rel=CLOSE
        )
    estimates = fs.equal_noise(shelf, 33.0, bench=BENCH, draws=200, rng=1)
    volts = 12.0 * (estimates["speed_value"].sel(scope="tested unit", model=BRINDLE.name).item()
                    / BRINDLE.rpm_at_12) ** (1 / 0.9)  # fmt: skip
    rise = estimates["temperature_rise_value"].sel(scope="tested unit", model=BRINDLE.name)
    flow = BRINDLE.airflow_at_900 * BRINDLE.rpm_at_12 * (volts / 12.0) ** 0.9 / 900.0
    assert float(rise) == pytest.approx(34.0 * (flow / 500.0) ** -0.6, rel=CLOSE)
    # The fan that was only dialled in has a value at just that level, in the new rig.
    only = readings.isel(row=box & (readings["model"].values == DROSERA.name))
    assert airflow(only, 33.0, DROSERA, "none") == pytest.approx(
        DROSERA.airflow_at(33.0, RETEST_ROOM), rel=CLOSE
    )


HABITS = {
    "one_sheet_a_fan": {"sheets": "all"},
    "commas_and_suffixes": {"thousands": "."},
    "merged_blocks": {"fill_down": ["session"], "columns": {"ambient [dBA]": "background [dBA]"}},
    "own_headings": {"columns": habits.HEADINGS},
    "different_days": {"sheets": ["Noise", "Air", "Warm", "Re-test"]},
}
# Entries whose finding is what stands in the row, not a word on it.
QUOTED = ("note", "skipped", "below range", "spreadsheet error", "unreadable cell")


def cells_of(path):
    """By sheet and row, what stands in the cells, read without the library."""
    book = openpyxl.load_workbook(path, data_only=True)
    return {
        sheet.title: {
            line: [str(cell).strip() for cell in row if cell is not None and str(cell).strip()]
            for line, row in enumerate(sheet.iter_rows(values_only=True), start=1)
        }
        for sheet in book.worksheets
    }


@pytest.mark.parametrize("name", HABITS)
def test_every_line_of_the_report_is_about_a_row_that_is_there(name, tmp_path):
    """Rows add up, each finding stands in its row, each entry is in a whole sentence."""
    path = getattr(habits, name)(tmp_path / "fans.xlsx")
    readings = read(path, **HABITS[name])
    cells, said = cells_of(path), fs.load_report(readings).splitlines()

    attrs = readings.attrs
    assert attrs["rows_in"] == attrs["rows_used"] + attrs["rows_reported"]
    dropped, quoted = set(), 0
    for entry in json.loads(attrs["report"]):
        sheet = entry["source"].partition("sheet ")[2].strip("'")
        if entry["line"]:
            assert cells[sheet][entry["line"]], entry
        if entry["line"] and entry["kind"] in QUOTED:
            quoted += 1
            row = " ".join(" ".join(cells[sheet][entry["line"]]).split())
            assert all(part in row for part in entry["found"].split(", ")), entry
        if entry["kind"] in ("note", "skipped") and "beside" not in entry["rule"]:
            dropped |= {(sheet, entry["line"])} if entry["line"] else set()
        assert sum(entry["rule"] in line for line in said) >= 1
    assert len(dropped) == attrs["rows_reported"]
    assert quoted or name == "own_headings"
    assert all(line.endswith(".") for line in said)
    assert all(line.startswith("fans.xlsx, sheet") for line in said[2:])
    # What stands in the readings stands in the row it is said to come from.
    for source, line, noise in zip(*(readings[n].values for n in ("source", "line", "noise")),
                                   strict=True):  # fmt: skip
        row = " ".join(cells[source.partition("sheet ")[2].strip("'")][int(line)])
        assert np.isnan(noise) or f"{noise:g}" in row.replace(",", ".")


def test_results_go_back_with_error_bars_beside_the_values(tmp_path):
    """What was read from a workbook comes back as one: value, minus and plus, ready to use."""
    readings = read(habits.one_sheet_a_fan(tmp_path / "fans.xlsx"), sheets="all")
    estimates = fs.equal_noise(readings, 33.0, bench=BENCH, draws=500, rng=1)
    book = openpyxl.load_workbook(write_workbook(estimates, tmp_path / "results.xlsx"))
    sheet = book["airflow wire mesh"]
    heads = [cell.value for cell in sheet[1]]
    place = {name: heads.index(f"{name} [fpm]") for name in ("value", "minus", "plus", "low")}

    assert (place["minus"], place["plus"]) == (place["value"] + 1, place["value"] + 2)
    for row in sheet.iter_rows(min_row=2, values_only=True):
        value, minus, plus, low = (row[place[name]] for name in ("value", "minus", "plus", "low"))
        assert min(minus, plus) > 0
        assert value - minus == pytest.approx(low)
        fan = {fan.name: fan for fan in (BRINDLE, CALLOW)}[row[heads.index("model")]]
        assert value == pytest.approx(fan.airflow_at(33.0, 22.0, MESH), rel=CLOSE)
