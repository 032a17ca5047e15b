"""The README's example is real: its code runs and prints what stands below it."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import matplotlib as mpl

README = Path(__file__).parent.parent / "README.md"


def blocks(kind):
    return re.findall(rf"^```{kind}\n(.*?)^```$", README.read_text(), re.MULTILINE | re.DOTALL)


def printed():
    mpl.use("Agg")
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(blocks("python")[0], {})
    return out.getvalue()


def test_the_example_prints_what_the_readme_shows():
    """Output under the example is that of this version, to the letter."""
    assert printed() == blocks("text")[0]


def test_the_first_two_shell_blocks_run_the_job_and_the_tests():
    """Somebody with only Python and pip gets there by two commands."""
    job, tests = blocks("sh")[:2]

    assert job.strip().endswith("python -m fanstats")
    assert "pytest" in tests
    assert all(command.count("\n") == 1 for command in (job, tests))


def test_the_bench_file_of_the_readme_is_read(tmp_path):
    """The example of a bench file is one."""
    import fanstats as fs

    path = tmp_path / "bench.toml"
    path.write_text(blocks("toml")[0])

    assert fs.read_bench(path).spread.unknown == ("temperature",)


def test_the_bench_file_of_certificates_and_rigs_is_read(tmp_path):
    """So is the one with the wording of a certificate and an instrument of one rig."""
    import fanstats as fs

    path = tmp_path / "bench.toml"
    path.write_text(blocks("toml")[1])
    bench = fs.read_bench(path)

    assert bench.noise.carried
    assert bench.noise.shared[0].correction.absolute == -0.4
    assert bench.rigs["attic"]["airflow"].shared[0].stated == "±5 %"


def test_both_tables_stand_between_their_marks():
    """The tables that the benchmarks make are there, whole."""
    text = README.read_text()
    for name, columns in (("calibration", 5), ("speed", 3)):
        table = text.split(f"<!-- {name} -->\n")[1].split(f"<!-- end of {name} -->")[0]
        rows = [line for line in table.splitlines() if line.startswith("|")]
        assert len(rows) > 8
        assert {row.count("|") for row in rows} == {columns + 1}
