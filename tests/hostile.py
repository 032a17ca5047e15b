"""What must hold whatever somebody hands in: a right result or the library's own error."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import random
import warnings
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
from openpyxl.utils.exceptions import IllegalCharacterError

import fanstats as fs
from fanstats.__main__ import main

HEADERS = (
    "model", "unit", "session", "sitting", "rig", "batch", "date", "obstruction", "skip", "note",
    "repeat", "drive [V]", "drive [%]", "speed [rpm]", "noise [dBA]", "noise", "noise mesh [dBC]",
    "background [dBA]", "ambient [dBA]", "airflow [fpm]", "airflow none [m/s]",
    "airflow wire mesh [cfm]", "temperature [degC]", "ambient [degF]", "load [W]", "price [EUR]",
    "pack", "RPM", "dB(A)", "SPL", "Fan", "", " Model ", "airflow [gal/min]", "=1+1", "model.1",
)  # fmt: skip
GOOD = (
    "unit", "session", "sitting", "rig", "note", "skip", "speed [rpm]", "background [dBA]",
    "airflow none [fpm]", "airflow wire mesh [m/s]", "temperature [degC]", "ambient [degF]",
    "load [W]", "drive [%]",
)  # fmt: skip
CELLS = (
    "A", "B", "NA", "None", "s1", "1", "01", "2024-05-03", "03/04/2024", "14/04/2024", "3.4.2024",
    "12", "7", "5.0", "900", "1500", "31.4", "31,4", "1.234,5", "1,234.5", "1 234", "34.8(2)",
    "34.8 +/- 0.2", "34.8 ± 3 %", "<30", ">100", "Lo", "OL", "#DIV/0!", "#REF!", "31.5 dBA",
    "38 dBC", "2.1 m/s", "402 fpm", "-3", "0", "1e308", "1e-308", "nan", "inf", "1_000", "0x10",
    "none", "wire mesh", "mean", "average", "", " ", "\u00a0", "\ufeff", "\u202e31", "=1+1",
    "@SUM(1)", "<b>x</b>", "../../x", "C:\\x", "\x07", "\u0663\u0664", "１２", "𝟙", "e\u0301",
    "x" * 250, "9" * 40, "\ud800",
)  # fmt: skip
BENCH = b"""\
[noise]
units = "dBA"
shared = [{half_width = 1.0}]
model = [{expanded = 0.4, k = 2}]
reading = [{standard = 0.15, dof = 9}, {half_width = 0.05, shape = "rectangular"}]
[speed]
reading = [{standard = 4}]
[airflow]
units = "fpm"
shared = [{half_width = "3 %"}]
[spread]
noise = {standard = 0.8}
airflow = {standard = "2 %"}
speed = {half_width = "10 %"}
[columns]
SPL = "noise [dBA]"
"""
BENCH_PARTS = (
    b"nan", b"inf", b"-1", b"0", b"1e308", b'"3 %"', b'"0.2 m/s"', b'"x"', b"true", b"[]", b"{}",
    b"half_width", b"standard", b"expanded", b"dof = 0", b"k = 0", b"[spread]", b"[fan]",
    b"units = \"K\"", b"meter = \"class 2\"", b"\xff", b"'''", b"[[noise]]", b"1979-05-27",
    b"acts_on = \"fan\"", b"0x10", b"\"\\u0000\"", b"\n", b"=", b"]", b"{",
)  # fmt: skip


@contextlib.contextmanager
def strict():
    """Turn every warning but the library's own into an error."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", fs.FanstatsWarning)
        yield


def _refused(error: fs.FanstatsError) -> bool:
    """A refusal says something."""
    assert len(str(error).strip()) > 20
    return False


def check_readings(source: Any, **options: Any) -> bool:
    """Read readings; say whether there are some. Anything but a sound Dataset is an error."""
    try:
        with strict():
            readings = fs.read_readings(source, **options)
    except fs.FanstatsError as error:
        return _refused(error)
    attrs = readings.attrs
    assert attrs["rows_in"] == attrs["rows_used"] + attrs["rows_reported"]
    assert attrs["rows_used"] >= readings.sizes["row"]
    for name, variable in readings.data_vars.items():
        assert variable.dtype == np.float64, name
        assert not np.isinf(variable.values).any(), name
    for name, label in readings.coords.items():
        assert label.dtype.kind in "Ui", name
    assert all(isinstance(value, str | int | float) for value in attrs.values())
    for entry in json.loads(attrs["report"]):
        assert entry["rule"]
        assert entry["line"] >= 0
    assert fs.load_report(readings)
    return True


