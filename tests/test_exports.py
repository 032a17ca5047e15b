"""What leaves as text for other programs: nothing in a name is run, files stand whole or not."""

from __future__ import annotations

import csv
import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from matplotlib.figure import Figure
from PIL import Image

import fanstats as fs
from fanstats import charts
from fanstats.errors import FanstatsError
from fanstats.exports import FORMULA_MARKS, csv_text, markdown_text, write_csv
from fanstats.output.bench_template import write_bench_template
from fanstats.output.page import write_page
from fanstats.output.report import write_charts, write_tables, write_workbook
from fanstats.whole_files import write_aside, write_new
from tests.tables import power_law_rows

# A label that begins with "=" is taken for a spreadsheet's lost formula, and its row is out.
NAMES = ("+1+1", "-1+1", "@SUM(1)", "../../up", "C:\\up", "<script>alert(1)</script>",
         "a|b", 'quo"te', "{{7*7}}", "$x^2$")  # fmt: skip
BENCH = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")))


@pytest.fixture(scope="module")
def estimates():
    """Numbers off a chart whose models and obstruction have names that other programs run."""
    values = {name: {"+cmd|": 400.0 + 9 * k} for k, name in enumerate(NAMES)}
    return fs.from_chart(values, quantity="airflow", units="fpm", level=36, bench=BENCH,
                         slope=50.0, draws=200, rng=1)  # fmt: skip


@pytest.fixture(scope="module")
def measured():
    """Readings of two fans with such names, as far as a table holds them."""
    rows = [
        *power_law_rows("@SUM(1)", room=24.0),
        *power_law_rows("../<b>up", room=24.0, level_at_900=34.0),
    ]
    table = pd.DataFrame(rows).rename(
        columns={"airflow wire mesh [fpm]": "airflow -1+1 </svg><script> [fpm]"}
    )
    return fs.read_readings(table)


def test_cells_and_headings_that_begin_like_formulas_are_quoted():
    """A quote stands before each of the marks, also in a heading; numbers stay numbers."""
    texts = [f"{mark}1" for mark in FORMULA_MARKS]
    table = pd.DataFrame({"-x": texts, "value": -1.5 * np.arange(len(texts))})
    back = pd.read_csv(io.StringIO(csv_text(table)), lineterminator="\n")

    assert back.columns.tolist() == ["'-x", "value"]
    assert back["'-x"].tolist() == [f"'{text}" for text in texts]
    assert back["value"].tolist() == table["value"].tolist()
    assert table.columns.tolist() == ["-x", "value"]


def test_bars_and_markup_are_text_in_markdown():
    """A name with a bar adds no column, one with a tag no tag, one with a line break no row."""
    text = markdown_text(pd.DataFrame({"a|b": ["c|d", "<i>x</i>", "e\nf"], "n": [1.0, 2.0, 3.0]}))

    assert len(text.splitlines()) == 5
    assert all(line.replace("\\|", "").count("|") == 3 for line in text.splitlines())
    assert "<" not in text


def test_no_cell_of_any_table_begins_like_a_formula(estimates, tmp_path):
    """Summary, rankings and pair chances, where models stand in headings too."""
    for path in write_tables(estimates, tmp_path):
        cells = [cell for row in csv.reader(path.read_text().splitlines()) for cell in row]

        assert not [c for c in cells if c.startswith(FORMULA_MARKS) and not _is_number(c)]
        assert set(path.name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-.")
    text = (tmp_path / "pair-chances-airflow-cmd.csv").read_text().splitlines()[0]
    assert text.startswith("chance that the row is ahead of,")
    assert "'-1+1" in text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def test_no_cell_of_the_workbook_is_a_formula(estimates, tmp_path):
    """Text stays text, in headings as in cells, and is marked so that editing keeps it text."""
    book = openpyxl.load_workbook(write_workbook(estimates, tmp_path / "results.xlsx"))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]

    assert not [cell for cell in cells if cell.data_type == "f"]
    assert {cell.value for cell in cells if cell.quotePrefix} >= {
        "+1+1",
        "-1+1",
        "@SUM(1)",
        "+cmd|",
    }


def test_pictures_hold_names_as_text(estimates, tmp_path):
    """No tag, no picture of a formula, no address in the SVG of a chart."""
    figure = Figure()
    charts.ranked(estimates, quantity="airflow", obstruction="+cmd|", ax=figure.add_subplot())
    figure.savefig(tmp_path / "chart.svg")
    text = (tmp_path / "chart.svg").read_text()

    assert "<script" not in text
    assert "<b>" not in text


def test_the_page_holds_names_as_text(estimates, measured, tmp_path):
    """Markup in names of models and obstructions is no markup of the page."""
    read = fs.equal_noise(measured, 36, bench=BENCH, draws=200, rng=1)
    pages = [write_page(estimates, None, BENCH, tmp_path / "chart"),
             write_page(read, measured, BENCH, tmp_path / "bench")]  # fmt: skip
    for page in pages:
        text = page.read_text(encoding="utf-8")

        assert "<script>alert" not in text
        assert "</svg><script>" not in text
        assert "<b>up" not in text
        assert ">49<" not in text  # {{7*7}} is no template either


