"""One quantity picked out of estimates: plain arrays with the names that go with them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from fanstats._typing import BoolArray, FloatArray
from fanstats.errors import FanstatsError, did_you_mean, one_of
from fanstats.quantities import QUANTITIES, Quantity, units_label
from fanstats.wording import SCOPE_WORDS

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.engine.answers import Answer

__all__ = ["SCOPES", "Selection", "quantities_of", "select"]

SCOPES: Final = ("tested unit", "model", "next unit")
AS_GIVEN: Final = "as given"
_SCOPES_MEAN: Final = f"Printed as: {', '.join(f'{s!r} {SCOPE_WORDS[s]}' for s in SCOPES)}."
Best = Literal["high", "low"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Selection:
    """Values and draws of one quantity, for every scope and model of some estimates.

    Attributes
    ----------
    name : str
        Name of the quantity, "" for an array without one.
    known : Quantity or None
        What the library knows of it.
    units : str
        Unit as it stands in attributes.
    obstruction : str or None
        What the fans blew through, None where the quantity does not depend on it.
    models, scopes : tuple of str
        In the order of the arrays. A single scope "as given" for an array without scopes.
    values : ndarray, shape (scopes, models)
        Estimates, NaN where there is none.
    draws : ndarray, shape (scopes, models, draws)
        Their draws, NaN where there are none.
    statuses : tuple of tuple of str
        Per scope and model: why there is no estimate, or what to know about it; "" if fine.
    shares : ndarray, shape (2, scopes, models)
        Shares of draws below and above what the data cover.
    units_tested, readings : ndarray, shape (models,)
        How many samples and readings stand behind each model, 0 where not recorded.
    answer : Answer or None
        What the estimates rest on, where it is known.
    parts : tuple of (channel, float)
        Quantities and obstructions that they are the sum of, and what each counts.
    root : str or None
        Root seed of the draws, None where unverified.
    attrs : dict
        Attributes of the estimates.
    """

    name: str
    known: Quantity | None
    units: str
    obstruction: str | None
    models: tuple[str, ...]
    scopes: tuple[str, ...]
    values: FloatArray
    draws: FloatArray
    statuses: tuple[tuple[str, ...], ...]
    shares: FloatArray
    units_tested: FloatArray
    readings: FloatArray
    answer: Answer | None
    parts: tuple[tuple[tuple[str, str], float], ...]
    root: str | None
    attrs: dict[str, Any]

    @cached_property
    def estimable(self) -> BoolArray:
        """Whether a scope and model has a value and only finite draws, shape (scopes, models)."""
        # A sum is finite only if all its terms are, and costs no array of booleans.
        with np.errstate(invalid="ignore", over="ignore"):
            whole = np.isfinite(self.draws.sum(axis=-1))
        return np.asarray(whole & np.isfinite(self.values))

    @cached_property
    def ratio(self) -> bool:
        """Whether models are compared as ratios: in logarithms, all numbers above 0."""
        if self.known is None or not self.known.ratio:
            return False
        used = self.estimable
        smallest = np.minimum(self.draws.min(axis=-1)[used], self.values[used])
        return bool(smallest.size and smallest.min() > 0)

    def scope(self, wanted: str) -> int:
        """Place of a scope; an array without scopes has one, whatever is asked for."""
        one_of("scope", wanted, (*SCOPES, AS_GIVEN), mend=_SCOPES_MEAN)
        if len(self.scopes) == 1:
            return 0
        return self.scopes.index(one_of("scope", wanted, self.scopes))

    def find(self, scope: str) -> int | None:
        """Place of a scope, None where it is not among the arrays."""
        return self.scopes.index(scope) if scope in self.scopes else None

    def model(self, argument: str, wanted: str) -> int:
        """Place of a model, or an error that lists those present."""
        if wanted in self.models:
            return self.models.index(wanted)
        msg = (
            f"`{argument}` must be one of the models present: {', '.join(map(repr, self.models))}; "
            f"got {wanted!r}.{did_you_mean(wanted, self.models)}"
        )
        raise FanstatsError(msg)

    def reason(self, scope: int, model: int) -> str:
        """Why a scope and model has no estimate, or what to know about it."""
        stated = self.statuses[scope][model]
        if stated or self.estimable[scope, model]:
            return stated
        draws = self.draws[scope, model]
        missing = int(np.count_nonzero(~np.isfinite(draws)))
        if 0 < missing < draws.size:
            return f"{missing} of {draws.size} draws missing"
        return "no estimate"

    def judged(
        self, scope: int, models: Sequence[int] | np.ndarray
    ) -> tuple[FloatArray, FloatArray]:
        """Values and draws of some models on the scale they are compared on, as new arrays."""
        # Chosen by their numbers, arrays are copied: what follows leaves the estimates alone.
        chosen = np.asarray(models, dtype=np.intp)
        values, draws = self.values[scope, chosen], self.draws[scope, chosen]
        if self.ratio:
            return np.log(values), np.log(draws, out=draws)
        return values, draws

    def uncovered(
        self, scope: int, models: Sequence[int] | np.ndarray, probability: float, sign: float = 1.0
    ) -> tuple[BoolArray, BoolArray]:
        """Whether the low and the high end of a model's range lie beyond what was read.

        An end is missing where more of the draws than its tail lie there; `sign` -1 turns the
        scale, and with it low and high, around.
        """
        chosen = np.asarray(models, dtype=np.intp)
        past = self.shares[:, scope, chosen] > (1.0 - probability) / 2.0
        return (past[0], past[1]) if sign > 0 else (past[1], past[0])

    def way(self, best: Best | None) -> Best | None:
        """Which way is better: as stated, else as the quantity has it; None if neither says."""
        if best is not None:
            one_of("best", best, ("high", "low"))
            return best
        return self.known.best if self.known is not None else None

    def better(self, best: Best | None) -> Best:
        """Which way is better, or an error if nothing says so."""
        found = self.way(best)
        if found is None:
            called = f"for {self.name!r}" if self.name else "for an array without a name"
            msg = f"`best` must be 'high' or 'low' {called}: nothing says which way is better."
            raise FanstatsError(msg)
        return found

    @property
    def title(self) -> str:
        """Name of the quantity for sentences."""
        return self.known.title if self.known is not None else self.name or "value"

    @property
    def printed_units(self) -> str:
        """Unit as a reader sees it."""
        return units_label(self.units)

    @property
    def difference_units(self) -> str:
        """Unit of a difference as a reader sees it: decibels lose their weighting, °C is K."""
        if self.units.startswith("dB"):
            return "dB"
        return "K" if self.units == "degC" else self.printed_units

    @property
    def comparative(self) -> tuple[str, str]:
        """What a model with more of it, and one with less of it, is said to do."""
        if self.known is None:
            return ("is higher", "is lower")
        more, less = self.known.comparative
        turned = self.known.best == "low" or more == "is lower"
        return (less, more) if turned else (more, less)

    def listed(self, attribute: str) -> tuple[str, ...]:
        """Sentences that the estimates carry in an attribute, as a tuple."""
        text = self.attrs.get(attribute, "")
        try:
            found = json.loads(text) if text else []
        except (TypeError, ValueError):
            found = [text]
        return tuple(str(entry) for entry in (found if isinstance(found, list) else [found]))


def quantities_of(estimates: xr.Dataset) -> list[str]:
    """Names of the quantities that estimates hold: variables over model and draw.

    Parameters
    ----------
    estimates : Dataset

    Returns
    -------
    list of str
    """
    return [
        str(name)
        for name, variable in estimates.data_vars.items()
        if {"model", "draw"} <= set(variable.dims)
    ]


def select(
    estimates: xr.Dataset | xr.DataArray, quantity: str | None, obstruction: str | None
) -> Selection:
    """Pick one quantity behind one obstruction out of estimates.

    Parameters
    ----------
    estimates : Dataset or DataArray
        Estimates, or any array with dimensions `model` and `draw`.
    quantity : str or None
        Name of the quantity; None where there is only one.
    obstruction : str or None
        Name of the obstruction; None where there is only one, or none.

    Returns
    -------
    Selection

    Raises
    ------
    FanstatsError
        If the quantity or obstruction is not there or not said, a dimension is missing or too
        many, models are named twice, or draws come from several root seeds.
    """
    import xarray as xr

    checked: object = estimates
    if not isinstance(checked, (xr.Dataset, xr.DataArray)):
        msg = f"`estimates` must be an xarray Dataset or DataArray; got {type(checked).__name__}."
        raise FanstatsError(msg)
    if isinstance(estimates, xr.DataArray):
        dataset, name = _as_dataset(estimates, quantity)
    else:
        dataset, name = estimates, _named(estimates, quantity)
    chosen, behind = _behind(dataset, name, obstruction)
    variable = chosen[name]
    _check_dimensions(variable)
    models = tuple(str(label) for label in variable["model"].values)
    if len(set(models)) < len(models):
        twice = sorted({label for label in models if models.count(label) > 1})
        msg = f"`estimates` must name every model once; {', '.join(map(repr, twice))} stands twice."
        raise FanstatsError(msg)
    scopes, draws = _draws(variable)
    values = _over(chosen, f"{name}_value", scopes, len(models))
    if values is None:
        values = np.median(draws, axis=-1)
    stated = "" if name == _NAMELESS else name
    return Selection(
        name=stated,
        known=QUANTITIES.get(stated),
        units=str(variable.attrs.get("units", "")),
        obstruction=behind,
        models=models,
        scopes=scopes,
        values=values,
        draws=draws,
        statuses=_statuses(chosen, name, scopes, len(models)),
        shares=_shares(chosen, name, scopes, len(models)),
        units_tested=_counts(
            chosen,
            f"{name}_units" if f"{name}_units" in chosen else "units_tested",
            len(models),
        ),
        readings=_counts(chosen, "readings_behind", len(models)),
        answer=chosen.encoding.get("answer"),
        parts=chosen.encoding.get("parts", (((stated, behind or ""), 1.0),)),
        root=_root(chosen),
        attrs=_attributes(chosen if isinstance(estimates, xr.Dataset) else variable),
    )


_OF_ONE_LEVEL: Final = ("level", "assumptions", "measured", "not_considered", "left_out", "pooled")


def _attributes(chosen: xr.Dataset | xr.DataArray) -> dict[str, Any]:
    """Attributes, with what one level of several carries in its coordinates.

    An array carries what it was given, as a mix does; its unit and name are told elsewhere.
    """
    of_level = {
        name: chosen[name].item()
        for name in _OF_ONE_LEVEL
        if name in chosen.coords and chosen[name].ndim == 0
    }
    return {**chosen.attrs, **of_level}


_NAMELESS: Final = "unnamed"


def _as_dataset(array: xr.DataArray, quantity: str | None) -> tuple[xr.Dataset, str]:
    name = str(array.name) if array.name is not None else quantity or _NAMELESS
    if quantity is not None and quantity != name:
        msg = f"`quantity` must be the array's own name {name!r}, or left out; got {quantity!r}."
        raise FanstatsError(msg)
    if name in array.coords or name in array.dims:
        return array.to_dataset(name=_NAMELESS), _NAMELESS
    return array.to_dataset(name=name), name


def _named(estimates: xr.Dataset, quantity: str | None) -> str:
    present = quantities_of(estimates)
    if quantity is None and len(present) == 1:
        return present[0]
    if quantity in present:
        return str(quantity)
    msg = (
        f"`quantity` must be one of those in the estimates: "
        f"{', '.join(map(repr, present)) or 'there are none'}; got {quantity!r}."
        f"{did_you_mean(quantity, present)}"
    )
    raise FanstatsError(msg)


def _behind(
    dataset: xr.Dataset, name: str, obstruction: str | None
) -> tuple[xr.Dataset, str | None]:
    variable = dataset[name]
    if "obstruction" not in variable.dims:
        own = str(variable["obstruction"].item()) if "obstruction" in variable.coords else None
        if obstruction is not None and obstruction != own:
            found = f"was read behind {own!r}" if own else "does not depend on an obstruction"
            msg = f"`obstruction` must be left out: {name!r} {found}; got {obstruction!r}."
            raise FanstatsError(msg)
        return dataset, own
    if "obstruction" not in variable.coords:
        msg = "`estimates` must name its obstructions; the dimension has no coordinate."
        raise FanstatsError(msg)
    present = [str(label) for label in variable["obstruction"].values]
    if obstruction is None and len(present) == 1:
        obstruction = present[0]
    if obstruction not in present:
        msg = (
            f"`obstruction` must be one of {', '.join(map(repr, present))}; got {obstruction!r}."
            f"{did_you_mean(obstruction, present)} Results behind one obstruction say nothing "
            "about another: name the one you mean."
        )
        raise FanstatsError(msg)
    return dataset.isel(obstruction=present.index(obstruction)), obstruction


def _check_dimensions(variable: xr.DataArray) -> None:
    dims = [str(dim) for dim in variable.dims]
    missing = [dim for dim in ("model", "draw") if dim not in dims]
    extra = [dim for dim in dims if dim not in ("scope", "model", "draw")]
    if missing or "model" not in variable.coords:
        msg = f"`estimates` must have named models and draws (`model`, `draw`); got {dims}."
        raise FanstatsError(msg)
    if extra:
        listed = ", ".join(extra)
        msg = f"`estimates` must have dimensions scope, model and draw only; select one {listed}."
        raise FanstatsError(msg)
    if variable.sizes["draw"] < 2 or variable.sizes["model"] < 1:
        msg = f"`estimates` must hold models and at least two draws; got {dict(variable.sizes)}."
        raise FanstatsError(msg)


def _draws(variable: xr.DataArray) -> tuple[tuple[str, ...], FloatArray]:
    if "scope" in variable.dims:
        scopes = tuple(str(label) for label in variable["scope"].values)
        ordered = variable.transpose("scope", "model", "draw").values
    else:
        label = str(variable["scope"].item()) if "scope" in variable.coords else AS_GIVEN
        scopes = (label,)
        ordered = variable.transpose("model", "draw").values[np.newaxis]
    return scopes, np.asarray(ordered, dtype=np.float64)


def _ordered(dataset: xr.Dataset, name: str, scopes: tuple[str, ...], count: int) -> Any:
    """Give a variable over scope and model as an array of that shape, None where it is absent."""
    if name not in dataset:
        return None
    variable = dataset[name]
    if "scope" in variable.dims:
        variable = variable.transpose("scope", "model")
    return np.broadcast_to(variable.values, (len(scopes), count))


def _over(dataset: xr.Dataset, name: str, scopes: tuple[str, ...], count: int) -> FloatArray | None:
    found = _ordered(dataset, name, scopes, count)
    return None if found is None else np.asarray(found, dtype=np.float64)


def _statuses(
    dataset: xr.Dataset, name: str, scopes: tuple[str, ...], count: int
) -> tuple[tuple[str, ...], ...]:
    general = np.full((len(scopes), count), "")
    if "status" in dataset.coords:
        general = np.broadcast_to(_ordered(dataset, "status", scopes, count), general.shape)
    found = _ordered(dataset, f"{name}_status", scopes, count)
    if found is None:
        found = np.full((len(scopes), count), "")
    return tuple(
        tuple(str(own) or str(whole) for own, whole in zip(row, wholes, strict=True))
        for row, wholes in zip(found, general, strict=True)
    )


def _shares(dataset: xr.Dataset, name: str, scopes: tuple[str, ...], count: int) -> FloatArray:
    sides = [_over(dataset, f"{name}_share_{side}", scopes, count) for side in ("below", "above")]
    none = np.zeros((len(scopes), count))
    return np.stack([none if side is None else np.nan_to_num(side) for side in sides])


def _counts(dataset: xr.Dataset, name: str, count: int) -> FloatArray:
    if name not in dataset.variables:
        return np.zeros(count)
    return np.asarray(np.broadcast_to(dataset[name].values, count), dtype=np.float64)


def _root(dataset: xr.Dataset) -> str | None:
    if "root" not in dataset.coords:
        return None
    roots = sorted({str(root) for root in np.atleast_1d(dataset["root"].values)})
    if len(roots) > 1:
        msg = (
            f"`estimates` must come from one root seed; got {', '.join(roots)}. Errors shared "
            "between results of different seeds do not cancel: compute them again with one "
            "seed, as `rng=`."
        )
        raise FanstatsError(msg)
    return roots[0]
