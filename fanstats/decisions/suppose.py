"""Estimates under a unit-to-unit spread that is only supposed."""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from fanstats.decisions.population import fans_together
from fanstats.estimates.draws import LabelledDraws

if TYPE_CHECKING:
    from fanstats._typing import FloatArray, Shape
    from fanstats.decisions.selection import Selection

__all__ = ["NO_LUCK", "Luck", "covered_luck", "label_source", "luck_response", "stated_luck",
           "suppose"]  # fmt: skip

# Past the curves a draw goes on in (lg speed, level of the fan alone) with 30 to 70 dB a decade,
# and lg airflow over lg speed with 0.7 to 1.3: change of the logarithm per dB, at least and most.
_SPEED_PER_DB: Final = (math.log(10.0) / 70.0, math.log(10.0) / 30.0)
_PER_DB: Final[Mapping[str, tuple[float, float]]] = {
    "speed": _SPEED_PER_DB,
    "airflow": (0.7 * _SPEED_PER_DB[0], 1.3 * _SPEED_PER_DB[1]),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Luck:
    """Unit-to-unit spread of one kind.

    Attributes
    ----------
    standard : float
        Standard deviation; dB, K, or relative for airflow.
    shape : str
        Of its distribution.
    dof : float
        Degrees of freedom where it was estimated; infinite where it was stated.
    """

    standard: float = 0.0
    shape: Shape = "normal"
    dof: float = math.inf


NO_LUCK: Final = Luck()


def stated_luck(picked: Selection, kind: str) -> Luck | None:
    """Give the spread that the estimates were made with.

    Parameters
    ----------
    picked : Selection
    kind : {"noise", "airflow", "speed", "temperature"}

    Returns
    -------
    Luck or None
        None where nobody stated one.
    """
    try:
        stated: Mapping[str, Any] = json.loads(picked.attrs.get("spread", "{}"))
    except (TypeError, ValueError):
        return None
    entry = stated.get(kind)
    if not isinstance(entry, Mapping) or entry.get("standard") is None:
        return None
    dof = entry.get("dof")
    return Luck(
        standard=float(entry["standard"]),
        shape=entry.get("shape") or "normal",
        dof=math.inf if dof is None else float(dof),
    )


def label_source(picked: Selection) -> LabelledDraws:
    """Give random numbers that hang on the root seed of the estimates and on labels alone.

    Parameters
    ----------
    picked : Selection

    Returns
    -------
    LabelledDraws
    """
    root = picked.root or ""
    number = int(root) if root.isdecimal() else zlib.crc32(root.encode())
    return LabelledDraws(number % 2**128, picked.draws.shape[-1])


def luck_response(picked: Selection, model: int, luck: FloatArray) -> FloatArray:
    """Change of a model's value with so much noise luck, on the scale models are compared on.

    Parameters
    ----------
    picked : Selection
    model : int
    luck : ndarray
        How much noisier the tested sample is than its model, dB.

    Returns
    -------
    ndarray, same shape
        Straight between the recorded steps. Beyond them with the slope of the last step, held
        within what speed and airflow of a fan are held within there. NaN where nothing was
        recorded.
    """
    if picked.by_luck is None:
        return np.full(np.shape(luck), np.nan)
    row = picked.by_luck[model]
    usable = np.isfinite(row) & ((row > 0) | (not picked.ratio))
    steps, values = picked.luck[usable], row[usable]
    if steps.size < 2:
        return np.full(np.shape(luck), np.nan)
    if picked.ratio:
        values = np.log(values)
    slopes = np.diff(values)[[0, -1]] / np.diff(steps)[[0, -1]]
    if picked.ratio and picked.name in _PER_DB:
        slopes = np.clip(slopes, *_PER_DB[picked.name])
    inside = np.interp(luck, steps, values)
    below = np.minimum(0.0, luck - steps[0]) * slopes[0]
    above = np.maximum(0.0, luck - steps[-1]) * slopes[1]
    zero = np.interp(0.0, steps, values)
    return np.asarray(inside + below + above - zero, dtype=np.float64)


def covered_luck(picked: Selection, model: int) -> tuple[float, float]:
    """Give the noise luck, in dB, between which a model's curves were read.

    Parameters
    ----------
    picked : Selection
    model : int

    Returns
    -------
    low, high : float
        Halfway from the last recorded step to the first one that is not; infinite where the
        record ends before the curves do.
    """
    if picked.by_luck is None:
        return math.nan, math.nan
    known = picked.luck[np.isfinite(picked.by_luck[model])]
    if not known.size:
        return math.nan, math.nan
    half = float(np.diff(picked.luck).mean()) / 2.0
    low, high = float(known.min()), float(known.max())
    return (
        -math.inf if low <= picked.luck[0] else low - half,
        math.inf if high >= picked.luck[-1] else high + half,
    )


class Supposed(NamedTuple):
    """Estimates under a supposed spread.

    Attributes
    ----------
    picked : Selection
        Scope "tested unit" as it was, the others filled in.
    beyond : ndarray, shape (models,)
        Share of draws that ask for more noise luck than the curves cover.
    """

    picked: Selection
    beyond: FloatArray


def suppose(
    picked: Selection,
    source: LabelledDraws,
    noise: float,
    *,
    airflow: Luck = NO_LUCK,
    temperature: Luck = NO_LUCK,
    scopes: tuple[str, ...] = ("model", "next unit"),
) -> Supposed:
    """Fill in the scopes that need a unit-to-unit spread.

    Parameters
    ----------
    picked : Selection
        Estimates that say how they respond to noise luck.
    source : LabelledDraws
    noise : float
        Standard deviation of noise luck, dB; normal.
    airflow, temperature : Luck
        Of the quantity itself at a given speed.
    scopes : tuple of str
        Which to fill in.

    Returns
    -------
    Supposed

    Notes
    -----
    The mean of n tested samples is moved by the mean of their luck, and so is what n fans bought
    together show. An end counts as not covered by data where the supposed luck, or what was
    measured, takes more than its tail beyond the curves.
    """
    tested = picked.scope("tested unit")
    base = picked.draws[tested]
    drawn = np.full((1 + len(scopes), *base.shape), np.nan)
    drawn[0] = base
    shares = np.repeat(picked.shares[:, [tested]], 1 + len(scopes), axis=1)
    beyond = np.zeros(len(base))
    together = fans_together(picked)
    for model in np.flatnonzero(picked.estimable[tested]):
        name = picked.models[model]
        samples = max(1, round(picked.units_tested[model]))
        fans = together.get(name, 1)

        def drawn_luck(kind: str, luck: Luck, n: tuple[int, int] = (samples, fans),
                       name: str = name) -> tuple[FloatArray, FloatArray]:  # fmt: skip
            return (
                _mean_luck(source, (name, f"{kind} luck", "tested"), kind, luck, n[0]),
                _mean_luck(source, (name, f"{kind} luck", "bought"), kind, luck, n[1]),
            )

        old, new = drawn_luck("noise", Luck(standard=noise))
        old_share, new_share = drawn_luck("airflow", airflow)
        old_rise, new_rise = drawn_luck("temperature", temperature)
        moved = {"model": old, "next unit": old - new}
        share = {"model": -_log(old_share), "next unit": _log(new_share) - _log(old_share)}
        rise = {"model": -old_rise, "next unit": new_rise - old_rise}
        past = _past(picked, int(model), old)
        beyond[model] = past.sum()
        for row, scope in enumerate(scopes, start=1):
            change = luck_response(picked, int(model), moved[scope])
            change = change + (share[scope] if picked.ratio else rise[scope])
            drawn[row, model] = (
                base[model] * np.exp(change) if picked.ratio else base[model] + change
            )
            shares[:, row, model] = np.maximum(
                shares[:, row, model], _past(picked, int(model), moved[scope])
            )
    supposed = replace(
        picked,
        scopes=("tested unit", *scopes),
        values=np.repeat(picked.values[tested][np.newaxis], 1 + len(scopes), axis=0),
        draws=drawn,
        statuses=(picked.statuses[tested],) * (1 + len(scopes)),
        shares=shares,
        attrs={**picked.attrs, "spread": "{}"},
    )
    return Supposed(supposed, beyond)


def _mean_luck(
    source: LabelledDraws, label: tuple[str, ...], kind: str, luck: Luck, samples: int
) -> FloatArray:
    """Draws of the mean luck of some samples; an estimated spread is one draw for all of them."""
    if luck.standard == 0.0:
        return np.zeros(source.size)
    if luck.shape == "normal" or samples == 1:
        mean = source.standard(label, luck.shape) / math.sqrt(samples)
    else:
        mean = np.mean(
            [source.standard((*label, str(k)), luck.shape) for k in range(samples)], axis=0
        )
    size: FloatArray | float = luck.standard
    if math.isfinite(luck.dof):
        size = luck.standard * source.scale((f"{kind} luck",), luck.dof)
    return np.asarray(size * mean, dtype=np.float64)


def _log(share: FloatArray) -> FloatArray:
    """Logarithm of 1 + a relative deviation, which no sample takes below a twentieth."""
    return np.log(np.maximum(0.05, 1.0 + share))


def _past(picked: Selection, model: int, luck: FloatArray) -> FloatArray:
    """Shares of draws below and above the values that the curves cover."""
    low, high = covered_luck(picked, model)
    ends = np.array([np.mean(luck < low), np.mean(luck > high)])
    rises = luck_response(picked, model, np.array([-0.25, 0.25]))
    # A rise in temperature falls with the luck: past the low end of the luck it is past its high.
    return ends if rises[1] >= rises[0] else ends[::-1]
