"""One quantity over another, such as airflow over noise, with the ranges of the three scopes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import xarray as xr
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from fanstats.charts._axes import (
    DASHES,
    MARKERS,
    Corner,
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
from fanstats.engine.points import SCOPES
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import QUANTITIES
from fanstats.wording import SCOPE_WORDS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.collections import FillBetweenPolyCollection
    from matplotlib.legend import Legend
    from matplotlib.text import Text

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.sources import Bench

__all__ = ["CurveArtists", "curve", "noise_airflow"]

# Edges of the bands, so that they can be told apart without colour.
_EDGES: Final[dict[str, Any]] = {
    "tested unit": "-",
    "model": (0, (5, 2)),
    "next unit": (0, (1, 1.6)),
}


# Opacity of the range of each point: darker than the band of the whole curve, where that ends too.
_INNER: Final = 0.34
# Bands of more curves than this run into each other.
_MOST_BANDS: Final = 3


class CurveArtists(NamedTuple):
    """What a chart of curves consists of.

    Attributes
    ----------
    curves : dict
        By model, the stretches of its curve.
    ranges : dict
        By (model, scope).
    own : dict
        By (model, scope), inside those of a band along the whole curve: the range of each point.
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
    own: dict[tuple[str, str], tuple[FillBetweenPolyCollection, ...]]
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
    band = _band(readings, models, bench, obstruction, probability, draws, rng)
    return _draw(axes_for(ax), _shown(band), models, scopes, legend)


def curve(
    band: xr.Dataset,
    models: str | Sequence[str] | None = None,
    *,
    scopes: str | Sequence[str] | None = None,
    simultaneous: bool = True,
    legend: bool = True,
    ax: Axes | None = None,
) -> CurveArtists:
    """Draw one quantity of some models over another, with the range of each point and of the whole.

    Parameters
    ----------
    band : xarray.Dataset
        What `curve_band` returns: airflow, temperature rise or speed over noise, noise or airflow
        over speed.
    models, scopes, legend, ax
        As in `noise_airflow`.
    simultaneous : bool
        Draw the band that holds along the whole curve at once, pale, and in it the darker one that
        holds at a single point, where one scope is drawn; else the latter alone.

    Returns
    -------
    CurveArtists

    Raises
    ------
    FanstatsError
        If it is something else, or a model or scope is not there.

    Examples
    --------
    >>> import fanstats as fs
    >>> import matplotlib.pyplot as plt
    >>> drawn = curve(fs.curve_band(
    ...     fs.demo.readings(), of="noise", over="speed", models="Ombrel Sill",
    ...     bench=fs.demo.bench(), draws=200, rng=1))
    >>> drawn.legend.get_texts()[1].get_text().split(":")[0]
    'the typical one'
    >>> plt.close()
    """
    if not {"of", "over"} <= set(getattr(band, "attrs", {})):
        msg = "`band` must be what `curve_band` returns: it says what runs over what."
        raise FanstatsError(msg)
    for scope in [scopes] if isinstance(scopes, str) else scopes or ():
        one_of("scopes", scope, SCOPES)
    shown = _shown(_some(band, models), simultaneous=simultaneous)
    return _draw(axes_for(ax), shown, models, scopes, legend)


def _shown(band: xr.Dataset, *, simultaneous: bool = False) -> xr.Dataset:
    """Give a band names that do not hang on what runs over what."""
    of, over = str(band.attrs.get("of", "airflow")), str(band.attrs.get("over", "noise"))
    ranges = band[f"{of}_simultaneous"] if simultaneous else band[of]
    named = {f"{of}_value": "value", f"{of}_status": "status"}
    kept = band[[*named, f"step_{over}", f"step_{of}"]].rename_vars(
        {**named, f"step_{over}": "step_x", f"step_{of}": "step_y"}
    )
    dim = "level" if over == "noise" else "speed"
    return kept.assign(ranges=ranges, own=band[of]).rename({dim: "x"}).assign_attrs(
        of=of, over=over, simultaneous=int(simultaneous)
    )  # fmt: skip


