"""Hostile input: only a right result or the library's own error; the long run is a benchmark."""

from __future__ import annotations

import json
import random
import warnings
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

import fanstats as fs
from fanstats.__main__ import main
from tests import hostile
from tests.tables import power_law_rows

NAMES = ("../../etc/passwd", "..\\up", "=HYPERLINK(1)", "@SUM(1)", "<script>alert(1)</script>",
         "{{ 7*7 }}", "$(ls)", "%s%n", "a;b,c", 'quo"te', "-1+1", "NUL",
         "\u202egpj.exe")  # fmt: skip


@pytest.mark.parametrize("kind", ["csv", "xlsx", "bench", "chart"])
def test_random_input_is_read_or_refused(kind):
    """Tables, workbooks, bench files and charts from odd parts; some of each are read."""
    read = 0
    for number in range({"csv": 500, "xlsx": 150, "bench": 400, "chart": 100}[kind]):
        rng = random.Random(f"tests/{kind}/{number}")
        if kind in ("csv", "xlsx"):
            data, options = getattr(hostile, f"{kind}_input")(rng)
            read += hostile.check_readings(data, **options)
        elif kind == "bench":
            read += hostile.check_bench(hostile.bench_input(rng))
        else:
            values, options = hostile.chart_input(rng)
            read += hostile.check_chart(values, **options)

    assert read >= 5


def test_random_commands_end_with_0_or_2(tmp_path):
    """Whatever stands in files and arguments: code 0 or 2, and a line that says why."""
    for number in range(25):
        folder = tmp_path / str(number)
        folder.mkdir()
        rng = random.Random(f"tests/command/{number}")
        hostile.check_command(hostile.command_input(rng, folder), folder)


def test_the_checks_would_notice(monkeypatch):
    """A row that is lost, an infinite number, a foreign exception and a foreign warning."""
    sound = fs.demo.readings()

    def reader(result):
        return lambda *_, **__: result

    monkeypatch.setattr(fs, "read_readings", reader(sound))
    assert hostile.check_readings(b"")
    for broken in (sound.assign_attrs(rows_in=sound.attrs["rows_in"] + 1),
                   sound.assign(noise=sound["noise"] + np.inf)):  # fmt: skip
        monkeypatch.setattr(fs, "read_readings", reader(broken))
        with pytest.raises(AssertionError):
            hostile.check_readings(b"")

    def foreign(*_, **__):
        raise KeyError

    def loud(*_, **__):
        warnings.warn("overflow", RuntimeWarning, stacklevel=1)

    for wrong, error in ((foreign, KeyError), (loud, RuntimeWarning)):
        monkeypatch.setattr(fs, "read_readings", wrong)
        with pytest.raises(error):
            hostile.check_readings(b"")


def test_names_are_text_everywhere(tmp_path, capsys):
    """Paths, formulas, markup and templates as names: files stay in their folder, text is text."""
    rows = [row for place, name in enumerate(NAMES)
            for row in power_law_rows(name, room=24.0, level_at_900=31.0 + 0.3 * place)
            if not name.startswith("=")]  # fmt: skip
    table = pd.DataFrame(rows).rename(
        columns={"airflow wire mesh [fpm]": "airflow ../../<b>mesh</b> [fpm]"}
    )
    table.to_csv(tmp_path / "fans.csv", index=False)
    (tmp_path / "bench.toml").write_bytes(hostile.BENCH)
    out = tmp_path / "in" / "out"
    before = {path for path in tmp_path.rglob("*") if path.is_file()}

    code = main([str(tmp_path / "fans.csv"), "--bench", str(tmp_path / "bench.toml"),
                 "--noise", "36", "--out", str(out), "--seed", "1", "--draws", "100"])  # fmt: skip

    assert code == 0, capsys.readouterr().err
    written = {path for path in tmp_path.rglob("*") if path.is_file()} - before
    assert {path.parent for path in written} == {out}
    assert all(set(path.name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-.") for path in written)
    for path in written:
        if path.suffix == ".csv":
            cells = pd.read_csv(path, keep_default_na=False, dtype=str).to_numpy().ravel()
            assert not [cell for cell in cells if cell[:1] in ("=", "@")]
    book = openpyxl.load_workbook(out / "results.xlsx")
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)
    models = {cell.value for cell in book["Summary"]["E"]} - {"model"}
    assert models == {name for name in NAMES if not name.startswith("=")}
    with zipfile.ZipFile(out / "results.xlsx") as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
        assert not [name for name in sheets if b"<f>" in archive.read(name)]


def test_a_model_named_like_a_formula_is_taken_for_one():
    """A label that begins with = is a spreadsheet's lost formula: the row is out, and reported."""
    rows = [*power_law_rows("=1+1", room=24.0), *power_law_rows("B", room=24.0)]
    with pytest.warns(fs.FanstatsWarning, match="5 x spreadsheet error"):
        readings = fs.read_readings(pd.DataFrame(rows))

    assert np.unique(readings["model"]).tolist() == ["B"]
    assert readings.attrs["rows_reported"] == 5
    assert "=1+1" in json.loads(readings.attrs["report"])[0]["found"]


@pytest.mark.parametrize(
    ("speed", "airflow", "noise"),
    [("1e-308", "41.4", "762"), ("1e308", "1e-308", "30"), ("5e-324", "1.7e308", "-1e308")],
)
def test_absurd_readings_overflow_nothing(speed, airflow, noise):
    """A cell at the end of what a float holds is read, doubted or refused like any other."""
    header = "model,drive [V],speed [rpm],noise [dBA],airflow none [fpm]"
    for others in ("", "\nA,7,900,30,400", "\nA,7,900,30,400\nA,9,1100,34,480\nB,7,905,31,410"):
        table = f"{header}\nA,5,{speed},{noise},{airflow}{others}\n"
        assert hostile.check_readings(table.encode())
