"""Airflow over noise level, with the ranges of the three scopes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import xarray as xr
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from fanstats.charts._axes import (
    DASHES,
    MARKERS,
    Inks,
    LegendBox,
    axes_for,
    caption_in,
    extent,
    inks_for,
    inside_legend,
    label_axes,
    label_for,
    range_label,
    runs,
    text_size,
    title_above,
)
from fanstats.charts.ranges import Ranges, add_ranges
from fanstats.decisions.curve_bands import noise_airflow_band
from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.matching import SCOPES
from fanstats.wording import SCOPE_WORDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.sources import Bench

__all__ = ["CurveArtists", "noise_airflow"]

# Edges of the bands, so that they can be told apart without colour.
_EDGES: Final[dict[str, Any]] = {
    "tested unit": "-",
    "model": (0, (5, 2)),
    "next unit": (0, (1, 1.6)),
}


# Bands of more curves than this run into each other.
_MOST_BANDS: Final = 3


class CurveArtists(NamedTuple):
    """What a noise-airflow chart consists of.

    Attributes
    ----------
    curves : dict
        By model, the stretches of its curve.
    ranges : dict
        By (model, scope).
    steps : dict
        By model, what was read: steps the curve rests on, then those in the room's noise.
    others : tuple of Line2D
        Thin lines of models that have neither colour nor band.
    missing : Text or None
        Why there is nothing to see.
    legend : Legend or None
    """

    curves: dict[str, tuple[Line2D, ...]]
    ranges: dict[tuple[str, str], Ranges]
    steps: dict[str, tuple[Line2D, ...]]
    others: tuple[Line2D, ...]
    missing: Text | None
    legend: Legend | None


def noise_airflow(
    readings: xr.Dataset,
    models: str | Sequence[str] | None = None,
    *,
    bench: Bench | None = None,
    obstruction: str | None = None,
    scopes: str | Sequence[str] | None = None,
    probability: float = 0.95,
    draws: int = 2_000,
    rng: SeedLike = None,
    legend: bool = True,
    ax: Axes | None = None,
) -> CurveArtists:
    """Draw the airflow of some models over noise level, with bands for this sample and others.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`; or what `fanstats.curve_bands.noise_airflow_band` returns, where
        more than the arguments below is to be said.
    models : str or sequence of str, optional
        Which, in the order of the legend. By default all, as far as there are colours and room to
        name them: of many, up to six that move the most air; the others are thin lines.
    bench : Bench, optional
        What is stated about the instruments; needed with readings.
    obstruction : str, optional
        May be left out where there is only one.
    scopes : str or sequence of str
        Which bands: "tested unit", "model", "next unit". By default one a curve, that of the
        typical ones; of this sample where nobody stated how far samples differ. Of more than
        three curves no band by default: nobody could follow them.
    probability, draws, rng
        As in `equal_noise`.
    legend : bool
        Draw the legend.
    ax : Axes, optional
        Where to draw; the current axes by default.

    Returns
    -------
    CurveArtists

    Raises
    ------
    FanstatsError
        If a model, scope or obstruction is not there, or the bench is missing.

    Notes
    -----
    A band ends where one of its ends is not covered by the data; the other goes on as a thin line.
    Each range is that of one level: whether two models differ at it is not for the eye to judge
    from bands that overlap, because what both share moves both. Use `compare`.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> drawn = noise_airflow(
    ...     fs.demo.readings(), "Ombrel Sill", bench=fs.demo.bench(), obstruction="open",
    ...     draws=200, rng=1)
    >>> [scope for _, scope in drawn.ranges]
    ['model']
    >>> plt.close()
    """
    for scope in [scopes] if isinstance(scopes, str) else scopes or ():
        one_of("scopes", scope, SCOPES)
    whole = _band(readings, models, bench, obstruction, probability, draws, rng)
    ax = axes_for(ax)
    inks = inks_for(ax)
    band = whole.sel(model=_foremost(whole, _names_room(ax))) if models is None else whole
    wanted = _scopes(band, scopes)
    names = [str(name) for name in band["model"].to_numpy()]
    others = _others(ax, whole, names, inks)
    curves, ranges, steps = {}, {}, {}
    for place, name in enumerate(names):
        style = _style(inks, place)
        one = band.sel(model=name)
        # The widest first, so that the narrower ones lie on top.
        for scope in sorted(wanted, key=SCOPES.index, reverse=True):
            if _drawable(one, scope):
                edges = _EDGES[scope] if len(wanted) > 1 else style.dashes
                ranges[name, scope] = _add_band(ax, one, scope, style, edges)
        curves[name] = _curve(ax, one, style)
        steps[name] = _steps(ax, band, name, style, inks)
    _label(ax, band)
    missing = None
    if not any(curves.values()) and not any(steps.values()):
        missing = caption_in(ax, _why(band))
    drawn = _legend(ax, band, curves, ranges, steps, others, inks) if legend else None
    return CurveArtists(curves, ranges, steps, others, missing, drawn)


def _scopes(band: xr.Dataset, scopes: str | Sequence[str] | None) -> list[str]:
    """Give the bands asked for; by default one, of the typical ones where they have any."""
    if scopes is not None:
        return [scopes] if isinstance(scopes, str) else list(scopes)
    if band.sizes["model"] > _MOST_BANDS:
        return []
    typical = np.isfinite(band["airflow"].sel(scope="model")).any()
    return ["model" if typical else "tested unit"]


def _names_room(ax: Axes) -> int:
    """How many models a legend can name without taking half of the axes."""
    lines = int(0.45 * extent(ax)[1] / (1.5 * text_size("legend.fontsize")))
    return max(_MOST_BANDS, min(len(MARKERS), lines - 3))


def _foremost(band: xr.Dataset, most: int) -> list[str]:
    """Give the models that get a name: those that move most air where most can be read."""
    names = [str(name) for name in band["model"].to_numpy()]
    if len(names) <= most:
        return names
    values = np.stack([_value(band.sel(model=name)) for name in names])
    at = values[:, int(np.isfinite(values).sum(axis=0).argmax())]
    best = np.argsort(np.where(np.isfinite(at), -at, np.inf), kind="stable")[:most]
    return [names[k] for k in sorted(best)]


def _others(ax: Axes, band: xr.Dataset, names: list[str], inks: Inks) -> tuple[Line2D, ...]:
    """Draw models that have no colour as thin lines."""
    lines: list[Line2D] = []
    for name in band["model"].to_numpy():
        if str(name) not in names:
            one = band.sel(model=name)
            lines += ax.plot(
                one["level"].to_numpy(), _value(one), color=inks.faint, alpha=0.45, linewidth=0.6,
                zorder=1.1,
            )  # fmt: skip
    return tuple(lines)


def _band(
    readings: xr.Dataset,
    models: str | Sequence[str] | None,
    bench: Bench | None,
    obstruction: str | None,
    probability: float,
    draws: int,
    rng: SeedLike,
) -> xr.Dataset:
    if "airflow_value" in readings and "level" in readings.dims:
        if models is None:
            return readings
        present = [str(name) for name in readings["model"].to_numpy()]
        names = [models] if isinstance(models, str) else list(models)
        return readings.sel(model=[one_of("models", name, present) for name in names])
    if bench is None:
        msg = "`bench` must be given with readings: nothing else says how sure they are."
        raise FanstatsError(msg)
    return noise_airflow_band(
        readings, bench=bench, models=models, obstruction=obstruction, probability=probability,
        draws=draws, rng=rng,
    )  # fmt: skip


class _Style(NamedTuple):
    color: str
    marker: Any
    dashes: Any


def _style(inks: Inks, place: int) -> _Style:
    """Give each model a colour, a marker and a line style; past six the pairs differ."""
    colour = inks.series[place % len(inks.series)]
    turn = place // len(inks.series)
    return _Style(
        colour, MARKERS[(place + turn) % len(MARKERS)], DASHES[(place + 2 * turn) % len(DASHES)]
    )


def _drawable(one: xr.Dataset, scope: str) -> bool:
    return bool(np.isfinite(one["airflow"].sel(scope=scope)).any())


def _add_band(ax: Axes, one: xr.Dataset, scope: str, style: _Style, edges: Any) -> Ranges:
    ends = one["airflow"].sel(scope=scope)
    return add_ranges(
        ax, one["level"].to_numpy(), ends.sel(bound="lower").to_numpy(),
        ends.sel(bound="upper").to_numpy(),
        value=one["airflow_value"].sel(scope=scope).to_numpy(), color=style.color,
        linestyle=edges, legend=False,
    )  # fmt: skip


def _curve(ax: Axes, one: xr.Dataset, style: _Style) -> tuple[Line2D, ...]:
    value = _value(one)
    level = one["level"].to_numpy()
    lines: list[Line2D] = []
    for run in runs(np.isfinite(value)):
        lines += ax.plot(
            level[run], value[run], color=style.color, linestyle=style.dashes, linewidth=1.8,
            marker="" if run.stop - run.start > 1 else ".", zorder=2.6,
        )  # fmt: skip
    return tuple(lines)


def _value(one: xr.Dataset) -> FloatArray:
    """Values of the widest scope that has any: they agree wherever they are there."""
    values = one["airflow_value"].transpose("scope", "level").to_numpy()
    return np.asarray(np.where(np.isfinite(values[0]), values[0], values[-1]), dtype=np.float64)


def _steps(ax: Axes, band: xr.Dataset, name: str, style: _Style, inks: Inks) -> tuple[Line2D, ...]:
    own = band["step_model"].to_numpy() == name
    usable = band["step_usable"].to_numpy()
    drawn: list[Line2D] = []
    for which, face in ((own & usable, style.color), (own & ~usable, "none")):
        if which.any():
            drawn += ax.plot(
                band["step_noise"].to_numpy()[which], band["step_airflow"].to_numpy()[which],
                linestyle="none", marker=style.marker, markersize=5.0, markerfacecolor=face,
                markeredgecolor=style.color if face == "none" else inks.paper,
                markeredgewidth=0.9 if face == "none" else 0.6, zorder=3.0,
            )  # fmt: skip
    return tuple(drawn)


def _label(ax: Axes, band: xr.Dataset) -> None:
    level, airflow = band["level"].attrs, band["airflow_value"].attrs
    room = "room included" if band.attrs.get("background") == "included" else "the fan alone"
    x = f"{label_for(str(level['long_name']), str(level['units']))}, {room}"
    label_axes(ax, x, label_for(str(airflow["long_name"]), str(airflow["units"])))
    behind = str(band.attrs.get("obstruction", ""))
    title_above(ax, f"Airflow over noise{f', obstruction: {behind}' if behind else ''}")


def _why(band: xr.Dataset) -> str:
    """Say why nothing can be drawn: the commonest reason of each model."""
    reasons = []
    for name in band["model"].to_numpy():
        found = band["airflow_status"].sel(model=name).to_numpy().ravel()
        texts = [str(text) for text in found if text]
        reasons.append(f"{name}: {max(texts, key=texts.count) if texts else 'no reading'}")
    return "; ".join(reasons)


def _legend(
    ax: Axes,
    band: xr.Dataset,
    curves: dict[str, tuple[Line2D, ...]],
    ranges: dict[tuple[str, str], Ranges],
    steps: dict[str, tuple[Line2D, ...]],
    others: tuple[Line2D, ...],
    inks: Inks,
) -> Legend | None:
    handles: dict[str, Artist] = {}
    tested = dict(zip(band["model"].to_numpy(), band["units_tested"].to_numpy(), strict=True))
    for place, name in enumerate(curves):
        if curves[name] or steps[name]:
            style = _style(inks, place)
            handles[f"{name} ({tested[name]} tested)"] = Line2D(
                [], [], color=style.color, linestyle=style.dashes, marker=style.marker,
                markersize=5.0, linewidth=1.8,
            )  # fmt: skip
    if others:
        handles[f"{len(others)} more models"] = Line2D(
            [], [], color=inks.faint, alpha=0.45, linewidth=0.6
        )
    probability = float(band.attrs["probability"])
    drawn = [scope for scope in SCOPES if any(scope == of for _, of in ranges)]
    for scope in drawn:
        handles[range_label(SCOPE_WORDS[scope], probability)] = Patch(
            facecolor=inks.wash, edgecolor=inks.ink, linewidth=1.0 if len(drawn) > 1 else 0.5,
            linestyle=_EDGES[scope] if len(drawn) > 1 else "-",
        )  # fmt: skip
    if not drawn and any(curves.values()) and band.sizes["model"] > _MOST_BANDS:
        handles["no ranges: too many curves"] = Line2D([], [], linestyle="none")
    if any(_one_sided(band, name, scope) for name, scope in ranges):
        handles["one edge alone: the other is not covered by data"] = Line2D(
            [], [], color=inks.ink, linewidth=0.9
        )
    if any(line.get_markerfacecolor() == "none" for lines in steps.values() for line in lines):
        handles["step too close to the room's noise"] = Line2D(
            [], [], color=inks.ink, linestyle="none", marker="o", fillstyle="none", markersize=5.0
        )
    if not handles:
        return None
    box = inside_legend(ax, list(handles.values()), list(handles), loc="upper left")
    _make_room(ax, band, box)
    return box.legend


def _one_sided(band: xr.Dataset, name: str, scope: str) -> bool:
    ends = band["airflow"].sel(model=name, scope=scope).transpose("level", "bound").to_numpy()
    known = np.isfinite(ends).sum(axis=1)
    return bool((known == 1).any())


def _make_room(ax: Axes, band: xr.Dataset, box: LegendBox) -> None:
    """Raise the top of the axes until what lies below the legend is clear of it."""
    left, right = ax.get_xlim()
    low, high = ax.get_ylim()
    edge = left + (box.width + 0.03) * (right - left)
    ends = band["airflow"].where(band["level"] <= edge).to_numpy()
    steps = band["step_airflow"].where(band["step_noise"] <= edge).to_numpy()
    beneath = np.concatenate([ends.ravel(), steps])
    beneath = beneath[np.isfinite(beneath)]
    if beneath.size and ax.get_yscale() == "linear":
        needed = low + (float(beneath.max()) - low) / (1.0 - box.height)
        ax.set_ylim(low, max(high, needed))
