"""One page about a whole chart, in a file of its own: it needs no network and runs no scripts."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import fanstats
from fanstats._arguments import fraction
from fanstats.cautions import ABOUT_BENCH, ABOUT_RESULTS
from fanstats.decisions.retest import retest
from fanstats.decisions.value_for_money import value_for_money
from fanstats.errors import FanstatsError
from fanstats.loading.describe import describe
from fanstats.loading.readings import load_report
from fanstats.output.page_next import Next, closest_of_all, next_steps, prices_of, telling_plan
from fanstats.output.page_parts import (
    Case,
    budget_cases,
    cases_of,
    closest_lines,
    common_sentence,
    lead_sentences,
    notes_of,
    samples_sentence,
    sets_sentence,
)
from fanstats.output.page_tables import Table, budget_table, chances_table, ranking_table
from fanstats.output.report import write_aside
from fanstats.output.summaries import summary
from fanstats.progress import progress
from fanstats.propagation.budget import budget
from fanstats.wording import times_words, where

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.output.page_pictures import Picture
    from fanstats.sources import Bench

__all__ = ["FILE_NAME", "write_page"]

FILE_NAME = "page.html"
_TEMPLATE = "page.html.jinja"


def write_page(
    estimates: xr.Dataset,
    readings: xr.Dataset | None,
    bench: Bench,
    out: str | Path,
    *,
    probability: float = 0.95,
    note: str = "",
) -> Path:
    """Write all there is to say about some estimates as one HTML page.

    Parameters
    ----------
    estimates : Dataset
        From `equal_noise` and its sisters, or `from_chart`.
    readings : Dataset or None
        The readings behind them; None for numbers off a chart. Without them there is no
        uncertainty budget and no curve.
    bench : Bench
        The bench behind them.
    out : str or Path
        The file, if it ends in ``.html``; else a folder, in which it is called ``page.html``.
    probability : float
        Coverage probability of all ranges.
    note : str
        Stands first, such as where the readings come from.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    FanstatsError
        If the folder cannot be written, or `probability` is no fraction.

    Notes
    -----
    The order is that of a reader's questions: who is first and is it settled; which calls are
    closest; the picture; then all figures, where their uncertainty comes from, what was assumed,
    measured and not considered, what to buy next, and cautions. The same estimates give the same
    file, to the byte.

    Examples
    --------
    >>> import tempfile
    >>> import fanstats as fs
    >>> bench = fs.Bench(spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")))
    >>> estimates = fs.from_chart({"A": 412, "B": 398}, quantity="airflow", units="fpm", level=36,
    ...                           bench=bench, draws=500, rng=1)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_page(estimates, None, bench, folder)
    ...     "<h1>Fans side by side at equal noise (36 dBA)</h1>" in path.read_text("utf-8")
    True
    """
    fraction("probability", probability)
    path = _path(out)
    text = _rendered(_context(estimates, readings, bench, probability, note))
    return write_aside(path, lambda aside: aside.write_text(text, encoding="utf-8"))


def _path(out: str | Path) -> Path:
    given = Path(out)
    path = given if given.suffix.lower() in (".html", ".htm") else given / FILE_NAME
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"`out` must be in a folder that can be written; {given} is not: {error.strerror}."
        raise FanstatsError(msg) from error
    return path


def _rendered(context: dict[str, Any]) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("fanstats", "data"),
        autoescape=True,  # names are whatever somebody wrote into a table
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(_TEMPLATE).render(context)


def _context(
    estimates: xr.Dataset, readings: xr.Dataset | None, bench: Bench, probability: float, note: str
) -> dict[str, Any]:
    with progress(5, "writing the page") as step:
        cases = cases_of(estimates, probability)
        step()
        pictures = _pictures(cases, estimates, readings, bench)
        step()
        budgeted = budget_cases(cases)
        budgets = _budgets(budgeted, estimates, readings, bench)
        step()
        steps = next_steps(cases, estimates, readings, bench)
        step()
        next_pictures = _next_pictures(cases, steps, estimates, readings, bench)
        step()
    whole = summary(estimates, probability=probability)
    place = where(estimates.attrs, None)
    return {
        "title": f"Fans side by side {place}".strip(),
        "note": note,
        "lead": lead_sentences(cases, estimates),
        "samples": samples_sentence(estimates),
        "closest": [(case.title, closest_lines(case)) for case in cases if case.closest],
        "common": common_sentence(estimates),
        "pictures": pictures,
        "often": times_words(probability),
        "rankings": [(ranking_table(case, whole), sets_sentence(case)) for case in cases],
        "chances": [(case.title, table) for case in cases if (table := chances_table(case))],
        "budgets": budgets,
        "budgets_left_out": len([case for case in cases if case.ranking.ranked]) - len(budgeted),
        "assumed": notes_of(estimates, "assumptions"),
        "measured": notes_of(estimates, "measured"),
        "not_considered": notes_of(estimates, "not_considered"),
        "left_out": notes_of(estimates, "left_out"),
        "bench": describe(bench),
        "read": [] if readings is None else load_report(readings).splitlines(),
        "next": steps,
        "next_pictures": next_pictures,
        "closest_of_all": closest_of_all(cases),
        "cautions": (*ABOUT_RESULTS, *ABOUT_BENCH),
        "version": fanstats.__version__,
        "draws": int(estimates.attrs.get("draws", estimates.sizes.get("draw", 0))),
        "root": str(estimates["root"].item()),
    }


def _pictures(
    cases: list[Case], estimates: xr.Dataset, readings: xr.Dataset | None, bench: Bench
) -> list[Picture]:
    from fanstats.output.page_pictures import curves_picture, ranking_picture

    pictures = [ranking_picture(case) for case in cases if case.ranking.ranked]
    matched = _from_readings(estimates, readings) and not _together(estimates)
    airflow = next((case for case in cases if case.quantity == "airflow"), None)
    if readings is not None and matched and airflow is not None:
        curves = curves_picture(airflow, estimates, readings, bench)
        pictures += [] if curves is None else [curves]
    return pictures


def _next_pictures(
    cases: list[Case],
    steps: list[Next],
    estimates: xr.Dataset,
    readings: xr.Dataset | None,
    bench: Bench,
) -> list[Picture]:
    """Draw the plan, what a second test would show, and prices: of the first case that has them."""
    from fanstats.output.page_pictures import plan_picture, price_picture, second_test_picture

    plan = telling_plan(steps)
    pictures = [] if plan is None else [plan_picture(plan)]
    case = next((c for c in cases if c.scope == "model" and len(c.ranking.ranked) > 1), None)
    if case is None:
        return pictures
    about: dict[str, Any] = {"quantity": case.quantity, "obstruction": case.obstruction}
    about["probability"] = case.ranking.probability
    pictures.append(second_test_picture(retest(estimates, bench=bench, **about)))
    prices = prices_of(estimates, readings)
    if sum(name in prices for name in case.ranking.ranked) > 1:
        pictures.append(price_picture(value_for_money(estimates, json.dumps(prices), **about)))
    return pictures


def _together(estimates: xr.Dataset) -> dict[str, int]:
    """How many fans of a model run together, where that is more than one."""
    stated: dict[str, int] = json.loads(str(estimates.attrs.get("fans", "{}")))
    return {name: count for name, count in stated.items() if count > 1}


def _from_readings(estimates: xr.Dataset, readings: xr.Dataset | None) -> bool:
    """Whether the readings can be asked again what the estimates were asked: at equal noise."""
    return readings is not None and estimates.attrs.get("kind") == "equal noise"


def _budgets(
    cases: list[Case], estimates: xr.Dataset, readings: xr.Dataset | None, bench: Bench
) -> list[Table]:
    """Take apart the first place, and its lead, for every case."""
    if readings is None or not _from_readings(estimates, readings):
        return []
    found = [_budget(case, estimates, readings, bench) for case in cases]
    return [table for tables in found for table in tables]


def _budget(case: Case, estimates: xr.Dataset, readings: xr.Dataset, bench: Bench) -> list[Table]:
    names = case.ranking.ranked[:2]
    tables = [_one_budget(case, names[0], None, estimates, readings, bench)]
    if len(names) > 1:
        tables.append(_one_budget(case, names[0], names[1], estimates, readings, bench))
    return [table for table in tables if table is not None]


def _one_budget(
    case: Case,
    model: str,
    other: str | None,
    estimates: xr.Dataset,
    readings: xr.Dataset,
    bench: Bench,
) -> Table | None:
    """Give a budget, unless it is of other estimates than these."""
    attrs = estimates.attrs
    table = budget(
        readings,
        float(attrs["level"]),
        bench=bench,
        model=model,
        other=other,
        quantity=case.quantity,
        obstruction=case.obstruction,
        scope=case.scope,
        background=attrs["background"],
        target=attrs["target"],
        curve=attrs["curve"],
        fans=_together(estimates) or None,
        pooled=attrs["pooled"],
    )
    values = case.ranking.table.set_index("model")["value"]
    expected = float(values[model]) - (float(values[other]) if other is not None else 0.0)
    if not math.isclose(table.attrs["value"], expected, rel_tol=1e-6, abs_tol=1e-9):
        return None
    about = model if other is None else f"{model} minus {other}"
    return budget_table(table, f"{about}. {case.title}")