def check_bench(data: bytes) -> bool:
    """Read a bench file; say whether it is one. What it states is finite and not negative."""
    try:
        with strict():
            bench = fs.read_bench(io.BytesIO(data))
    except fs.FanstatsError as error:
        return _refused(error)
    for quantity in ("noise", "background", "speed", "airflow", "temperature", "ambient"):
        instrument = bench.instrument(quantity)
        for level in ("shared", "session", "sitting", "model", "reading"):
            for source in (instrument.at(level) if instrument is not None else ()) or ():
                assert math.isfinite(source.absolute)
                assert math.isfinite(source.relative)
                assert source.absolute >= 0
                assert source.relative >= 0
                assert source.dof > 0
    assert fs.describe(bench)
    return True


def check_chart(values: Any, **options: Any) -> bool:
    """Make estimates of a chart; say whether there are some. Numbers come back as given."""
    try:
        with strict():
            estimates = fs.from_chart(values, draws=100, rng=1, **options)
    except fs.FanstatsError as error:
        return _refused(error)
    name = {"temperature": "temperature_rise"}.get(options["quantity"], options["quantity"])
    found = estimates[f"{name}_value"]
    for model, value in values.items():
        label = " ".join(str(model).split())
        known = label in found["model"] and options.get("background") != "removed"
        if known and isinstance(value, int | float) and "obstruction" not in found.dims:
            back = float(found.sel(scope="tested unit", model=label))
            assert math.isnan(back) or math.isclose(back, value, rel_tol=1e-9, abs_tol=1e-9), model
    assert not np.isinf(estimates[name].values).any()
    with strict():
        assert len(fs.summary(estimates))
    return True


