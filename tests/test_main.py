"""The command line: the demo, somebody's own data, and bad input."""

from __future__ import annotations

import io
from pathlib import Path

import pandas as pd
import pytest

import fanstats as fs
from fanstats.__main__ import main
from fanstats.output.report import file_name, write_tables
from tests.tables import power_law_rows

BENCH = """
[noise]
units = "dBA"
shared = [{half_width = 1.0}]
reading = [{standard = 0.15}]
[speed]
reading = [{standard = 4}]
[airflow]
units = "fpm"
shared = [{half_width = "3 %"}]
[spread]
noise = {standard = 0.8}
airflow = {standard = "2 %"}
"""


@pytest.fixture
def own(tmp_path):
    """A table and a bench file as a tester keeps them."""
    rows = [
        *power_law_rows("Left", room=24.0),
        *power_law_rows("Right", room=24.0, level_at_900=36),
    ]
    pd.DataFrame(rows).to_csv(tmp_path / "bench.csv", index=False)
    (tmp_path / "bench.toml").write_text(BENCH)
    return tmp_path


def test_the_demo_runs_on_its_own_and_writes_tables_and_charts(tmp_path, capsys):
    """No argument: the invented data, the ranking, the closest call, what was assumed."""
    code = main(["--out", str(tmp_path / "out"), "--seed", "1", "--draws", "400"])

    said = capsys.readouterr().out
    assert code == 0
    for part in ("Invented demo data", "Closest call: ", "Assumed:", "Measured:", "Not considered:",
                 "root 1", "no place: Fennimoor Gust", "Caution: Rotating blades"):  # fmt: skip
        assert part in said
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"summary.csv", "ranking-airflow-open.csv", "ranking-airflow-open.png",
            "curves-airflow-open.png", "pair-chances-airflow-open.csv"} <= written  # fmt: skip


def test_own_data_give_the_right_numbers(own, capsys):
    """A table the package never saw: the closed form comes back."""
    code = main([str(own / "bench.csv"), "--bench", str(own / "bench.toml"), "--noise", "36",
                 "--out", str(own / "out"), "--seed", "2", "--draws", "400"])  # fmt: skip

    capsys.readouterr()
    assert code == 0
    table = pd.read_csv(own / "out" / "summary.csv")
    row = table[(table.quantity == "airflow") & (table.model == "Right") & (table.scope == "model")
                & (table.obstruction == "none")]  # fmt: skip
    import numpy as np

    fan = 10 * np.log10(10**3.6 - 10**2.4)
    assert row["value"].item() == pytest.approx(450 * 10 ** ((fan - 36.0) / 50), rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere.csv", "--bench", "b.toml", "--noise", "36"], "b.toml"),
        (["bench.csv", "--noise", "36"], "bench.toml stands here already and was left as it is"),
        (["bench.csv", "--noise", "36", "--sheets", "May"], "`sheets` must be 'all' or names"),
        (["bench.csv", "--bench", "bench.toml"], "--noise LEVEL is missing"),
        (["--bench", "bench.toml"], "--bench goes with a table"),
        (["--noise", "33", "--draws", "5"], "`draws` must be a whole number of at least 100"),
        (["--seed", "-4"], "`rng` as an integer must be at least 0"),
        (["--noise", "nan"], "`level` must be finite"),
    ],
)
def test_bad_input_ends_with_code_2_and_one_clear_line(
    own, monkeypatch, capsys, arguments, message
):
    """The line names what was wrong; nothing is written."""
    monkeypatch.chdir(own)

    code = main(arguments)

    said = capsys.readouterr()
    assert code == 2
    assert message in said.err
    assert said.err.startswith("fanstats: ")
    assert said.err.count("\n") == 1
    assert not (own / "fanstats-out").exists()


@pytest.mark.parametrize(
    ("text", "mend"), [("33dB", "Write the bare number: 33."), ("33,5", "such as 33.5; got '33,5'")]
)
def test_a_level_with_its_unit_or_a_comma_is_refused_with_the_mend(capsys, text, mend):
    """The command line wants the bare number, and says so."""
    with pytest.raises(SystemExit) as ended:
        main(["--noise", text, "-o", "nowhere"])

    assert ended.value.code == 2
    assert mend in capsys.readouterr().err


def test_without_a_bench_file_one_is_written_to_fill_in(own, monkeypatch, capsys):
    """Its quantities and units are those of the readings; it states nothing and is TOML."""
    monkeypatch.chdir(own)
    (own / "bench.toml").unlink()
    table = pd.read_csv("bench.csv")
    again = table.assign(**{"noise [dBA]": table["noise [dBA]"] + 0.2})
    pd.concat([table, again]).to_csv("bench.csv", index=False)

    code = main(["bench.csv", "--noise", "36"])

    said = capsys.readouterr()
    bench = fs.read_bench("bench.toml")
    assert code == 2
    assert "--bench BENCH is missing" in said.err
    assert "bench.toml was written: put your numbers into it" in said.err
    assert said.err.count("\n") == 1
    # Ten pairs 0.2 dB apart: s = 0.2 / sqrt 2, one degree of freedom each.
    assert "noise: 0.14 dBA, on 10 degrees of freedom from 10 repeated steps" in said.out
    assert bench.noise.unstated == ("shared", "session", "sitting", "model", "reading")
    assert bench.airflow is not None
    assert bench.temperature is None
    assert not (own / "fanstats-out").exists()


