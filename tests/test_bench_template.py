"""A bench file to fill in: it states nothing, and filled in it is read."""

from __future__ import annotations

import re

import pandas as pd
import pytest

import fanstats as fs
from fanstats.output.bench_template import scatter_text, write_bench_template
from tests.tables import power_law_rows


def read(rows):
    return fs.read_readings(pd.DataFrame(rows).dropna(axis=1, how="all"))


@pytest.fixture
def repeated():
    """Five steps read twice, levels 0.2 dB and airflow 2 % apart."""
    rows = power_law_rows(room=24.0)
    airflow = "airflow none [fpm]"
    return read(
        [*rows, *(r | {"noise [dBA]": r["noise [dBA]"] + 0.2, airflow: 1.02 * r[airflow]}
                  for r in rows)]
    )  # fmt: skip


def filled(text):
    """Take every # at the front of a line of figures away, and put 1 for each question mark."""
    text = re.sub(r"^# (\w+ *= .*\?.*# your number here.*)$", r"\1", text, flags=re.MULTILINE)
    return re.sub(r"(?<=[ \"])\?", "1", text)


def test_as_written_it_states_nothing(tmp_path):
    """Every instrument is there and every figure of it unstated; no spread is assumed."""
    bench = fs.read_bench(write_bench_template(tmp_path / "bench.toml", fs.demo.readings()))

    for quantity in ("noise", "speed", "airflow", "temperature"):
        assert len(bench.instrument(quantity).unstated) == 5
    assert set(bench.spread.unknown) == {"speed", "noise", "airflow", "temperature"}
    assert bench.columns == {}


def test_filled_in_it_states_all(tmp_path):
    """Each line of figures is one a bench file may hold; units are those of the readings."""
    path = write_bench_template(tmp_path / "bench.toml", fs.demo.readings())
    path.write_text(filled(path.read_text()))
    bench = fs.read_bench(path)

    assert "?" not in "".join(line for line in path.read_text().splitlines() if "=" in line[:14])
    for quantity in ("noise", "speed", "airflow", "temperature"):
        assert bench.instrument(quantity).unstated == ()
    assert bench.airflow.shared[0].units == "m/s"
    assert bench.spread.unknown == ()
    estimates = fs.equal_noise(fs.demo.readings(), 33, bench=bench, draws=200, rng=1)
    assert estimates["airflow_value"].notnull().any()


def test_a_line_without_its_number_is_refused_by_line(tmp_path):
    """Somebody takes the # away and forgets the number: the reader names the line."""
    path = write_bench_template(tmp_path / "bench.toml", fs.demo.readings())
    path.write_text(path.read_text().replace("# shared ", "shared ", 1))

    with pytest.raises(fs.FanstatsError, match=r"a bench file is TOML; .*line \d+"):
        fs.read_bench(path)


def test_only_quantities_that_were_read_are_asked_for(tmp_path):
    """No table for a meter nobody used."""
    rows = [{"model": "A", "drive [V]": v, "noise [dBC]": 30.0 + v} for v in (5.0, 7.0)]
    text = write_bench_template(tmp_path / "bench.toml", read(rows)).read_text()

    assert re.findall(r"^\[(\w+)\]", text, re.MULTILINE) == ["noise", "spread", "columns"]
    assert 'units = "dBC"' in text


def test_measured_scatter_stands_in_its_line(repeated, tmp_path):
    """Pairs d apart have s = d / sqrt 2, as an amount in dB, as a share of an airflow."""
    text = write_bench_template(tmp_path / "bench.toml", repeated).read_text()
    bench = fs.read_bench(tmp_path / "bench.toml")

    assert "{standard = 0.14, dof = 5}" in text
    assert '{standard = "0.99 %", dof = 10}' in text  # 2 % / 1.01 / 2, free air and mesh pooled
    assert bench.noise.reading is None
    said = scatter_text(repeated)
    assert "noise: 0.14 dBA, on 5 degrees of freedom from 5 repeated steps" in said


def test_nothing_repeated_is_said():
    """A scatter nobody measured is unknown, not 0."""
    said = scatter_text(read(power_law_rows(room=24.0)))

    assert "noise: no repeated readings: Type A scatter is unknown, not 0" in said


def test_readings_of_several_rigs_are_asked_whose_instrument_it_was(tmp_path):
    """What was read on two rigs may be one meter carried along; what was read on one may not."""
    rows = [{**row, "rig": rig} for rig in ("shelf", "box") for row in power_law_rows(room=24.0)]
    for row in rows[: len(rows) // 2]:
        row.update({name: None for name in row if name.startswith("airflow")})
    path = write_bench_template(tmp_path / "bench.toml", read(rows))
    tables = dict(re.findall(r"^\[(\w+)\]\n(.*?)\n\n", path.read_text(), re.DOTALL | re.MULTILINE))

    assert '# carried = true  # if one and the same went from rig to rig: "box", "shelf"' in (
        tables["noise"].splitlines()
    )
    assert "carried" not in tables["airflow"]
    assert not fs.read_bench(path).noise.carried
    path.write_text(path.read_text().replace("# carried = true", "carried = true", 1))
    assert fs.read_bench(path).noise.carried


def test_a_file_that_stands_there_is_left_alone(tmp_path):
    """Numbers somebody typed are never written over."""
    path = tmp_path / "bench.toml"
    path.write_text("mine")

    with pytest.raises(fs.FanstatsError, match="exists and was left as it is"):
        write_bench_template(path, fs.demo.readings())
    assert path.read_text() == "mine"
