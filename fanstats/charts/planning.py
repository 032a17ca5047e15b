"""What further samples would buy: the chance that a gap is called, and what that costs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter

from fanstats.charts._axes import (
    Inks,
    axes_for,
    caption_in,
    extent,
    inks_for,
    inside_legend,
    label_axes,
    text_size,
    text_width,
    title_above,
)
from fanstats.errors import FanstatsError
from fanstats.formatting import number
from fanstats.planning.plan import UnitsPlan
from fanstats.planning.samples import UnitsNeeded

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend
    from matplotlib.text import Text

__all__ = ["PowerArtists", "power_and_cost"]

_NONE: Final = Line2D([], [], linestyle="none")
# From here on a chance counts as certainty, and nothing limits it.
_CERTAIN: Final = 0.995
# Two lines closer than this are named at different ends.
_CLOSE: Final = 0.09


class PowerArtists(NamedTuple):
    """What a chart of power against samples consists of.

    Attributes
    ----------
    power : Line2D or None
        Chance that the gap is called, one point a number of samples.
    wanted : Line2D
        Chance that was asked for.
    most : Line2D or None
        What no number of samples goes beyond, where that is less than certainty.
    now, plan : Line2D or None
        Samples tested so far, and those of the plan.
    missing : Text or None
        Why there is nothing to see.
    legend : Legend or None
    """

    power: Line2D | None
    wanted: Line2D
    most: Line2D | None
    now: Line2D | None
    plan: Line2D | None
    missing: Text | None
    legend: Legend | None


def power_and_cost(
    plan: UnitsPlan | UnitsNeeded, *, legend: bool = True, ax: Axes | None = None
) -> PowerArtists:
    """Draw the chance that a gap is called against the number of samples, with what they cost.

    Parameters
    ----------
    plan : UnitsPlan or UnitsNeeded
        What `fanstats.plan_units` returns; or `fanstats.units_for_gap` and `units_for_models`.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    PowerArtists

    Raises
    ------
    FanstatsError
        If it is something else, or a plan for another wish than a chance.

    Notes
    -----
    Money and hours stand under the numbers of samples they are for: they go up in whole packs and
    have no scale of their own. They are what is still to be spent.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=500, rng=1)
    >>> plan = fs.plan_units(
    ...     estimates, "Varnost Lull", "Wexcombe Pale", gap="15 %", quantity="airflow",
    ...     obstruction="open", prices={"Varnost Lull": 24.0, "Wexcombe Pale": 11.0})
    >>> drawn = power_and_cost(plan)
    >>> bool(drawn.plan.get_xdata()[0] == plan.n_total)
    True
    >>> plt.close()
    """
    table, wanted = _table(plan)
    ax = axes_for(ax)
    inks = inks_for(ax)
    handles: dict[str, Artist] = {}
    aim, most = _lines(ax, plan, wanted, inks)
    total, chance = (table[name].to_numpy(dtype=np.float64) for name in ("n_total", "power"))
    power = now = there = None
    if total.size:
        (power,) = ax.plot(
            total, chance, color=inks.series[0], linewidth=1.6, marker=".", markersize=5.0,
            zorder=2.4,
        )  # fmt: skip
    if isinstance(plan, UnitsPlan) and math.isfinite(plan.power_now):
        tested = sum(plan.units_tested.values())
        (now,) = ax.plot(
            tested, plan.power_now, linestyle="none", marker="o", markersize=7.5, zorder=3.0,
            markerfacecolor=inks.paper, markeredgecolor=inks.ink, markeredgewidth=1.5,
        )  # fmt: skip
        handles[_now_words(plan, tested)] = now
    words, at = _planned(plan)
    if at is not None and total.size and at[0] <= total.max():
        (there,) = ax.plot(
            *at, linestyle="none", marker="D", markersize=8.0, color=inks.series[0],
            markeredgecolor=inks.ink, markeredgewidth=1.2, zorder=3.0,
        )  # fmt: skip
    handles[words] = _NONE if there is None else there
    ax.set_ylim(-0.02, 1.02)
    ax.yaxis.set_major_formatter(FuncFormatter(lambda share, _: f"{100 * share:.0f}"))
    ax.margins(x=0.06)
    label_axes(ax, _below(table, plan), "times in 100 that the gap is called")
    title_above(ax, _title(plan))
    label_axes(ax, _below(table, plan), "times in 100 that the gap is called")
    _cost_ticks(ax, table)
    missing = None if total.size else caption_in(ax, "no number of samples to draw")
    box = None
    if legend:
        box = inside_legend(ax, list(handles.values()), list(handles), loc="upper left")
        ax.set_ylim(-0.02, -0.02 + 1.04 / (1.0 - box.height))
        ax.set_yticks(np.linspace(0.0, 1.0, 6))
    drawn = None if box is None else box.legend
    return PowerArtists(power, aim, most, now, there, missing, drawn)


def _table(plan: object) -> tuple[pd.DataFrame, float]:
    """Give samples, power and cost, and the power that was asked for."""
    if isinstance(plan, UnitsPlan):
        return plan.curve(), plan.power_wanted
    if not isinstance(plan, UnitsNeeded) or not plan.measure.startswith("chance"):
        found = plan.measure if isinstance(plan, UnitsNeeded) else type(plan).__name__
        msg = (
            "`plan` must be what `plan_units`, `units_for_gap` or `units_for_models` returns: it "
            f"says with what chance samples find a gap; got {found}."
        )
        raise FanstatsError(msg)
    table = plan.curve()
    return table[table["power"].notna()], plan.wanted


def _hundredths(chance: float) -> str:
    """Print a chance in hundredths, and never a certainty that is none."""
    if chance >= _CERTAIN:
        return "more than 99 in 100"
    return f"{100 * chance:.0f} in 100" if chance >= 0.01 else "less than 1 in 100"


def _now_words(plan: UnitsPlan, tested: int) -> str:
    text = f"now: {tested} samples, {_hundredths(plan.power_now)}"
    if not math.isfinite(plan.power_repeats_only):
        return text
    return f"{text}; endless repeats on them: {_hundredths(plan.power_repeats_only)}"


def _lines(
    ax: Axes, plan: UnitsPlan | UnitsNeeded, wanted: float, inks: Inks
) -> tuple[Line2D, Line2D | None]:
    """Draw the chance that was asked for, and the one that nothing goes beyond; named beside."""
    aim = ax.axhline(wanted, color=inks.ink, linewidth=1.1, linestyle=(0, (4, 2)), zorder=1.3)
    _beside(ax, wanted, f"wanted: {_hundredths(wanted)}", inks)
    chance = plan.power_at_most if isinstance(plan, UnitsPlan) else math.nan
    if not chance < _CERTAIN:
        return aim, None
    most = ax.axhline(chance, color=inks.faint, linewidth=1.1, linestyle=(0, (1, 1.5)), zorder=1.2)
    close = abs(chance - wanted) < _CLOSE
    words = f"the most there is to reach: {_hundredths(chance)}"
    _beside(ax, chance, words, inks, right=close)
    return aim, most


def _beside(ax: Axes, at: float, words: str, inks: Inks, *, right: bool = False) -> None:
    """Write on a line what it is."""
    ax.annotate(
        words, (0.985 if right else 0.015, at), (0.0, 2.0), xycoords=ax.get_yaxis_transform(),
        textcoords="offset points", ha="right" if right else "left", va="bottom", color=inks.ink,
        fontsize=0.88 * text_size("ytick.labelsize"), zorder=1.4,
    )  # fmt: skip


def _planned(plan: UnitsPlan | UnitsNeeded) -> tuple[str, tuple[float, float] | None]:
    """Say what the plan is, and where it stands."""
    if isinstance(plan, UnitsNeeded):
        each = f"{plan.n_per_model} of each of {plan.models} models"
        return f"enough: {each}, {_hundredths(plan.reached)}", (plan.n_total, plan.reached)
    if plan.verdict == "cannot be settled":
        return "no number of samples settles it", None
    if plan.verdict == "already enough":
        return "nothing needs to be bought", None
    more = " and ".join(f"{n} more of {name}" for name, n in plan.add.items() if n)
    not_it = {"test": "enough", "budget short": "it would take"}.get(plan.verdict, "not worth it")
    return f"{not_it}: {more}, {_hundredths(plan.power)}", (plan.n_total, plan.power)


def _title(plan: UnitsPlan | UnitsNeeded) -> str:
    if isinstance(plan, UnitsNeeded):
        return "How many samples find a gap, with what chance"
    percent = f" ({plan.gap_percent:.3g} %)" if math.isfinite(plan.gap_percent) else ""
    place = f" {plan.where}" if plan.where else ""
    gap = number(plan.gap, abs(plan.gap) / 50.0, units=plan.units)
    pair = f"between {plan.first} and {plan.second}"
    return f"What finds a gap of {gap}{percent} {pair} in {plan.quantity}{place}"


def _below(table: pd.DataFrame, plan: UnitsPlan | UnitsNeeded) -> str:
    """Name what stands under the ticks, line by line."""
    models = 2 if isinstance(plan, UnitsPlan) else plan.models
    words = [f"samples of {f'all {models}' if models > 2 else 'both'} models in all"]
    if table["money"].notna().any():
        words.append(f"to be paid ({plan.currency or 'price units'})")
    if table["hours"].notna().any():
        words.append("hours at the bench")
    return "; ".join(words)


def _cost_ticks(ax: Axes, table: pd.DataFrame) -> None:
    """Put ticks at numbers of samples that there are, with money and hours under them."""
    if table.empty:
        ax.set_xticks([])
        return
    size = text_size("xtick.labelsize")
    labels = [_tick({str(k): v for k, v in row.items()}) for row in table.to_dict("records")]
    widest = max(text_width(line, size) for label in labels for line in label.split("\n"))
    totals = table["n_total"].to_numpy(dtype=np.float64)
    fits = max(1, min(8, int(extent(ax)[0] / 1.12 / (widest + 1.2 * size))))
    step = max(1, math.ceil((totals[-1] - totals[0]) / fits))
    wanted = np.arange(totals[0], totals[-1] + 1, step)
    picked = sorted({int(np.abs(totals - at).argmin()) for at in wanted})
    ax.set_xticks(totals[picked], [labels[k] for k in picked])


def _tick(row: dict[str, float]) -> str:
    lines = [f"{row['n_total']:.0f}"]
    for name, resolution in (("money", 1.0), ("hours", 1.0)):
        if math.isfinite(row.get(name, math.nan)):
            lines.append(number(row[name], resolution))
    return "\n".join(lines)