def _draw(
    ax: Axes,
    whole: xr.Dataset,
    models: str | Sequence[str] | None,
    scopes: str | Sequence[str] | None,
    legend: bool,
) -> CurveArtists:
    inks = inks_for(ax)
    band = whole.sel(model=_foremost(whole, _names_room(ax))) if models is None else whole
    wanted = _scopes(band, scopes)
    names = [str(name) for name in band["model"].to_numpy()]
    others = _others(ax, whole, names, inks)
    curves, ranges, own, steps = {}, {}, {}, {}
    both = bool(band.attrs["simultaneous"]) and len(wanted) == 1
    for place, name in enumerate(names):
        style = _style(inks, place)
        one = band.sel(model=name)
        # The widest first, so that the narrower ones lie on top.
        for scope in sorted(wanted, key=SCOPES.index, reverse=True):
            if _drawable(one, scope):
                edges = _EDGES[scope] if len(wanted) > 1 else style.dashes
                ranges[name, scope] = _add_band(ax, one, scope, style, edges)
                own[name, scope] = _add_own(ax, one, scope, style) if both else ()
        curves[name] = _curve(ax, one, style)
        steps[name] = _steps(ax, band, name, style, inks)
    _label(ax, band)
    missing = None
    if not any(curves.values()) and not any(steps.values()):
        missing = caption_in(ax, _why(band))
    artists = CurveArtists(curves, ranges, own, steps, others, missing, None)
    return artists._replace(legend=_legend(ax, band, artists, inks) if legend else None)


def _scopes(band: xr.Dataset, scopes: str | Sequence[str] | None) -> list[str]:
    """Give the bands asked for; by default one, of the typical ones where they have any."""
    if scopes is not None:
        return [scopes] if isinstance(scopes, str) else list(scopes)
    if band.sizes["model"] > _MOST_BANDS:
        return []
    typical = np.isfinite(band["ranges"].sel(scope="model")).any()
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
                one["x"].to_numpy(), _value(one), color=inks.faint, alpha=0.45, linewidth=0.6,
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
        return _some(readings, models)
    if bench is None:
        msg = "`bench` must be given with readings: nothing else says how sure they are."
        raise FanstatsError(msg)
    return noise_airflow_band(
        readings, bench=bench, models=models, obstruction=obstruction, probability=probability,
        draws=draws, rng=rng,
    )  # fmt: skip


def _some(band: xr.Dataset, models: str | Sequence[str] | None) -> xr.Dataset:
    if models is None:
        return band
    present = [str(name) for name in band["model"].to_numpy()]
    names = [models] if isinstance(models, str) else list(models)
    return band.sel(model=[one_of("models", name, present) for name in names])


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
    return bool(np.isfinite(one["ranges"].sel(scope=scope)).any())


def _add_band(ax: Axes, one: xr.Dataset, scope: str, style: _Style, edges: Any) -> Ranges:
    ends = one["ranges"].sel(scope=scope)
    return add_ranges(
        ax, one["x"].to_numpy(), ends.sel(bound="lower").to_numpy(),
        ends.sel(bound="upper").to_numpy(),
        value=one["value"].sel(scope=scope).to_numpy(), color=style.color,
        linestyle=edges, legend=False,
    )  # fmt: skip


def _add_own(
    ax: Axes, one: xr.Dataset, scope: str, style: _Style
) -> tuple[FillBetweenPolyCollection, ...]:
    """Fill the range of each point, inside the band along the whole curve."""
    x, ends = one["x"].to_numpy(), one["own"].sel(scope=scope)
    low, high = (ends.sel(bound=bound).to_numpy() for bound in ("lower", "upper"))
    return tuple(
        ax.fill_between(
            x[run], low[run], high[run], color=style.color, alpha=_INNER, linewidth=0, zorder=1.55
        )
        for run in runs(np.isfinite(low) & np.isfinite(high))
    )


def _curve(ax: Axes, one: xr.Dataset, style: _Style) -> tuple[Line2D, ...]:
    value = _value(one)
    x = one["x"].to_numpy()
    lines: list[Line2D] = []
    for run in runs(np.isfinite(value)):
        lines += ax.plot(
            x[run], value[run], color=style.color, linestyle=style.dashes, linewidth=1.8,
            marker="" if run.stop - run.start > 1 else ".", zorder=2.6,
        )  # fmt: skip
    return tuple(lines)


def _value(one: xr.Dataset) -> FloatArray:
    """Values of the widest scope that has any: they agree wherever they are there."""
    values = one["value"].transpose("scope", "x").to_numpy()
    return np.asarray(np.where(np.isfinite(values[0]), values[0], values[-1]), dtype=np.float64)


def _steps(ax: Axes, band: xr.Dataset, name: str, style: _Style, inks: Inks) -> tuple[Line2D, ...]:
    own = band["step_model"].to_numpy() == name
    usable = band["step_usable"].to_numpy()
    drawn: list[Line2D] = []
    for which, face in ((own & usable, style.color), (own & ~usable, "none")):
        if which.any():
            drawn += ax.plot(
                band["step_x"].to_numpy()[which], band["step_y"].to_numpy()[which],
                linestyle="none", marker=style.marker, markersize=5.0, markerfacecolor=face,
                markeredgecolor=style.color if face == "none" else inks.paper,
                markeredgewidth=0.9 if face == "none" else 0.6, zorder=3.0,
            )  # fmt: skip
    return tuple(drawn)


