"""Several criteria at once: a mix of quantities and obstructions by weights of the user's own."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np

from fanstats._arguments import number
from fanstats._typing import FloatArray
from fanstats.decisions.selection import Best, Selection, quantities_of, select
from fanstats.errors import FanstatsError
from fanstats.quantities import units_label

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Criterion", "Weights", "criteria_of", "mix", "mixed_estimates"]

Weights: TypeAlias = Mapping[Any, float]


class Criterion(NamedTuple):
    """One thing that counts in a mix.

    Attributes
    ----------
    picked : Selection
        Its values and draws.
    weight : float
        Its share of the mix; all shares add up to 1.
    worth : float
        What one of its units is worth in units of the mix; negative where less of it is better
        and more of the mix is.
    main: bool
        Whether the mix is in its unit.
    """

    picked: Selection
    weight: float
    worth: float
    main: bool

    @property
    def text(self) -> str:
        """Name for a reader."""
        behind = self.picked.obstruction
        return f"{self.picked.title} ({behind})" if behind else self.picked.title


def mix(
    estimates: xr.Dataset,
    weights: Weights,
    *,
    quantity: str | None = None,
    exchange: Mapping[str, float] | None = None,
) -> xr.DataArray:
    """Mix several criteria into one number a model, draw by draw.

    Parameters
    ----------
    estimates : Dataset
        What `equal_noise` and its sisters return.
    weights : mapping
        Weights above 0, by ``(quantity, obstruction)``, by quantity where it has no obstruction,
        or by obstruction alone where `quantity` is given. They are divided by their sum.
    quantity : str, optional
        The quantity that all keys of `weights` are obstructions of.
    exchange : mapping of str to float, optional
        Where several quantities are mixed: what one unit of each other quantity is worth to you in
        units of the one left out here. ``{"temperature_rise": 10}`` in a mix with airflow in fpm
        says that 1 K is worth 10 fpm. Nothing is exchanged by itself, least of all by how much
        models scatter.

    Returns
    -------
    DataArray
        Over scope, model and draw, for `rank` and `compare`. Of one quantity: its weighted mean,
        named and in units like it. Of several: named "mix", in the unit of the quantity that has no
        exchange rate; only differences between models mean something then, and `rank` wants to be
        told ``best=`` (``array.attrs["best"]``). Under which conditions models stand side by side,
        what was assumed and why a model has no mix (coordinate `status`) go with it.

    Raises
    ------
    FanstatsError
        If a criterion is not there, a weight is not above 0, or a unit has no exchange rate.

    See Also
    --------
    mixed_estimates : the same with values, statuses and assumptions.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=200, rng=1)
    >>> mixed = mix(estimates, {"open": 1, "dust pad": 2}, quantity="airflow")
    >>> mixed.name, mixed.dims
    ('airflow', ('scope', 'model', 'draw'))
    """
    mixed = mixed_estimates(estimates, weights, quantity=quantity, exchange=exchange)
    name = quantities_of(mixed)[0]
    array = mixed[name].assign_coords(status=mixed[f"{name}_status"])
    if f"{name}_units" in mixed:
        array = array.assign_coords(units_tested=mixed[f"{name}_units"])
    array.attrs = {**mixed.attrs, **array.attrs}
    return array


def mixed_estimates(
    estimates: xr.Dataset,
    weights: Weights,
    *,
    quantity: str | None = None,
    exchange: Mapping[str, float] | None = None,
) -> xr.Dataset:
    """Mix several criteria into estimates of one quantity.

    Parameters
    ----------
    estimates, weights, quantity, exchange
        As in `mix`.

    Returns
    -------
    Dataset
        Estimates like those that went in, of one variable: the mix at the unperturbed readings and
        its draws, the statuses of all criteria, and the weights among the assumptions.

    Raises
    ------
    FanstatsError
        As in `mix`.

    Examples
    --------
    >>> import fanstats as fs
    >>> estimates = fs.equal_noise(fs.demo.readings(), 33, bench=fs.demo.bench(), draws=200, rng=1)
    >>> mixed = mixed_estimates(estimates, {"open": 1, "dust pad": 2}, quantity="airflow")
    >>> mixed.obstruction.item()
    'weighted: open 33.3 %, dust pad 66.7 %'
    """
    import xarray as xr

    criteria = criteria_of(estimates, weights, quantity, exchange)
    main = _main(criteria)
    name = main.name if _one_quantity(criteria) else "mix"
    first = criteria[0].picked
    attrs = {"units": main.units, "long_name": _long_name(criteria), "best": _best(criteria)}
    draws = _sum(criteria, [one.picked.draws for one in criteria])
    values = _sum(criteria, [one.picked.values for one in criteria])
    # Where less of a criterion is better, its high end is the low end of the mix.
    shares = np.max([one.picked.shares[:: 1 if one.worth > 0 else -1] for one in criteria], axis=0)
    data: dict[str, Any] = {
        name: (("scope", "model", "draw"), draws, attrs),
        f"{name}_value": (("scope", "model"), values, attrs),
        f"{name}_status": (("scope", "model"), _statuses(criteria)),
        f"{name}_share_below": (("scope", "model"), shares[0]),
        f"{name}_share_above": (("scope", "model"), shares[1]),
        # As many samples as stand behind the criterion with the fewest.
        f"{name}_units": (
            ("model",),
            np.min([one.picked.units_tested for one in criteria], axis=0),
        ),
    }
    coords: dict[str, Any] = {"scope": list(first.scopes), "model": list(first.models)}
    for kept in ("units_tested", "readings_behind", "status", "root"):
        if kept in estimates.coords:
            coords[kept] = estimates[kept].variable
    if name != "mix":
        coords["obstruction"] = _weights_text(criteria)
    mixed = xr.Dataset(data, coords=coords, attrs=dict(first.attrs))
    mixed.attrs["assumptions"] = json.dumps([*first.listed("assumptions"), *_assumed(criteria)])
    if first.answer is not None:
        parts = [
            (channel, weight * one.weight * one.worth)
            for one in criteria
            for channel, weight in one.picked.parts
        ]
        mixed.encoding |= {"answer": first.answer, "parts": tuple(parts)}
    return mixed


def criteria_of(
    estimates: xr.Dataset,
    weights: Weights,
    quantity: str | None,
    exchange: Mapping[str, float] | None,
) -> list[Criterion]:
    """Read what a mix is made of.

    Parameters
    ----------
    estimates, weights, quantity, exchange
        As in `mix`.

    Returns
    -------
    list of Criterion

    Raises
    ------
    FanstatsError
        As in `mix`.
    """
    checked: object = weights
    if not isinstance(checked, Mapping) or not checked:
        msg = (
            "`weights` must be a mapping such as {('airflow', 'wire mesh'): 2, ('airflow', "
            f"'filter'): 1}}; got {weights!r}."
        )
        raise FanstatsError(msg)
    found: list[tuple[Selection, float]] = []
    for key, weight in weights.items():
        picked = select(estimates, *_key(estimates, key, quantity))
        found.append((picked, number(f"weights[{key!r}]", weight, above=0.0)))
    named = [(picked.name, picked.obstruction) for picked, _ in found]
    if len(set(named)) < len(named):
        msg = f"`weights` must name every criterion once; got {list(weights)}."
        raise FanstatsError(msg)
    total = sum(weight for _, weight in found)
    rates = dict(exchange or {})
    worth = _worth([picked for picked, _ in found], rates)
    return [
        Criterion(picked, weight / total, worth[picked.name], picked.name not in rates)
        for picked, weight in found
    ]


def _key(estimates: xr.Dataset, key: Hashable, quantity: str | None) -> tuple[str, str | None]:
    if quantity is not None:
        return quantity, str(key)
    if isinstance(key, tuple) and len(key) == 2:
        return str(key[0]), str(key[1])
    if isinstance(key, str) and key in quantities_of(estimates):
        return key, None
    msg = (
        "`weights` must be keyed by (quantity, obstruction), by a quantity that has none, or by "
        f"obstructions with `quantity=` given; got {key!r}. Quantities: "
        f"{', '.join(map(repr, quantities_of(estimates)))}."
    )
    raise FanstatsError(msg)


def _worth(picked: Sequence[Selection], exchange: dict[str, float]) -> dict[str, float]:
    names = list(dict.fromkeys(one.name for one in picked))
    main = [name for name in names if name not in exchange]
    strangers = [name for name in exchange if name not in names]
    if len(main) != 1 or strangers:
        units = ", ".join(sorted({f"{one.name} in {one.printed_units}" for one in picked}))
        msg = (
            "`exchange` must say what a unit of every quantity but one is worth in units of that "
            f"one, and name no other; the mix holds {units}; got rates for "
            f"{', '.join(map(repr, exchange)) or 'none'}. For example {{{names[-1]!r}: 10}}."
        )
        raise FanstatsError(msg)
    ways = {one.name: one.better(None) if len(names) > 1 else one.way(None) for one in picked}
    worth = {main[0]: 1.0}
    for name in names:
        if name != main[0]:
            rate = number(f"exchange[{name!r}]", exchange[name], above=0.0)
            worth[name] = rate if ways[name] == ways[main[0]] else -rate
    return worth


def _one_quantity(criteria: Sequence[Criterion]) -> bool:
    return len({one.picked.name for one in criteria}) == 1


def _main(criteria: Sequence[Criterion]) -> Selection:
    """Give the quantity in whose unit the mix is."""
    return next(one.picked for one in criteria if one.main)


def _best(criteria: Sequence[Criterion]) -> Best | str:
    return _main(criteria).way(None) or ""


def _sum(criteria: Sequence[Criterion], arrays: Sequence[FloatArray]) -> FloatArray:
    total = np.zeros_like(arrays[0])
    for one, array in zip(criteria, arrays, strict=True):
        total += one.weight * one.worth * array
    return total


def _statuses(criteria: Sequence[Criterion]) -> np.ndarray:
    first = criteria[0].picked
    found = np.full((len(first.scopes), len(first.models)), "", dtype=object)
    for scope, model in np.ndindex(*found.shape):
        reasons: dict[str, list[str]] = {}
        for one in criteria:
            if reason := one.picked.reason(scope, model):
                reasons.setdefault(reason, []).append(one.text)
        whole = len(reasons) == 1 and all(len(named) == len(criteria) for named in reasons.values())
        found[scope, model] = "; ".join(
            reason if whole else f"{', '.join(named)}: {reason}"
            for reason, named in reasons.items()
        )
    return found.astype(str)


def _share(weight: float) -> str:
    return f"{100.0 * weight:.3g} %"


def _weights_text(criteria: Sequence[Criterion]) -> str:
    parts = [f"{one.picked.obstruction or one.text} {_share(one.weight)}" for one in criteria]
    return f"weighted: {', '.join(parts)}"


def _long_name(criteria: Sequence[Criterion]) -> str:
    kind = "mean" if _one_quantity(criteria) else "mix"
    parts = [f"{one.text} {_share(one.weight)}" for one in criteria]
    return f"weighted {kind} of {', '.join(parts)}"


def _assumed(criteria: Sequence[Criterion]) -> list[str]:
    main = _main(criteria)
    rates = {
        one.picked.title: f"1 {one.picked.difference_units} of {one.picked.title} "
        f"{'less' if one.worth < 0 else 'more'} is worth {abs(one.worth):g} "
        f"{units_label(main.units)} of {main.title} (your rate)"
        for one in criteria
        if one.picked.name != main.name
    }
    return [f"{_long_name(criteria)} (your weights)", *rates.values()]
