"""Files of a whole job: tables that open in a spreadsheet, and charts."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from fanstats.decisions.rank import Ranking, rank
from fanstats.errors import FanstatsError
from fanstats.exports import write_csv
from fanstats.output.curves_behind import curves_behind
from fanstats.output.printed import best_scope, ranked_cases
from fanstats.output.result_workbook import write_workbook
from fanstats.output.summaries import summary
from fanstats.whole_files import write_aside

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.figure import Figure

    from fanstats.sources import Bench

__all__ = ["file_name", "write_aside", "write_charts", "write_tables", "write_workbook"]

_UNSAFE = re.compile(r"[^A-Za-z0-9]+")


def file_name(*parts: str | None) -> str:
    """Make a file name of labels: no separators, nothing that a shell or a system would read.

    Parameters
    ----------
    *parts : str or None
        Labels; None is skipped.

    Returns
    -------
    str
        Without an ending.

    Examples
    --------
    >>> file_name("airflow", "../wire mesh")
    'airflow-wire-mesh'
    """
    cleaned = [_UNSAFE.sub("-", part).strip("-").lower() for part in parts if part is not None]
    return "-".join(part for part in cleaned if part) or "unnamed"


def _folder(out: str | Path) -> Path:
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"`out` must be a folder that can be written; {folder} cannot: {error.strerror}."
        raise FanstatsError(msg) from error
    return folder


def write_tables(
    estimates: xr.Dataset, out: str | Path, *, probability: float = 0.95
) -> list[Path]:
    """Write the summary, the rankings and the pair chances as CSV, the estimates as netCDF.

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise` and its sisters.
    out : str or Path
        Folder; made where it does not exist.
    probability : float
        Coverage probability of the ranges.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    FanstatsError
        If the folder cannot be written.
    """
    folder = _folder(out)
    tables: dict[str, pd.DataFrame] = {"summary": summary(estimates, probability=probability)}
    for name, obstruction in ranked_cases(estimates):
        ranking = _ranking(estimates, name, obstruction, probability)
        tables[file_name("ranking", name, obstruction)] = ranking.table
        chances = pd.DataFrame(
            ranking.pair_chances.to_numpy(), columns=list(ranking.pair_chances["model"].to_numpy())
        )
        chances.insert(0, "chance that the row is ahead of", list(chances.columns))
        tables[file_name("pair-chances", name, obstruction)] = chances
    return [write_csv(table, folder / f"{stem}.csv") for stem, table in tables.items()]


def _ranking(
    estimates: xr.Dataset, name: str, obstruction: str | None, probability: float
) -> Ranking:
    scope = best_scope(estimates, name)
    return rank(
        estimates, quantity=name, obstruction=obstruction, scope=scope, probability=probability
    )


def write_charts(
    estimates: xr.Dataset, readings: xr.Dataset, bench: Bench, out: str | Path
) -> list[Path]:
    """Draw the ranked chart of every case and the noise-airflow curves of the first two models.

    Parameters
    ----------
    estimates : xarray.Dataset
        From `equal_noise`.
    readings : xarray.Dataset
        The readings behind them.
    bench : Bench
        The bench behind them.
    out : str or Path
        Folder; made where it does not exist.

    Returns
    -------
    list of Path
        PNG files.

    Raises
    ------
    FanstatsError
        If the folder cannot be written.
    """
    from matplotlib.figure import Figure

    from fanstats import charts

    folder = _folder(out)
    written = []
    for name, obstruction in ranked_cases(estimates):
        ranking = _ranking(estimates, name, obstruction, 0.95)
        rows = max(len(ranking.table), 4)
        figure = Figure(figsize=(8.0, 1.6 + 0.38 * min(rows, 30)), layout="constrained")
        charts.ranked(ranking, ax=figure.add_subplot())
        stem = file_name("ranking", name, obstruction)
        written.append(_write_figure(folder / f"{stem}.png", figure))
    return [*written, *_curves(estimates, readings, bench, folder)]


def _curves(estimates: xr.Dataset, readings: xr.Dataset, bench: Bench, folder: Path) -> list[Path]:
    from matplotlib.figure import Figure

    from fanstats import charts

    written = []
    for name, obstruction in ranked_cases(estimates):
        if name != "airflow" or estimates.attrs.get("kind") != "equal noise":
            continue
        first_two = _ranking(estimates, name, obstruction, 0.95).ranked[:2]
        if not first_two:
            continue
        figure = Figure(figsize=(8.0, 5.0), layout="constrained")
        band = curves_behind(estimates, readings, bench, first_two, obstruction)
        charts.noise_airflow(band, ax=figure.add_subplot())
        stem = file_name("curves", name, obstruction)
        written.append(_write_figure(folder / f"{stem}.png", figure))
    return written


def _write_figure(path: Path, figure: Figure) -> Path:
    return write_aside(path, lambda aside: figure.savefig(aside, dpi=150))
