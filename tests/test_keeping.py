"""Results that are kept: saved, reloaded, copied, joined; and results that an earlier run saved."""

import copy
import json
import pickle
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

import fanstats as fs
from tests.tables import power_law_rows, readings

REFERENCE = Path(__file__).parent / "reference"
SAVED = REFERENCE / "saved_estimates.nc"
SAID = REFERENCE / "saved_estimates.json"
METER = fs.Instrument(
    shared=fs.half_width(1.0), session=[], sitting=fs.standard(0.2), reading=fs.standard(0.15)
)
BENCH = fs.Bench(
    noise=METER,
    speed=fs.Instrument(reading=fs.standard(4)),
    airflow=fs.Instrument(shared=fs.half_width("3 %"), reading=fs.standard(3)),
    spread=fs.UnitSpread(noise=fs.standard(0.8, dof=6), airflow=fs.standard("2 %"), speed=0),
)
LONG = "a fan whose name is longer than that of any other"
SHORT = power_law_rows("A", room=20.0)
NAMED = power_law_rows(LONG, room=20.0, level_at_900=34.0, session="a day with a long name")
WHERE = {"quantity": "airflow", "obstruction": "none"}


def made(*groups, rng=7, held=fs.equal_noise, at=36):
    """Estimates of some models."""
    return held(readings(*groups), at, bench=BENCH, draws=200, rng=rng)


def roads_to_keep(tmp_path):
    """Every way of keeping a result, by name."""

    def saved(estimates, engine):
        estimates.to_netcdf(tmp_path / f"{engine}.nc", engine=engine)
        return xr.load_dataset(tmp_path / f"{engine}.nc", engine=engine)

    return {
        "h5netcdf": lambda each: saved(each, "h5netcdf"),
        "pickle": lambda each: pickle.loads(pickle.dumps(each)),
        "deepcopy": copy.deepcopy,
    }


@pytest.mark.parametrize("road", ["h5netcdf", "pickle", "deepcopy"])
@pytest.mark.parametrize(
    ("held", "at"), [(fs.equal_noise, 36), (fs.equal_drive, 7), (fs.equal_speed, 900)]
)
def test_a_kept_result_is_the_same_result(road, held, at, tmp_path):
    """Values, draws, attributes and with them every correlation; verdict and ranks are the same."""
    before = made(SHORT, NAMED, held=held, at=at)
    after = roads_to_keep(tmp_path)[road](before)

    xr.testing.assert_identical(after, before)
    assert str(after.root.item()) == "7"
    assert after.attrs == before.attrs
    for name in ("assumptions", "measured", "not_considered", "spread", "pooled"):
        assert json.loads(after.attrs[name]) == json.loads(before.attrs[name])
    one, other = (fs.compare(each, "A", LONG, **WHERE) for each in (before, after))
    assert (one.verdict, one.difference) == (other.verdict, other.difference)
    assert fs.rank(before, **WHERE).table.equals(fs.rank(after, **WHERE).table)


@pytest.mark.parametrize("road", ["h5netcdf", "pickle", "deepcopy"])
def test_a_kept_first_order_result_keeps_its_correlations(road, tmp_path):
    """Labels of all lengths, effects and covariances."""
    before = fs.first_order(readings(SHORT, NAMED), 36, bench=BENCH, target="true")
    after = roads_to_keep(tmp_path)[road](before)

    xr.testing.assert_identical(after, before)
    matrices = [fs.covariance(each, **WHERE).values for each in (before, after)]
    assert np.array_equal(*matrices)
    assert matrices[0][0, 1] > 0


def test_attributes_can_be_saved_anywhere():
    """Text, whole numbers and floats alone: what every file format takes."""
    for each in (made(SHORT, NAMED), fs.first_order(readings(SHORT), drive=7, bench=BENCH)):
        holders = [each, *each.variables.values()]
        kinds = {type(value) for holder in holders for value in holder.attrs.values()}
        assert kinds <= {str, int, float}


