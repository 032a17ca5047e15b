"""How far charts that were combined agree: shifts, disagreement, and values that stand out."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from fanstats.errors import FanstatsError, one_of
from fanstats.tabled import Tabled
from fanstats.wording import listed

if TYPE_CHECKING:
    import xarray as xr

    from fanstats._typing import Scope

__all__ = ["ChartAgreement", "agreement_words", "chart_agreement"]

_DISAGREE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ChartAgreement(Tabled):
    """How far charts agree on one quantity.

    Attributes
    ----------
    quantity, obstruction, scope : str
        What was combined.
    shifts : DataFrame
        A row a chart: chart, shift against the first (a factor less 1, or a difference),
        standard_uncertainty.
    values : DataFrame
        A row a model and chart: model, chart, value as charted, left (what is left of it after
        the model's and the chart's share: relative, or a difference).
    tau, tau_low, tau_high : float
        Standard deviation between charts beyond what is stated, and its range, 95 times in 100.
    chi_squared, p_value : float
        Whether stated errors explain the disagreement.
    dof : int
    birge_ratio : float
        Root of chi-squared over its degrees of freedom: near 1 where stated errors explain it.
    relative : bool
        Whether shifts and `tau` are relative.
    """

    quantity: str
    obstruction: str
    scope: str
    shifts: pd.DataFrame
    values: pd.DataFrame
    tau: float
    tau_low: float
    tau_high: float
    chi_squared: float
    dof: int
    p_value: float
    birge_ratio: float
    relative: bool
    _record: dict[str, Any]

    @property
    def consistent(self) -> bool | None:
        """Whether stated errors explain the disagreement, 5 times in 100; None if unknown."""
        return None if math.isnan(self.p_value) else self.p_value >= _DISAGREE

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        return f"{agreement_words(self._record)}."

    def _rows(self) -> pd.DataFrame:
        return self.values


def chart_agreement(
    combined: xr.Dataset,
    *,
    quantity: str | None = None,
    obstruction: str | None = None,
    scope: Scope = "model",
) -> ChartAgreement:
    """Read off how far charts agree that `combine_charts` made into one.

    Parameters
    ----------
    combined : xarray.Dataset
        What `combine_charts` returns.
    quantity, obstruction : str, optional
        Which; may be left out where there is only one.
    scope : {"tested unit", "model"}
        Whose values.

    Returns
    -------
    ChartAgreement
        With ``sentence()``, ``to_csv()`` and the tables ``shifts`` and ``values``.

    Raises
    ------
    FanstatsError
        If it is something else, or holds no such quantity.

    Examples
    --------
    >>> import fanstats as fs
    >>> given = {"quantity": "airflow", "units": "fpm", "level": 36, "bench": fs.Bench()}
    >>> charts = {
    ...     "mine": fs.from_chart({"A": "412(4)", "B": "398(4)", "C": "371(4)"}, rng=1, **given),
    ...     "theirs": fs.from_chart({"A": "391(4)", "B": "385(4)", "C": "352(4)"}, rng=2, **given)}
    >>> from fanstats.decisions.combine_charts import combine_charts
    >>> chart_agreement(combine_charts(charts), scope="tested unit").dof
    2
    """
    if "combination" not in getattr(combined, "attrs", {}):
        msg = "`combined` must be what `combine_charts` returns."
        raise FanstatsError(msg)
    entries = json.loads(combined.attrs["combination"])
    entries = _picked(entries, "scope", scope)
    entries = _picked(entries, "quantity", quantity)
    entry = _picked(entries, "obstruction", obstruction)[0]
    ratio = bool(entry["ratio"])
    shifts = np.array(entry["shift"] or [0.0] * len(entry["charts"]))
    cells = pd.DataFrame(entry["cells"], columns=["model", "chart", "value", "left"])
    if ratio:
        cells["value"], cells["left"] = np.exp(cells["value"]), np.expm1(cells["left"])
    q, dof = entry["q"], int(entry["dof"])
    return ChartAgreement(
        quantity=entry["quantity"],
        obstruction=entry["obstruction"],
        scope=entry["scope"],
        shifts=pd.DataFrame(
            {
                "chart": entry["charts"],
                "shift": np.expm1(shifts) if ratio else shifts,
                "standard_uncertainty": entry["shift_u"] if entry["shift"] else np.nan,
            }
        ),
        values=cells,
        tau=entry["tau"],
        tau_low=entry["tau_low"],
        tau_high=entry["tau_high"],
        chi_squared=q,
        dof=dof,
        p_value=entry["p_value"],
        birge_ratio=math.sqrt(q / dof) if dof else math.nan,
        relative=ratio,
        _record=entry,
    )


def _picked(entries: list[dict[str, Any]], key: str, wanted: str | None) -> list[dict[str, Any]]:
    present = list(dict.fromkeys(entry[key] for entry in entries))
    if wanted is None and len(present) == 1:
        return entries
    one_of(key, wanted, present)
    return [entry for entry in entries if entry[key] == wanted]


def agreement_words(entry: dict[str, Any]) -> str:
    """Say in one sentence, without its full stop, how far charts agree.

    Parameters
    ----------
    entry : dict
        One of the attribute ``combination``.

    Returns
    -------
    str
    """
    ratio = bool(entry["ratio"])
    behind = f" behind {entry['obstruction']!r}" if entry["obstruction"] else ""
    name = str(entry["quantity"]).replace("_", " ")
    parts = [f"{name}{behind} from the charts {listed(map(repr, entry['charts']))}"]
    if entry["shift"]:
        moved = [
            f"{chart!r} stands {_amount(move, ratio, signed=True)} against "
            f"{entry['charts'][0]!r} (u = {_amount(u, ratio)}), which is taken off"
            for chart, move, u in zip(entry["charts"], entry["shift"], entry["shift_u"],
                                      strict=True)
            if chart != entry["charts"][0]
        ]  # fmt: skip
        parts += moved
    return "; ".join([*parts, _disagreement(entry, ratio)])


def _disagreement(entry: dict[str, Any], ratio: bool) -> str:
    tau = _amount(entry["tau"], ratio)
    if entry["stated"]:
        return f"models differ from chart to chart by {tau} (stated standard deviation)"
    if not entry["dof"]:
        return "how far charts disagree on a model is not considered: too few models in common"
    test = f"chi-squared {entry['q']:.3g} with {entry['dof']} degrees of freedom"
    if entry["p_value"] >= _DISAGREE:
        known = f"their stated errors explain how far they disagree ({test})"
    else:
        known = f"they disagree by more than their stated errors explain ({test})"
    low, high = _amount(entry["tau_low"], ratio), _amount(entry["tau_high"], ratio)
    if not entry["tau_high"] > 0:
        return (
            f"{known}; they agree more closely than those errors let one expect, so that no range "
            "holds for how far models differ from chart to chart; taken as 0"
        )
    return (
        f"{known}; models differ from chart to chart by {tau} (standard deviation beyond those "
        f"errors; range, 95 times in 100: {low} to {high})"
    )


def _amount(size: float, ratio: bool, *, signed: bool = False) -> str:
    if ratio:
        share = 100 * math.expm1(size)
        return f"{share:{'+' if signed else ''}.2g} %"
    return f"{size:{'+' if signed else ''}.2g}"