def test_a_bench_file_that_stands_there_is_left_alone(own, monkeypatch, capsys):
    """Numbers somebody typed are never written over."""
    monkeypatch.chdir(own)

    assert main(["bench.csv"]) == 2
    assert "then say --bench bench.toml" in capsys.readouterr().err
    assert (own / "bench.toml").read_text() == BENCH


def test_sheets_and_headings_of_ones_own(own, monkeypatch, capsys):
    """One sheet a fan, a heading mapped in the bench file, blanks filled where asked for."""
    monkeypatch.chdir(own)
    table = pd.read_csv("bench.csv").rename(columns={"noise [dBA]": "SPL"})
    table.loc[table.index % 5 > 0, "session"] = None
    with pd.ExcelWriter("fans.xlsx") as book:
        for model, rows in table.groupby("model"):
            rows.drop(columns="model").to_excel(book, sheet_name=model, index=False)
    (own / "bench.toml").write_text(BENCH + '[columns]\nSPL = "noise [dBA]"\n')

    code = main(["fans.xlsx", "--bench", "bench.toml", "--noise", "36", "--sheets", "all",
                 "--fill-down", "session", "--draws", "200"])  # fmt: skip

    assert code == 0
    assert "10 rows in: 10 used" in capsys.readouterr().out
    assert (own / "fanstats-out" / "results.xlsx").exists()


def test_marks_of_numbers_can_be_said_and_messages_name_the_option(own, monkeypatch, capsys):
    """A doubtful 1.500 is refused with the option that settles it, and read with it."""
    monkeypatch.chdir(own)
    table = pd.read_csv("bench.csv")
    table["speed [rpm]"] = [f"{speed:,.0f}".replace(",", ".") for speed in table["speed [rpm]"]]
    table.to_csv("bench.csv", index=False, sep=";", decimal=",")
    words = ["bench.csv", "--bench", "bench.toml", "--noise", "36", "--draws", "100"]

    assert main(words) == 2
    assert "thousands= is --thousands MARK" in capsys.readouterr().err
    assert main([*words, "--decimal", ",", "--thousands", "."]) == 0


def test_two_rigs_are_held_to_one_level_or_to_one_meter(own, monkeypatch, capsys):
    """The message says what to write where; both ways lead to a ranking."""
    monkeypatch.chdir(own)
    table = pd.read_csv("bench.csv")
    table["rig"] = ["shelf", "box"] * (len(table) // 2)
    table.to_csv("bench.csv", index=False)
    words = ["bench.csv", "--bench", "bench.toml", "--noise", "36", "--draws", "100"]

    assert main(words) == 2
    said = capsys.readouterr().err
    assert "target='true' is --target true" in said
    assert "carried=True is carried = true below [noise]" in said
    assert main([*words, "--target", "true"]) == 0
    text = Path("bench.toml").read_text().replace("[noise]", "[noise]\ncarried = true")
    bench = fs.read_bench(io.StringIO(text))
    found = fs.equal_noise(fs.read_readings("bench.csv"), 36, bench=bench, draws=100, rng=1)
    assert found["airflow_value"].notnull().all("model").any()


def test_a_spread_nobody_stated_leaves_the_samples_tested(own, capsys):
    """Without a spread the ranking is about these very samples, and says so."""
    text = BENCH[: BENCH.index("[spread]")]
    (own / "bench.toml").write_text(text)

    code = main([str(own / "bench.csv"), "--bench", str(own / "bench.toml"), "--noise", "36",
                 "--out", str(own / "out"), "--draws", "400"])  # fmt: skip

    said = capsys.readouterr().out
    assert code == 0
    assert "this sample" in said
    assert "sample luck in noise at a given speed: not stated" in said


def test_exported_text_that_begins_like_a_formula_is_quoted(tmp_path):
    """A model named @SUM opens as text in a spreadsheet."""
    rows = [*power_law_rows("@SUM(1)", room=24.0), *power_law_rows("B", room=24.0)]
    bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=0))
    estimates = fs.equal_noise(
        fs.read_readings(pd.DataFrame(rows)), 33.0, bench=bench, rng=1, draws=200
    )

    write_tables(estimates, tmp_path)

    text = (tmp_path / "summary.csv").read_text()
    assert "'@SUM(1)" in text
    assert ",@SUM(1)" not in text


def test_file_names_hold_nothing_a_system_would_read():
    """Separators, dots and blanks of labels are gone."""
    assert file_name("ranking", "../../etc/passwd") == "ranking-etc-passwd"
    assert file_name("airflow", None) == "airflow"
    assert file_name("***") == "unnamed"


def test_an_interrupted_write_leaves_no_half_file(tmp_path):
    """Files are written aside and moved once whole."""
    from fanstats.output.report import write_aside

    def broken(path):
        path.write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_aside(tmp_path / "table.csv", broken)

    assert list(tmp_path.iterdir()) == []