def test_labels_of_different_lengths_survive_joining_and_saving(tmp_path):
    """Models made apart with one root are joined; no name, status or draw is cut or lost."""
    room = {"room": "day"}
    apart = [
        fs.equal_noise(readings(SHORT, group), 36, bench=BENCH, draws=200, rng=7, **room)
        for group in (NAMED, power_law_rows("quiet one", level_at_900=15.0, room=20.0))
    ]
    pieces = [apart[0], apart[1].drop_sel(model="A")]
    joined = xr.concat(pieces, "model", combine_attrs="override")
    joined.to_netcdf(tmp_path / "joined.nc")
    again = xr.load_dataset(tmp_path / "joined.nc")

    assert again.model.values.tolist() == ["A", LONG, "quiet one"]
    assert again.status.sel(model="quiet one").item() == apart[1].status.sel(model="quiet one")
    assert "above range" in again.status.sel(model="quiet one").item()
    np.testing.assert_array_equal(again.airflow.sel(model=LONG), apart[0].airflow.sel(model=LONG))
    one = fs.compare(apart[0], "A", LONG, chosen="before", **WHERE)
    other = fs.compare(again, "A", LONG, chosen="before", **WHERE)
    assert one.difference == other.difference


def test_results_of_different_roots_are_not_compared():
    """Their draws do not share the meter: comparing, ranking and summing up refuse them."""
    one, other = made(SHORT), made(NAMED, rng=8)
    joined = xr.concat([one, other], "model", combine_attrs="override", coords="different",
                       compat="equals")  # fmt: skip

    for judge in (
        lambda: fs.compare(joined, "A", LONG, **WHERE),
        lambda: fs.rank(joined, **WHERE),
        lambda: fs.summary(joined),
    ):
        with pytest.raises(fs.FanstatsError, match="one root seed; got 7, 8"):
            judge()


# Saved by an earlier run --------------------------------------------------------------------------


def saved_question():
    """What the saved file holds: three models at 36 dBA, one of two samples."""
    second = power_law_rows("Corra", unit="2", room=20.0, level_at_900=33.5, airflow_at_900=418.0)
    groups = [
        power_law_rows("Arbel", room=20.0),
        power_law_rows("Brint long", room=20.0, level_at_900=34.0, airflow_at_900=400.0),
        power_law_rows("Corra", room=20.0, level_at_900=33.0, airflow_at_900=425.0),
        second,
    ]
    return made(*groups, rng=2026)


def judged(estimates):
    """What is decided from estimates, as JSON holds it."""
    pair = fs.compare(estimates, "Arbel", "Brint long", **WHERE)
    ranking = fs.rank(estimates, **WHERE)
    columns = ["value", "low", "high", "rank_low", "rank_high"]
    return {
        "root": str(estimates.root.item()),
        "models": estimates.model.values.tolist(),
        "verdict": pair.verdict,
        "who": pair.who,
        "difference": [pair.difference.value, pair.difference.low, pair.difference.high],
        "order": ranking.table["model"].tolist(),
        "table": ranking.table[columns].to_numpy().tolist(),
    }


def test_results_saved_by_an_earlier_run_load_and_say_the_same():
    """The file in the reference folder gives the verdict and the ranks that were written with it.

    Draws may change between versions; what a saved file says may not.
    """
    said = json.loads(SAID.read_text(encoding="utf-8"))
    again = judged(xr.load_dataset(SAVED))

    numbers = ("difference", "table")
    assert {k: v for k, v in again.items() if k not in numbers} == {
        k: v for k, v in said.items() if k not in numbers
    }
    np.testing.assert_allclose(again["difference"], said["difference"], rtol=1e-9)
    np.testing.assert_allclose(again["table"], said["table"], rtol=1e-9)
    assert SAVED.stat().st_size < 200_000


def test_what_is_made_today_has_what_the_saved_file_has():
    """No variable, coordinate or attribute of the saved file went missing."""
    saved, today = xr.load_dataset(SAVED), saved_question()

    assert set(saved.variables) <= set(today.variables)
    assert set(saved.attrs) <= set(today.attrs)
    assert all(saved[name].dims == today[name].dims for name in saved.variables)


if __name__ == "__main__":
    estimates = saved_question()
    encoding = {
        name: {"zlib": True} for name in estimates.data_vars if estimates[name].dtype.kind == "f"
    }
    estimates.to_netcdf(SAVED, encoding=encoding)
    SAID.write_text(json.dumps(judged(estimates), indent=1) + "\n", encoding="utf-8")
