"""Draws larger than memory: made group by group, with the numbers of one piece."""

import dask
import numpy as np
import pytest

import fanstats as fs
from fanstats.engine.answers import Answer
from tests.tables import power_law_rows, readings

BENCH = fs.Bench(
    noise=fs.Instrument(shared=fs.standard(0.4), reading=fs.standard(0.1)),
    speed=fs.Instrument(reading=fs.standard(3.0)),
    airflow=fs.Instrument(shared=fs.standard("1 %"), reading=fs.standard("1 %")),
    spread=fs.UnitSpread(
        noise=fs.standard(0.8), airflow=fs.standard("2 %"), speed=fs.standard("4 %")
    ),
)
TABLE = readings(
    *(
        power_law_rows(f"M{k}", session=f"s{k % 2}", room=22.0, level_at_900=31 + 0.4 * k)
        for k in range(6)
    ),
    power_law_rows("too quiet", room=22.0, level_at_900=14.0),
)
WAYS = {
    "equal noise": lambda table: fs.equal_noise(table, 33.0, bench=BENCH, rng=5, draws=400),
    "two levels": lambda table: fs.equal_noise(table, [30.0, 33], bench=BENCH, rng=5, draws=400),
    "equal drive": lambda table: fs.equal_drive(table, 7.0, bench=BENCH, rng=5, draws=400),
    "equal speed": lambda table: fs.equal_speed(table, 900.0, bench=BENCH, rng=5, draws=400),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("rows", [5, 11, 1000])
def test_chunked_readings_give_the_same_numbers(way, rows):
    """Whatever the chunks, values, draws, statuses and notes are those of one piece."""
    whole = WAYS[way](TABLE)
    parts = WAYS[way](TABLE.chunk(row=rows))
    assert dask.is_dask_collection(parts["airflow"].data)
    assert parts.compute().identical(whole)


def test_only_one_group_is_drawn_for_one_model(monkeypatch):
    """Asking for one model draws its group alone."""
    parts = WAYS["equal noise"](TABLE.chunk(row=5))
    drawn, tables = [], Answer.tables

    def seen(answer, outputs=None, models=None):
        drawn.append([answer.layout.models[place] for place in models])
        return tables(answer, outputs, models)

    monkeypatch.setattr(Answer, "tables", seen)
    parts["airflow"].sel(model="M4").compute()
    assert drawn == [["M4"]]


def test_chunked_estimates_are_compared_and_ranked():
    """Decisions take chunked estimates as any other."""
    whole, parts = WAYS["equal noise"](TABLE), WAYS["equal noise"](TABLE.chunk(row=10))
    where = {"quantity": "airflow", "obstruction": "none"}
    sentence = fs.compare(whole, "M0", "M3", **where).sentence()
    assert fs.compare(parts, "M0", "M3", **where).sentence() == sentence
    assert fs.rank(parts, **where).table.equals(fs.rank(whole, **where).table)
    assert fs.summary(parts).equals(fs.summary(whole))


def test_without_dask_the_mend_is_named(monkeypatch):
    """Chunked readings without dask (chunked by another machine) are refused with what to do."""
    chunked = TABLE.chunk(row=10)
    monkeypatch.setattr(
        "fanstats.face.importlib.import_module",
        lambda name: (_ for _ in ()).throw(ImportError(name)),
    )
    with pytest.raises(fs.FanstatsError, match=r"pip install 'fanstats\[dask\]'"):
        WAYS["equal noise"](chunked)


def test_values_of_a_group_are_those_of_all(monkeypatch):
    """The numbers do not come from one piece by accident: a group is worked out by itself."""
    sizes, tables = [], Answer.tables

    def seen(answer, outputs=None, models=None):
        sizes.append(len(models))
        return tables(answer, outputs, models)

    monkeypatch.setattr(Answer, "tables", seen)
    parts = WAYS["equal noise"](TABLE.chunk(row=18))
    np.asarray(parts["speed"])
    assert max(sizes) < len(TABLE.groupby("model"))
