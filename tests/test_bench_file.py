"""Bench files: TOML in, a Bench out, read back in sentences."""

from __future__ import annotations

import importlib.machinery
import io
import math
import sys
import types
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fanstats.errors import FanstatsError
from fanstats.loading.bench_file import read_bench
from fanstats.loading.describe import describe
from fanstats.sources import Bench, Instrument, UnitSpread, expanded, half_width, standard


def bench(text: str) -> Bench:
    """Read the text of a bench file."""
    return read_bench(io.BytesIO(text.encode()))


FULL = """
[noise]
units   = "dBA"
name    = "hand meter"
shared  = [{half_width = 1.0}]
session = []
sitting = [{standard = 0.2, name = "position"}]
model   = [{half_width = 0.5, acts_on = "reading"}]
reading = [{half_width = 0.05}, {standard = 0.15, dof = 9}]

[speed]
units  = "rpm"
shared = {expanded = "0.5 %", k = 2.5}

[airflow]
units   = "fpm"
shared  = [{half_width = "3 % + 0.2 m/s", shape = "triangular"}]
reading = [{half_width = 2.5}, {standard = 0.02, relative = true}]

[temperature]
shared = [{half_width = 0.5}]

[spread]
speed       = {half_width = "10 %"}
noise       = {standard = 0.8, dof = 4}
airflow     = 0
temperature = {standard = "0.9 degF"}

[columns]
"SPL"  = "noise [dBA]"
sample = "unit"
"""


def test_bench_file_becomes_a_bench(tmp_path: Path) -> None:
    """Every table becomes its instrument, every source its standard uncertainty, units attached."""
    path = tmp_path / "bench.toml"
    path.write_text(FULL, encoding="utf-8")

    read = read_bench(path)

    noise, airflow, speed = read.noise, read.airflow, read.speed
    assert noise is not None
    assert airflow is not None
    assert speed is not None
    assert noise.name == "hand meter"
    assert noise.at("shared")[0].absolute == pytest.approx(1 / math.sqrt(3))
    assert noise.at("shared")[0].units == "dBA"
    assert noise.at("model")[0].acts_on == "reading"
    assert noise.at("reading")[1].dof == 9
    assert noise.session == ()
    assert noise.unstated == ()
    assert speed.at("shared")[0].relative == pytest.approx(0.005 / 2.5)
    vane = airflow.at("shared")[0]
    assert vane.absolute_in("fpm") == pytest.approx(0.2 / math.sqrt(6) * 60 / 0.3048)
    assert vane.relative == pytest.approx(0.03 / math.sqrt(6))
    assert [s.units for s in airflow.at("reading")] == ["fpm", None]
    assert airflow.at("reading")[1].relative == 0.02
    assert read.temperature is not None
    assert read.temperature.at("shared")[0].units is None
    assert read.spread.noise == standard("0.8 dB", dof=4)
    assert read.spread.of("airflow") == standard(0.0)
    kelvin = read.spread.of("temperature")
    assert kelvin is not None
    assert kelvin.absolute_in("K") == pytest.approx(0.5)
    assert read.columns == {"SPL": "noise [dBA]", "sample": "unit"}


def test_a_bench_file_is_what_the_functions_say() -> None:
    """Three forms of a source are the three functions, word for word."""
    read = bench(
        '[noise]\nunits = "dBA"\n'
        'shared = [{half_width = "1 dBA"}, {expanded = "0.4 dB", k = 3}, {standard = "0.2 dBA"}]'
    )

    assert read.noise == Instrument(
        shared=[half_width("1 dBA"), expanded("0.4 dB", 3.0), standard("0.2 dBA")]
    )


def test_a_text_without_a_unit_takes_that_of_the_table() -> None:
    """In "3 % + 0.2" the 0.2 is in the table's unit, and is stated so."""
    read = bench("[airflow]\nunits = 'fpm'\nshared = [{half_width = '3 % + 6'}]")

    assert read.airflow is not None
    source = read.airflow.at("shared")[0]
    assert source.units == "fpm"
    assert source.absolute_in("m/s") == pytest.approx(6 / math.sqrt(3) * 0.3048 / 60)
    assert source.stated == "±(3 % + 6) in fpm"