def _label(ax: Axes, band: xr.Dataset) -> None:
    of, over = str(band.attrs["of"]), str(band.attrs["over"])
    x, y = (_axis(band, name, band[of_x].attrs) for name, of_x in ((over, "x"), (of, "value")))
    label_axes(ax, x, y)
    behind = str(band.attrs.get("obstruction", ""))
    title = f"{QUANTITIES[of].title} over {over}{f', obstruction: {behind}' if behind else ''}"
    title_above(ax, title[0].upper() + title[1:])


def _axis(band: xr.Dataset, name: str, about: Mapping[str, Any]) -> str:
    label = label_for(QUANTITIES[name].title, str(about["units"]))
    if name != "noise":
        return label
    room = "room included" if band.attrs.get("background") == "included" else "the fan alone"
    return f"{label}, {room}"


def _why(band: xr.Dataset) -> str:
    """Say why nothing can be drawn: the commonest reason of each model."""
    reasons = []
    for name in band["model"].to_numpy():
        found = band["status"].sel(model=name).to_numpy().ravel()
        texts = [str(text) for text in found if text]
        reasons.append(f"{name}: {max(texts, key=texts.count) if texts else 'no reading'}")
    return "; ".join(reasons)


def _legend(ax: Axes, band: xr.Dataset, artists: CurveArtists, inks: Inks) -> Legend | None:
    curves, ranges, steps, others = artists.curves, artists.ranges, artists.steps, artists.others
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
    drawn = [scope for scope in SCOPES if any(scope == of for _, of in ranges)]
    handles |= _range_handles(band, drawn, inks, own=any(artists.own.values()))
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
    values = np.stack([_value(band.sel(model=name)) for name in curves])
    falls = _falls(values)
    loc: Corner = "upper right" if falls else "upper left"
    box = inside_legend(ax, list(handles.values()), list(handles), loc=loc)
    _make_room(ax, band, box, right=falls)
    return box.legend


def _range_handles(
    band: xr.Dataset, drawn: list[str], inks: Inks, *, own: bool
) -> dict[str, Artist]:
    """Name the bands: the range of each point where it is drawn, and that of the whole curve."""
    probability = float(band.attrs["probability"])
    handles: dict[str, Artist] = {}
    for scope in drawn:
        label = range_label(SCOPE_WORDS[scope], probability)
        whole = label.replace(": range", ": range along the whole curve", 1)
        style: dict[str, Any] = {
            "edgecolor": inks.ink,
            "linewidth": 1.0 if len(drawn) > 1 else 0.5,
            "linestyle": _EDGES[scope] if len(drawn) > 1 else "-",
        }
        if own:
            label = label.replace(": range", ": range at one point", 1)
            handles[label] = Patch(facecolor=inks.faint, alpha=0.5, linewidth=0)
        name = whole if band.attrs["simultaneous"] else label
        handles[name] = Patch(facecolor=inks.wash, **style)
    return handles


def _falls(values: FloatArray) -> bool:
    """Whether the curves fall, most of them, so that there is more room on the right."""
    ends = [row[np.isfinite(row)][[0, -1]] for row in values if np.isfinite(row).sum() > 1]
    return sum(1 if last > first else -1 for first, last in ends) < 0


def _one_sided(band: xr.Dataset, name: str, scope: str) -> bool:
    ends = band["ranges"].sel(model=name, scope=scope).transpose("x", "bound").to_numpy()
    known = np.isfinite(ends).sum(axis=1)
    return bool((known == 1).any())


def _make_room(ax: Axes, band: xr.Dataset, box: LegendBox, *, right: bool) -> None:
    """Raise the top of the axes until what lies below the legend is clear of it."""
    first, last = ax.get_xlim()
    low, high = ax.get_ylim()
    reach = (box.width + 0.03) * (last - first)

    def beside(x: xr.DataArray) -> xr.DataArray:
        return x >= last - reach if right else x <= first + reach

    ends = band["ranges"].where(beside(band["x"])).to_numpy()
    values = band["value"].where(beside(band["x"])).to_numpy()
    steps = band["step_y"].where(beside(band["step_x"])).to_numpy()
    beneath = np.concatenate([ends.ravel(), values.ravel(), steps])
    beneath = beneath[np.isfinite(beneath)]
    if beneath.size and ax.get_yscale() == "linear":
        needed = low + (float(beneath.max()) - low) / (1.0 - box.height)
        ax.set_ylim(low, max(high, needed))