def test_files_stay_in_their_folder_whatever_the_names(measured, tmp_path):
    """Names with separators make no path."""
    out = tmp_path / "in" / "out"
    read = fs.equal_noise(measured, 36, bench=BENCH, draws=200, rng=1)
    write_tables(read, out)
    write_charts(read, measured, BENCH, out)

    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert {path.parent for path in files} == {out}
    assert all(set(path.name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-.") for path in files)


def test_headings_cannot_break_out_of_the_bench_file(measured, tmp_path):
    """The bench file to fill in is TOML that states nothing, whatever the table was called."""
    bench = fs.read_bench(write_bench_template(tmp_path / "bench.toml", measured))

    assert bench.noise.unstated == ("shared", "session", "sitting", "model", "reading")


# Whole or not at all ----------------------------------------------------------------------------


@pytest.mark.parametrize("stop", [KeyboardInterrupt, MemoryError, OSError])
def test_what_stood_there_stays_when_writing_stops(tmp_path, monkeypatch, stop, estimates):
    """Every writer, stopped inside its write: the old file is as it was, no other is left."""

    def broken(self, path, *_, **__):
        Path(path).write_bytes(b"half")
        raise stop

    monkeypatch.setattr(pd.DataFrame, "to_csv", broken)
    monkeypatch.setattr(openpyxl.Workbook, "save", broken)
    monkeypatch.setattr(Figure, "savefig", broken)
    old = dict.fromkeys(("t.csv", "results.xlsx", "any.txt"), b"old")
    for name, content in old.items():
        (tmp_path / name).write_bytes(content)

    for call in (
        lambda: write_workbook(estimates, tmp_path / "results.xlsx"),
        lambda: write_aside(tmp_path / "any.txt", lambda aside: broken(None, aside)),
    ):
        with pytest.raises((stop, FanstatsError)):
            call()
    monkeypatch.setattr(Path, "write_bytes", lambda self, _: broken(None, self.open("wb").name))
    with pytest.raises(BaseException):  # noqa: B017, PT011 - the write itself calls itself
        write_csv(pd.DataFrame({"a": [1]}), tmp_path / "t.csv")
    monkeypatch.undo()

    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == old


def test_a_file_that_must_be_new_is_not_there_after_an_interrupt(tmp_path):
    """Templates too: no file rather than half a one."""

    def broken(path):
        path.write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_new(tmp_path / "bench.toml", broken)
    assert list(tmp_path.iterdir()) == []


def _readable(path: Path) -> bool:
    if path.suffix == ".csv":
        return len(pd.read_csv(path)) > 0
    if path.suffix == ".xlsx":
        return "Summary" in openpyxl.load_workbook(path).sheetnames
    if path.suffix == ".png":
        Image.open(path).load()
        return True
    return path.read_text(encoding="utf-8").rstrip().endswith("</html>")


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are those of POSIX")
@pytest.mark.parametrize("after", [1, 12])
def test_an_interrupted_command_leaves_whole_files_alone(tmp_path, after):
    """Stopped from the keyboard once so many files stand there: code 130, one line, all whole."""
    out = tmp_path / "out"
    command = [sys.executable, "-m", "fanstats", "--draws", "200", "--seed", "1", "--out", str(out)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as job:
        deadline = time.monotonic() + 120.0
        while time.monotonic() < deadline and job.poll() is None:
            if out.exists() and len(list(out.glob("*.*"))) >= after:
                job.send_signal(signal.SIGINT)
                break
            time.sleep(0.01)
        said = job.communicate(timeout=60)[1].decode()

    assert job.returncode == 130, said
    assert said == "fanstats: interrupted; what was written by now is whole\n"
    files = list(out.iterdir())
    assert len(files) >= after - 1
    assert not [path.name for path in files if path.name.startswith("tmp")]
    assert all(_readable(path) for path in files)


def test_a_reader_that_has_seen_enough_is_no_fault(tmp_path):
    """Output cut off by `head`: no traceback."""
    command = [sys.executable, "-m", "fanstats", "--draws", "100", "--out", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as job:
        assert job.stdout is not None
        job.stdout.readline()
        job.stdout.close()
        assert job.stderr is not None
        said = job.stderr.read().decode()
        job.wait(timeout=120)

    assert job.returncode == 1
    assert said == ""


RESULTS = {
    "comparison": lambda found: fs.compare(found, "+1+1", "a|b", **WHERE),
    "ranking": lambda found: fs.rank(found, **WHERE),
    "all pairs": lambda found: fs.compare_all_pairs(found, **WHERE),
    "retest": lambda found: fs.retest(found, **WHERE),
    "value for money": lambda found: fs.value_for_money(found, {"+1+1": 9.0, "a|b": 8.0}, **WHERE),
    "next units": lambda found: fs.plan_next(
        found.isel(model=slice(3)), budget=40, prices=dict.fromkeys(NAMES[:3], 9.0), **WHERE
    ),
}
WHERE = {"quantity": "airflow", "obstruction": "+cmd|"}


@pytest.mark.parametrize("result", RESULTS)
def test_results_leave_as_safely_as_the_tables_of_the_page(result, estimates, tmp_path):
    """Nothing a result writes itself begins like a formula, or breaks a row of Markdown."""
    found = RESULTS[result](estimates)
    cells = [cell for row in csv.reader(io.StringIO(found.to_csv())) for cell in row]

    assert any(cell.startswith(tuple(f"'{mark}" for mark in FORMULA_MARKS)) for cell in cells)
    assert not [c for c in cells if c.startswith(FORMULA_MARKS) and not _is_number(c)]
    assert found.to_csv(tmp_path / "result.csv") is None
    assert (tmp_path / "result.csv").read_bytes().decode() == found.to_csv()
    lines = found.to_markdown().splitlines()
    assert len({line.replace("\\|", "").count("|") for line in lines}) == 1
    assert "<script" not in found.to_markdown()
    assert "<script" not in found._repr_html_()