@pytest.mark.parametrize("opened", ["str", "bytes", "text", "BOM"])
def test_bench_files_by_every_road(opened: str, tmp_path: Path) -> None:
    """A path, a binary or text handle, and a byte order mark make no difference."""
    path = tmp_path / "bench.toml"
    path.write_bytes((b"\xef\xbb\xbf" if opened == "BOM" else b"") + b"[noise]\nshared = []\n")

    if opened == "bytes":
        with path.open("rb") as handle:
            read = read_bench(handle)
    elif opened == "text":
        with path.open(encoding="utf-8") as text:
            read = read_bench(text)
    else:
        read = read_bench(str(path))

    assert read == Bench(noise=Instrument(shared=[]))


def test_room_noise_follows_the_noise_instrument() -> None:
    """[background] follows [noise] when absent, and stands for itself when given."""
    assert bench("[noise]\nshared = []").instrument("background") == Instrument(shared=[])
    own = bench("[noise]\nshared = []\n[background]\nreading = []")
    assert own.instrument("background") == Instrument(reading=[])


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("noise = ", r"bench file: a bench file is TOML; .*Mend that line"),
        ("a = " + "[" * 50_000, "a bench file is TOML"),
        ("noise = 1", r"'noise' must be a table; found 1\. Write \[noise\]"),
        ("[nose]", "no table is called 'nose'. Did you mean 'noise'"),
        ("[noise]\nshred = []", r"\[noise\]: no key is called 'shred'. Did you mean 'shared'"),
        ("[noise]\nunits = 'fpm'", "units of noise are one of dBA, dBC, dBZ, dB; found 'fpm'"),
        ("[noise]\nunits = 3", "'units' must be a text; found 3"),
        ("[noise]\nshared = [1.0]", r"\[noise\] shared, source 1: a source is a table"),
        ("[noise]\nshared = [{}]", "exactly one of half_width, expanded, standard; found none"),
        (
            "[noise]\nshared = [{standard = 1}, {half_width = 1, standard = 2}]",
            "shared, source 2: a source has exactly one of .*; found half_width and standard",
        ),
        ("[noise]\nshared = [{half_widht = 1}]", "no key is called 'half_widht'. Did you mean"),
        ("[noise]\nshared = [{half_width = -1}]", "source 1: `half_width` must be a finite number"),
        ("[noise]\nunits = 'dBA'\nshared = [{half_width = -1}]", "must be a finite number"),
        ("[noise]\nshared = [{half_width = nan}]", "`half_width` must be a finite number"),
        ("[noise]\nshared = [{half_width = true}]", "`half_width` must be a number or text"),
        ("[noise]\nshared = [{half_width = 'much'}]", "must read like '3 %'"),
        ("[noise]\nshared = [{half_width = 1, k = 2}]", "'k' goes with 'expanded'"),
        (
            "[noise]\nshared = [{half_width = 1, dof = 2}]",
            "'dof' goes with 'standard' or 'exp",
        ),
        ("[noise]\nshared = [{expanded = 1, dof = 2}]", "source 1: `dof` alone makes no coverage"),
        (
            "[noise]\nshared = [{expanded = 1, k = 3, probability = 0.95}]",
            "`k` and `probability` contradict each other: 0.95 makes k = 1.96; got k = 3",
        ),
        ("[noise]\nshared = [{standard = 1, unsplit = true}]", "'unsplit' goes with 'half_width'"),
        ("[noise]\nreading = [{standard = 0, correction = 1}]", "state it under `shared`"),
        ("[noise]\nshared = [{standard = 0, correction = '1 fpm'}]", "'fpm' does not convert"),
        ("[noise]\nshared = [{standard = 0, correction = '-2 %'}]", "has no percentage"),
        ("[airflow]\nshared = [{standard = 0, correction = 'low'}]", "must read like"),
        ("[noise]\nshared = [{standard = 1, shape = 'normal'}]", "'shape' goes with 'half_width'"),
        ("[noise]\nshared = [{half_width = 1, shape = 'round'}]", "`shape` must be one of"),
        ("[noise]\nshared = [{expanded = 1, k = 0}]", "`k` must be a finite number above 0"),
        ("[noise]\nshared = [{standard = 1, dof = 0}]", "`dof` must be above 0"),
        ("[noise]\nshared = [{standard = 1, dof = 'few'}]", "'dof' must be a number; found 'few'"),
        ("[noise]\nshared = [{standard = 1, relative = 1}]", "'relative' is true or false"),
        ("[noise]\nshared = [{standard = '1 %'}]", "a level in dB has no percentage"),
        ("[noise]\nshared = [{standard = 1, acts_on = 'room'}]", "`acts_on` must be one of"),
        ("[airflow]\nshared = [{standard = 1, acts_on = 'fan'}]", "'acts_on' is for noise"),
        (
            "[noise]\nshared = [{half_width = '0.2 m/s'}]",
            "'m/s' does not convert to a unit of noise",
        ),
        (
            "[airflow]\nunits = 'cfm'\nshared = [{half_width = '0.2 m/s'}]",
            "'m/s' does not convert to cfm",
        ),
        ("[spread]\nnoise = 1.0", r"\[spread\] noise: say what the number means"),
        ("[spread]\nnoise = true", r"\[spread\] noise: a source is a table"),
        ("[spread]\nspeed = {half_width = 10}", r"\[spread\] speed: `speed` spread is relative"),
        ("[spread]\nnoise = {standard = '2 %'}", "a level in dB has no percentage"),
        ("[spread]\nnoise = {standard = '2 fpm'}", "'fpm' does not convert to dB"),
        ("[spread]\nflow = 0", "no kind of spread is called 'flow'. Did you mean 'airflow'"),
        ("[columns]\nSPL = 'noise'", r"\[columns\]: 'SPL' must map to a header"),
        ("[columns]\nSPL = 3", r"\[columns\]: 'SPL' must map to a header"),
    ],
)
def test_faults_name_table_rule_and_mend(text: str, match: str) -> None:
    """What has no meaning is refused with its place in the file."""
    with pytest.raises(FanstatsError, match=match):
        bench(text)


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    """A missing file, a folder, another encoding and other things are refused."""
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b"# \xb0C\n")
    for source, match in [
        (tmp_path / "none.toml", "cannot be opened"),
        (tmp_path, "cannot be opened"),
        (latin, "latin.toml: a bench file is UTF-8 text; found the byte"),
        (3, "must be a path or an open file; got int"),
    ]:
        with pytest.raises(FanstatsError, match=match):
            read_bench(source)  # type: ignore[arg-type]


