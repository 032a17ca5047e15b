"""What still holds of what was published, after another test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from fanstats.decisions.changes import changes
from fanstats.decisions.compare import compare
from fanstats.decisions.rank import rank
from fanstats.errors import FanstatsError
from tests.synthetic import make_estimates

SIX = {"A": 420.0, "B": 400.0, "C": 390.0, "D": 385.0, "E": 350.0, "F": 330.0}


def outcome(found, first, second):
    rows = found.table.query("kind == 'pair' and first == @first and second == @second")
    return rows["outcome"].iloc[0] if len(rows) else None


def test_nothing_changes_against_itself():
    """The same estimates let everybody say the same: all holds, nothing is new."""
    estimates = make_estimates(SIX, own=0.006, draws=1000)
    found = changes(estimates, estimates)
    assert set(found.table["outcome"]) == {"holds"}
    assert (found.models["change"] == 0).all()


def test_statements_are_those_that_compare_allows():
    """A pair is published as settled or leaning exactly where `compare` says so."""
    estimates = make_estimates(SIX, own=0.006, draws=2000)
    table = changes(estimates, estimates).table.query("kind == 'pair'")
    said = {frozenset((row.first, row.second)): row.before for row in table.itertuples()}
    for k, one in enumerate(SIX):
        for two in list(SIX)[k + 1 :]:
            verdict = compare(estimates, one, two).verdict
            assert said.get(frozenset((one, two)), "open") == verdict


def test_a_smaller_spread_firms_and_a_larger_one_weakens():
    """With better knowledge leaning pairs become settled; the other way round they weaken."""
    vague = make_estimates(SIX, own=0.003, noise_spread=0.5, airflow_spread=0.01, draws=3000)
    sharp = make_estimates(SIX, own=0.003, noise_spread=0.05, airflow_spread=0.002, draws=3000)
    better, worse = changes(vague, sharp), changes(sharp, vague)
    assert {"holds", "firmer"} <= set(better.table["outcome"])
    assert not {"fell", "weakened"} & set(better.table["outcome"])
    assert "weakened" in set(worse.table["outcome"])
    assert not {"fell", "new", "firmer"} & set(worse.table["outcome"])
    assert "have become settled" in better.sentence()
    assert "Weaker:" in worse.sentence()


def test_a_turned_order_fell():
    """What the new estimates contradict has fallen, be they settled the other way or only open."""
    old = make_estimates({"A": 420.0, "B": 400.0}, own=0.004, noise_spread=0.0, airflow_spread=0.0,
                         draws=2000)  # fmt: skip
    turned = make_estimates({"A": 400.0, "B": 420.0}, own=0.004, noise_spread=0.0,
                            airflow_spread=0.0, draws=2000, root=8)  # fmt: skip
    barely = make_estimates({"A": 400.0, "B": 400.5}, own=0.004, noise_spread=0.0,
                            airflow_spread=0.0, draws=2000, root=8)  # fmt: skip
    level = make_estimates({"A": 400.6, "B": 400.0}, own=0.004, noise_spread=0.0,
                           airflow_spread=0.0, draws=2000, root=8)  # fmt: skip
    assert outcome(changes(old, turned), "A", "B") == "fell"
    assert outcome(changes(old, barely), "A", "B") == "fell"
    assert outcome(changes(old, level), "A", "B") == "weakened"
    first = changes(old, turned).table.query("kind == 'first'").iloc[0]
    assert (first["statement"], first["outcome"]) == ("A stands first", "fell")
    place = changes(old, turned).having("fell").query("kind == 'place'")
    assert "place 1 is settled: A" in set(place["statement"])
    assert "place 1 is settled: B" in set(changes(old, turned).having("new")["statement"])


def test_a_leaning_that_turned_fell():
    """Leaning one way before and the other way now is a statement that fell."""
    common = {"own": 0.02, "noise_spread": 0.0, "airflow_spread": 0.0, "draws": 4000}
    old = make_estimates({"A": 412.0, "B": 400.0}, **common)
    new = make_estimates({"A": 400.0, "B": 412.0}, **common, root=9)
    assert compare(old, "A", "B").verdict == compare(new, "A", "B").verdict == "leaning"
    assert outcome(changes(old, new), "A", "B") == "fell"


def test_models_that_come_and_go():
    """A model not tested again leaves its statements untold; a new one may bring new ones."""
    old = make_estimates({"A": 420.0, "B": 380.0}, own=0.003, noise_spread=0.0, airflow_spread=0.0,
                         draws=1000)  # fmt: skip
    new = make_estimates({"B": 380.0, "C": 300.0}, own=0.003, noise_spread=0.0, airflow_spread=0.0,
                         draws=1000)  # fmt: skip
    found = changes(old, new)
    assert outcome(found, "A", "B") == "not tested again"
    assert outcome(found, "B", "C") == "new"
    models = found.models.set_index("model")
    assert math.isnan(models.loc["A", "value_now"])
    assert math.isnan(models.loc["C", "value_before"])
    assert "cannot be told, as a model was not tested again" in found.sentence()


def test_less_is_better():
    """For noise the quieter is ahead before and now."""
    common = {"quantity": "noise", "units": "dBA", "relative": False, "own": 0.1, "slope": 0.0,
              "noise_spread": 0.0, "airflow_spread": 0.0, "draws": 1000}  # fmt: skip
    old = make_estimates({"A": 30.0, "B": 33.0}, **common)
    new = make_estimates({"A": 33.0, "B": 30.0}, **common)
    assert outcome(changes(old, old), "A", "B") == "holds"
    assert outcome(changes(old, new), "A", "B") == "fell"


def test_rankings_do_as_well_as_estimates():
    """What `rank` made of the estimates leads to the same table."""
    old = make_estimates(SIX, own=0.006, draws=1000)
    new = make_estimates(SIX, own=0.009, draws=1000, root=8)
    one, two = changes(old, new), changes(rank(old), rank(new))
    assert one.table.equals(two.table)


def test_different_questions_are_refused_and_different_levels_noted():
    """Another obstruction or scope says nothing; another level is said in a note."""
    old = make_estimates(SIX, obstructions=["mesh", "filter"], draws=300)
    with pytest.raises(FanstatsError, match="same obstruction"):
        changes(rank(old, obstruction="mesh"), rank(old, obstruction="filter"))
    with pytest.raises(FanstatsError, match="same scope"):
        changes(rank(old, obstruction="mesh"), rank(old, obstruction="mesh", scope="next unit"))
    louder = make_estimates(SIX, level=40.0, draws=300)
    found = changes(make_estimates(SIX, draws=300), louder)
    assert any(note.startswith("read off differently") for note in found.notes)


def test_words_and_tables_of_changes():
    """Counts by outcome, what fell by name, samples and assumptions of the new test."""
    old = make_estimates(SIX, own=0.003, noise_spread=0.1, airflow_spread=0.002, draws=1000)
    new = make_estimates({**SIX, "A": 380.0}, own=0.003, noise_spread=0.1, airflow_spread=0.002,
                         draws=1000, root=8, units_tested=2)  # fmt: skip
    found = changes(old, new)
    text = found.sentence()
    assert "statements by airflow at equal noise (36 dBA), for the typical ones:" in text
    assert "Fell: A stands first" in text
    assert "Tested: 2 samples of" in text
    assert "<table" in found._repr_html_()
    assert found.to_csv().startswith(
        "statement,kind,first,second,before,now,chance_before,chance_now,outcome"
    )
    assert found.to_markdown().startswith("| statement")


def test_settled_statements_seldom_fall_when_nothing_has_changed():
    """Two independent tests of the same models: what was settled rarely lies the other way now."""
    rng, spread, runs, charts = np.random.default_rng(2), 0.01, 60, 0
    for run in range(runs):
        true = rng.normal(0, 0.02, 5)
        old, new = (
            make_estimates(
                {f"M{k}": 400 * math.exp(true[k] + rng.normal(0, spread)) for k in range(5)},
                own=spread, noise_spread=0.0, airflow_spread=0.0, draws=500, root=run,
            )
            for _ in range(2)
        )  # fmt: skip
        found = changes(old, new).table
        reversed_now = found.query("kind == 'pair' and before == 'ahead' and now == 'behind'")
        charts += not reversed_now.empty
    assert charts <= stats.binom.ppf(0.999, runs, 0.05)


def shifted(estimates, model, factor):
    """Move one model, value and draws alike."""
    moved = estimates.copy(deep=True)
    for name in ("airflow", "airflow_value"):
        moved[name] = moved[name].where(moved["model"] != model, moved[name] * factor)
    return moved


def test_what_monte_carlo_error_can_do_is_no_news():
    """A limit a fifth of its error above 0 before and below 0 now: neither weaker nor firmer."""
    options = {"own": 0.006, "noise_spread": 0.2, "airflow_spread": 0.01, "draws": 2000}
    estimates = make_estimates(SIX, **options)
    limit = compare(estimates, "A", "B").ratio
    step = limit.low_error / limit.low
    just, barely = (
        shifted(estimates, "A", (1.0 + sign * 0.2 * step) / limit.low) for sign in (1, -1)
    )
    assert compare(just, "A", "B").verdict == "ahead"
    assert compare(barely, "A", "B").verdict == "leaning"
    for old, new in ((just, barely), (barely, just)):
        found = changes(old, new)
        assert outcome(found, "A", "B") == "too close to call"
        assert not set(found.table.query("second == 'B'")["outcome"]) & {"weakened", "firmer"}
        assert "No news before more draws are taken" in found.sentence()
    # Far beyond the error it is news.
    far = shifted(estimates, "A", (1.0 - 8 * step) / limit.low)
    assert outcome(changes(just, far), "A", "B") == "too close to call"
    clear = shifted(estimates, "A", (1.0 + 8 * step) / limit.low)
    assert outcome(changes(clear, far), "A", "B") == "weakened"


def test_the_same_readings_with_other_draws_are_no_news():
    """Other root seeds of the same bench: no statement fell, and hardly one is weaker."""
    rng, weaker, told = np.random.default_rng(4), 0, 0
    for run in range(30):
        values = {f"M{k}": 400 * math.exp(rng.normal(0, 0.02)) for k in range(5)}
        options = {"noise_spread": 0.2, "airflow_spread": 0.01, "draws": 1000}
        found = changes(
            make_estimates(values, root=run, **options),
            make_estimates(values, root=1000 + run, **options),
        ).table
        weaker += int(found["outcome"].isin(["fell", "weakened", "firmer", "new"]).sum())
        told += len(found)
    assert weaker <= stats.binom.ppf(0.999, told, 0.002)


def test_odds_before_and_now_stand_with_what_changed():
    """A statement that fell or is weaker is told with its odds before and now."""
    old = make_estimates(SIX, own=0.003, noise_spread=0.1, airflow_spread=0.002, draws=1000)
    found = changes(old, make_estimates({**SIX, "A": 380.0}, own=0.003, noise_spread=0.1,
                                        airflow_spread=0.002, draws=1000, root=8))  # fmt: skip
    row = found.table.query("kind == 'pair' and first == 'A' and second == 'B'").iloc[0]
    assert row["chance_before"] == pytest.approx(
        compare(old, "A", "B").odds_typical.first_ahead, abs=1e-9
    )
    assert row["chance_now"] < 0.5
    assert "in 100 before, less than 1 in 100 now)" in found.sentence()