def check_command(arguments: list[str], folder: Path) -> int:
    """Run the command line in a folder; give its exit code, which is 0 or 2."""
    out, err = io.StringIO(), io.StringIO()
    before = Path.cwd()
    os.chdir(folder)
    try:
        with strict(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = main(arguments)
            except SystemExit as exit_:  # argparse's own refusals and --help
                code = exit_.code or 0
    finally:
        os.chdir(before)
    assert code in (0, 2), code
    if code == 2:
        said = err.getvalue().strip().splitlines()
        assert said
        assert said[-1].startswith(("fanstats: ", "python -m fanstats: error: "))
        assert "Traceback" not in err.getvalue()
    return int(code)


# Inputs -----------------------------------------------------------------------------------------


def _cell(rng: random.Random) -> str:
    if rng.random() < 0.8:
        return rng.choice(CELLS)
    if rng.random() < 0.5:
        return f"{rng.uniform(0, 2000):.{rng.randrange(4)}f}"
    return "".join(chr(rng.randrange(1, 0x3000)) for _ in range(rng.randrange(8)))


def _table(rng: random.Random) -> list[list[str]]:
    if rng.random() < 0.7:
        header = ["model", "drive [V]", "noise [dBA]", *rng.sample(GOOD, rng.randrange(7))]
    else:
        header = rng.sample(HEADERS, rng.randrange(1, 9))
    likely = rng.choice((0.7, 0.97, 1.0))
    rows = []
    for _ in range(rng.randrange(8)):
        row = [_likely(rng, name) if rng.random() < likely else _cell(rng) for name in header]
        rows.append(row[: rng.randrange(len(header) + 1)] if rng.random() < 0.03 else row)
    banner = [[_cell(rng)] for _ in range(rng.choice((0, 0, 0, 0, 1, 2)))]
    return [*banner, header, *rows]


def _likely(rng: random.Random, name: str) -> str:
    """A cell that may stand under a header, so that not every table is refused."""
    if "[" in name:
        return rng.choice(("", f"{rng.uniform(3, 60):.1f}", str(rng.randrange(1, 2000)), "12"))
    if name in ("note", "skip", "batch", "repeat"):
        return rng.choice(("", "", "", "x"))
    return rng.choice(("A", "B", "1", "s1"))


def csv_input(rng: random.Random) -> tuple[bytes, dict[str, Any]]:
    """The bytes of a text table, in some dialect, perhaps damaged, and options to read it with."""
    separator = rng.choice(",,,;;\t|")
    quote = rng.random() < 0.3
    lines = []
    for row in _table(rng):
        cells = [f'"{cell}"' if quote or separator in cell else cell for cell in row]
        lines.append(separator.join(cells))
    text = rng.choice(("\n", "\n", "\r\n", "\r")).join(lines)
    coding = rng.choice(("utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252"))
    data = text.encode(coding, "replace")
    return _damaged(rng, data), _options(rng)


def xlsx_input(rng: random.Random) -> tuple[bytes, dict[str, Any]]:
    """The bytes of a workbook of some sheets, merges and types, perhaps damaged."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number in range(rng.randrange(1, 4)):
        sheet = book.create_sheet(f"{rng.choice(('A', 'Days', 'x y'))} {number}")
        for line, row in enumerate(_table(rng), start=1):
            for place, text in enumerate(row, start=1):
                with contextlib.suppress(ValueError, IllegalCharacterError):
                    sheet.cell(line, place).value = _typed(rng, text)
        if rng.random() < 0.3:
            first = rng.randrange(1, 5)
            sheet.merge_cells(start_row=first, end_row=first + rng.randrange(4), start_column=1,
                              end_column=1 + rng.randrange(3))  # fmt: skip
    buffer = io.BytesIO()
    try:
        book.save(buffer)
    except UnicodeError:  # a lone surrogate is no text of a workbook
        return b"PK\x03\x04", {}
    data = buffer.getvalue()
    if rng.random() < 0.3:
        data = _repacked(rng, data)
    elif rng.random() < 0.2:
        data = _damaged(rng, data)
    return data, _options(rng)


def _typed(rng: random.Random, text: str) -> Any:
    with contextlib.suppress(ValueError):
        if rng.random() < 0.8:
            number = float(text)
            return number if math.isfinite(number) else text
    return rng.choice((text, text, text, None, True, 0.4))


def _repacked(rng: random.Random, data: bytes) -> bytes:
    """Damage the inside of a workbook, so that the archive is whole and its parts are not."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.infolist():
            content = old.read(part)
            if rng.random() < 0.3:
                content = _damaged(rng, content, sure=True)
            if rng.random() > 0.05:
                new.writestr(part.filename, content)
    return out.getvalue()


def _damaged(rng: random.Random, data: bytes, *, sure: bool = False) -> bytes:
    if not data or (not sure and rng.random() < 0.7):
        return data
    content = bytearray(data)
    for _ in range(rng.randrange(1, 5)):
        place = rng.randrange(len(content))
        kind = rng.randrange(4)
        if kind == 0:
            content[place] = rng.randrange(256)
        elif kind == 1:
            del content[place : place + rng.randrange(1, 9)]
        elif kind == 2:
            content[place:place] = content[place : place + rng.randrange(1, 60)]
        else:
            content[place:place] = rng.choice(CELLS).encode("utf-8", "replace")
        if not content:
            break
    return bytes(content)


def _options(rng: random.Random) -> dict[str, Any]:
    choices: dict[str, tuple[Any, ...]] = {
        "sheets": ("all", "A 0", ["A 0", "x y 1"], [], 3),
        "fill_down": ("model", ["session", "model"], "noise [dBA]", "nowhere"),
        "header_row": (1, 2, 0, -1, 99),
        "decimal": (",", ".", ";"),
        "thousands": (".", ",", " ", "x"),
        "columns": ({"SPL": "noise [dBA]"}, {"RPM": "speed [rpm]", "Fan": "model"}, {"x": "y"},
                    {"model": None}),
        "separator": (",", ";", "xx", ""),
        "encoding": ("utf-8", "cp1252", "no-such", "utf-16"),
        "allow_repeats": (False,),
    }  # fmt: skip
    return {name: rng.choice(values) for name, values in choices.items() if rng.random() < 0.07}


def bench_input(rng: random.Random) -> bytes:
    """The bytes of a bench file with parts exchanged, cut and doubled."""
    lines = BENCH.splitlines(keepends=True)
    for _ in range(rng.randrange(6)):
        place = rng.randrange(len(lines))
        line = lines[place]
        kind = rng.randrange(4)
        if kind == 0:
            del lines[place]
        elif kind == 1:
            lines.insert(rng.randrange(len(lines) + 1), line)
        else:
            at = rng.randrange(len(line) + 1)
            cut = at if kind == 2 else min(len(line), at + rng.randrange(1, 9))
            lines[place] = line[:at] + rng.choice(BENCH_PARTS) + line[cut:]
        lines = lines or [b"\n"]
    return _damaged(rng, b"".join(lines))


_NUMBERS = (412, 398.5, 0, -1, 1e300, 1e-300, float("nan"), float("inf"), "412(6)", "<30", None,
            True, "x", 10**400, [1], {"none": 400, "mesh": 300}, {"": 1},
            {"none": float("nan")})  # fmt: skip
_NAMES = (*CELLS[:3], "../x", "<script>", "=1+1", "@x", "a\nb", "", " ", "x" * 300, "\ud800", 7,
          None, "mean", "A ", "a", "#REF!", "\x00")  # fmt: skip


def chart_input(rng: random.Random) -> tuple[Any, dict[str, Any]]:
    """Values off a chart and the words about them."""
    usual = rng.random() < 0.8
    names = _NAMES if rng.random() < 0.3 else ("A", "B", "NA", "../x", "<b>", "@x", "C")
    values: Any = {
        rng.choice(names): rng.uniform(20, 60) if usual else rng.choice(_NUMBERS)
        for _ in range(rng.randrange(1, 5))
    }
    if rng.random() < 0.02:
        values = rng.choice((None, [], "text", 3))
    quantity, units = rng.choice(
        (
            ("airflow", "fpm"),
            ("airflow", "m/s"),
            ("noise", "dBA"),
            ("speed", "rpm"),
            ("temperature_rise", "K"),
            ("airflow", "x"),
            ("temperature", "degC"),
            ("smell", "fpm"),
        )
    )
    options: dict[str, Any] = {
        "quantity": quantity,
        "units": units,
        "bench": fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %"))),
    }  # fmt: skip
    held = rng.choice(("level", "level", "drive", "speed"))
    odd = (0, -5, float("nan"), 1e300, 10**400, None, "x", True)
    options[held] = rng.choice((36, 36.0, 12, 900) if rng.random() < 0.8 else odd)
    for name, given in (
        ("room", (20.0, 36.0, 99.0, float("nan"), "x")),
        ("samples", (2, 0, 1.5, {"A": 3}, True)),
        ("slope", (50.0, (50.0, 5.0), 0.0, "x", float("inf"), (1, 2, 3))),
        ("chart", ("one", "", "\x00", "<b>")),
        ("background", ("removed", "x")),
        ("target", ("true", "x")),
    ):
        if rng.random() < 0.12:
            options[name] = rng.choice(given)
    return values, options


def sound_table(rng: random.Random) -> bytes:
    """A table of two fans by the fan laws, with names that somebody may find funny."""
    lines = ["model,drive [V],speed [rpm],noise [dBA],airflow none [fpm],airflow ../x [fpm]"]
    for name in rng.sample(("A", "NA", "../../x", "<script>", "@SUM(1)", "a;b", "$(ls)", "%s"), 2):
        quiet = rng.uniform(28, 36)
        for volts in (5, 7, 9, 12):
            speed = round(rng.uniform(98, 102) * volts)
            noise = quiet + 50 * math.log10(speed / 900)
            air = round(0.45 * speed)
            lines.append(f"{name},{volts},{speed},{noise:.1f},{air},{round(0.7 * air)}")
    return "\n".join(lines).encode()


def command_input(rng: random.Random, folder: Path) -> list[str]:
    """Files in a folder and the words of a command line about them."""
    kind = rng.random()
    data = sound_table(rng) if kind < 0.5 else (csv_input if kind < 0.8 else xlsx_input)(rng)[0]
    name = rng.choice(("fans.csv", "fans.xlsx", "fans", "=1.csv", "a b.csv"))
    (folder / name).write_bytes(data)
    (folder / "b.toml").write_bytes(bench_input(rng) if rng.random() < 0.3 else BENCH)
    words = [name] if rng.random() < 0.9 else ["nowhere.csv"]
    for flag, values in (
        ("--bench", ("b.toml",) * 8 + ("nowhere.toml", ".")),
        ("--noise", ("33", "36") * 5 + ("nan", "-inf", "x", "1e308")),
        ("--out", ("out", "out", "out", "a/b c", "fans.csv", "b.toml/x", "")),
        ("--seed", ("1", "-1", "x", "1" * 50)),
        ("--sheets", ("all", "A 0", "")),
        ("--fill-down", ("model", "x")),
        ("--header-row", ("1", "0", "x")),
    ):
        if rng.random() < (0.95 if flag in ("--bench", "--noise", "--out") else 0.07):
            words += [flag, rng.choice(values)]
    return [*words, "--draws", rng.choice(("100",) * 9 + ("7", "x"))]