@given(st.text(alphabet='[]{}="=.,\n# abknoisespdshardtw0123456789%-', max_size=120))
@settings(max_examples=300, deadline=None)
def test_junk_gives_a_bench_or_our_own_error(text: str) -> None:
    """Any text is a bench file or refused."""
    for junk in (text, f"[noise]\n{text}", f"[noise]\nshared = [{{{text}}}]", f"[spread]\n{text}"):
        try:
            read = bench(junk)
        except FanstatsError:
            continue
        assert describe(read)


@given(
    st.floats(1e-6, 1e3),
    st.sampled_from(["rectangular", "triangular", "u-shaped"]),
    st.floats(1, 500),
)
def test_numbers_survive_the_file(size: float, shape: str, dof: float) -> None:
    """A number in the file is that number in the Bench, to twelve digits."""
    read = bench(
        f'[speed]\nunits = "rpm"\nshared = [{{half_width = {size!r}, shape = "{shape}"}}]\n'
        f"reading = [{{standard = {size!r}, dof = {dof!r}}}]"
    )

    assert read.speed is not None
    limit, scatter = read.speed.at("shared")[0], read.speed.at("reading")[0]
    divisor = {"rectangular": 3.0, "triangular": 6.0, "u-shaped": 2.0}[shape] ** 0.5
    np.testing.assert_allclose(limit.absolute, size / divisor, rtol=1e-11)
    np.testing.assert_allclose([scatter.absolute, scatter.dof], [size, dof], rtol=1e-11)
    assert scatter.units == "rpm"


# The bench read back ---------------------------------------------------------------------------


def test_description_reads_the_bench_back() -> None:
    """Instruments, sample luck and what is missing are said in the words of a tester."""
    text = describe(bench(FULL))

    assert "Noise (read with hand meter):" in text
    assert "What everything read with this instrument has in common: ±1 dBA." in text
    assert "What all readings of one session have in common: no error, checked." in text
    assert "position s = 0.2 dBA" in text
    assert "±0.5 dBA (acting on the reading)" in text
    assert "Room noise: read with the instrument for noise, with the same errors." in text
    assert "Sample luck in airflow (how much more air it moves at a given speed): zero, as" in text
    assert "  Speed: what all readings of one session have in common;" in text
    assert "'SPL' is 'noise [dBA]'" in text


def test_unknown_sample_luck_is_said_in_words() -> None:
    """A spread nobody stated is named together with what cannot be said without it."""
    text = describe(bench("[spread]\nspeed = {half_width = '10 %'}"))

    assert "Sample luck in noise: not stated, so no statement about the typical sample" in text
    assert "The spread of speed does not stand in for noise" in text
    assert "  Noise: all errors of reading it." in text


@pytest.mark.parametrize(
    ("spread", "noise", "first"),
    [
        # An assumed spread is shakier than a wide limit; a faster sample matters least.
        (UnitSpread(noise=standard(0.3), speed=half_width("30 %")), half_width("3 dBA"),
         "sample luck in noise"),
        # 3 % of airflow is more than 0.5 dB (2.4 %).
        (UnitSpread(noise=standard(0.5), airflow=standard("3 %")), None, "sample luck in airflow"),
        # Few samples are shakier than a limit off a box, many are not.
        (UnitSpread(noise=standard(0.3, dof=2)), half_width("1 dBA"), "sample luck in noise"),
        (UnitSpread(noise=standard(0.3, dof=40)), half_width("1 dBA"), "the shared error of noise"),
        # Zero is a statement, not a guess.
        (UnitSpread(noise=0), half_width("1 dBA"), "the shared error of noise"),
    ],
)  # fmt: skip
def test_the_shakiest_guess_comes_first(spread: UnitSpread, noise: object, first: str) -> None:
    """Guesses without samples behind them lead, the weightiest first."""
    instrument = None if noise is None else Instrument(shared=noise)  # type: ignore[arg-type]

    text = describe(Bench(noise=instrument, spread=spread))

    assert text.startswith(f"Shakiest guess: {first}")


def test_an_empty_bench_is_described() -> None:
    """With nothing stated there is nothing to doubt, and everything is listed as missing."""
    text = describe(Bench())

    assert text.startswith("Shakiest guess: none to name")
    assert text.count("all errors of reading it") == 4


def _shelf(look_up: object) -> types.ModuleType:
    """Make a module of ready-made instruments."""
    module = types.ModuleType("fanstats.instruments")
    module.__spec__ = importlib.machinery.ModuleSpec("fanstats.instruments", None)
    module.from_words = look_up  # type: ignore[attr-defined]
    return module


def test_a_ready_made_meter_is_looked_up_by_its_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """`meter` names a ready-made instrument; what the table states itself replaces its levels."""

    def look_up(quantity: str, words: str) -> Instrument:
        if words != "class 2":
            msg = f"no {quantity} meter is called {words!r}"
            raise FanstatsError(msg)
        return Instrument(shared=half_width("1.4 dB"), reading=half_width("0.05 dB"), name="box")

    monkeypatch.setitem(sys.modules, "fanstats.instruments", _shelf(look_up))

    read = bench('[noise]\nmeter = "class 2"\nreading = []\nsitting = [{standard = 0.2}]')

    expected = Instrument(
        shared=half_width("1.4 dB"), sitting=standard(0.2), reading=[], name="box"
    )
    assert read.noise == expected
    with pytest.raises(FanstatsError, match=r"\[noise\]: no noise meter is called 'class 7'"):
        bench('[noise]\nmeter = "class 7"')


def test_a_meter_without_ready_made_instruments_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no such instruments are at hand the mend is to state the sources."""
    monkeypatch.setitem(sys.modules, "fanstats.instruments", _shelf(None))

    with pytest.raises(FanstatsError, match="meter = 'class 2' cannot be looked up"):
        bench('[noise]\nmeter = "class 2"')
