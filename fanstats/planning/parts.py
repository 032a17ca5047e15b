"""Estimates taken apart: what a further sample averages out of a result, and what stays."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from scipy import stats

from fanstats.decisions.order import pair_variances, quasi_variances, standard_uncertainty
from fanstats.decisions.persistent import (
    level_variance,
    persistent_variance,
    shrinking_share,
)
from fanstats.decisions.suppose import covered_luck, luck_response
from fanstats.errors import FanstatsError
from fanstats.planning.claims import Driver
from fanstats.planning.sweep_reach import Reach, reach_of_share
from fanstats.wording import listed

if TYPE_CHECKING:
    from fanstats._typing import FloatArray
    from fanstats.decisions.selection import Selection
    from fanstats.sources import Bench

__all__ = ["Parts", "reach_of", "take_apart"]

# A spread with so many times the degrees of freedom of another counts as known beside it.
_FAR_BETTER_KNOWN: Final = 3.0
_WELL_KNOWN: Final = 10.0
# Share of draws beyond what was read from which a further test may find itself beyond it too.
_NEAR_THE_ENDS: Final = 0.01
# Half the decibels over which a slope is taken, at most and at least.
_HALF_CHORD: Final = 3.0
_LEAST_CHORD: Final = 0.5
# Draws beyond the steps from which on they say how far the steps reach.
_FEWEST_BEYOND: Final = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """Variances of some models on the scale they are judged on, one entry a model.

    Attributes
    ----------
    values, tested : ndarray
        Their values, and units tested.
    luck, luck_second, luck_known : ndarray
        Sample luck of one unit: of estimated size, of another kind estimated by itself, of known
        size (all of it in `luck` where `dof` is infinite).
    sitting, reading, session : ndarray
        Measuring one unit: what is new with each sitting, what repeats in one sitting average
        out, what is new with each session.
    floor : ndarray
        What nothing reduces.
    dof : float
        Degrees of freedom behind `luck`.
    mean_square : bool
        Whether those are of a mean square that holds the measuring too.
    driver : {"first", "second", "known"}
        Which part of the luck moves the operating point: `luck`, `luck_second`, or one known.
    not_considered : tuple of str
        What could not be counted, in words.
    near_ends : tuple of str
        Those of it that are about luck past the steps read.
    """

    values: FloatArray
    tested: FloatArray
    luck: FloatArray
    luck_second: FloatArray
    luck_known: FloatArray
    sitting: FloatArray
    reading: FloatArray
    session: FloatArray
    floor: FloatArray
    dof: float
    mean_square: bool
    driver: Driver
    not_considered: tuple[str, ...]
    near_ends: tuple[str, ...]

    @property
    def beside_the_ends(self) -> tuple[str, ...]:
        """What could not be counted, but for luck past the steps read."""
        return tuple(note for note in self.not_considered if note not in self.near_ends)

    @property
    def luck_whole(self) -> FloatArray:
        """Sample luck of one unit."""
        return self.luck + self.luck_second + self.luck_known

    @property
    def one_unit(self) -> FloatArray:
        """Variance of one unit's result, which further units average out."""
        return self.luck_whole + self.sitting + self.reading


def take_apart(
    picked: Selection, models: list[int], bench: Bench | None, *, about: list[int] | None = None
) -> Parts:
    """Take the draws apart: what a further unit averages out, and what stays.

    Parameters
    ----------
    picked : Selection
        Estimates with the scopes of the tested units and of the models.
    models : list of int
        Places of the models meant.
    bench : Bench or None
        For what belongs to a model, a sitting, a session; without it all measuring is taken as
        new with each sitting.
    about : list of int, optional
        Places of the models that the plan buys; all of `models` if left out.

    Returns
    -------
    Parts

    Raises
    ------
    FanstatsError
        If a scope is missing, or a model without an estimate for the typical unit.
    """
    model, tested = picked.find("model"), picked.find("tested unit")
    if model is None or tested is None:
        msg = "`estimates` must hold the scopes 'tested unit' and 'model', as equal_noise gives."
        raise FanstatsError(msg)
    for place in models:
        if not (picked.estimable[model, place] and picked.estimable[tested, place]):
            reason = picked.reason(model, place) or picked.reason(tested, place)
            msg = (
                f"`estimates` must hold {picked.models[place]!r} for the typical unit; got: "
                f"{reason}. State the spread in the bench, or measure it with fs.unit_spread."
            )
            raise FanstatsError(msg)
    values, draws = picked.judged(model, models)
    on_bench = picked.judged(tested, models)[1]
    n = np.maximum(picked.units_tested[models], 1.0)
    floor, notes = persistent_variance(picked, models, bench)
    measured = quasi_variances(pair_variances(on_bench)) if len(models) > 1 else _own(on_bench)
    measured = np.maximum(measured, 0.0)  # quasi-variances of like models may fall below 0
    luck = _luck(picked, models, (draws - on_bench) * np.sqrt(n)[:, None])
    one_unit = np.maximum(measured - floor, 0.0) * n
    sitting, reading = _measuring(picked, models, bench, one_unit)
    near = tuple(_near_the_ends(picked, models if about is None else about))
    return Parts(
        values=values,
        tested=n,
        luck=luck.estimated,
        luck_second=luck.second,
        luck_known=luck.known,
        sitting=sitting,
        reading=reading,
        session=np.zeros(len(models))
        if bench is None
        else level_variance(picked, models, bench, "session"),
        floor=np.minimum(floor, measured),
        dof=luck.dof,
        mean_square=luck.mean_square,
        driver=luck.driver,
        not_considered=(*picked.listed("not_considered"), *notes, *near),
        near_ends=near,
    )


def _near_the_ends(picked: Selection, models: list[int]) -> list[str]:
    """Say of which models many draws lie beyond what was read: later tests may settle nothing."""
    near = picked.shares[:, picked.scope("model"), models].max(axis=0) > _NEAR_THE_ENDS
    names = [picked.models[place] for place, is_near in zip(models, near, strict=True) if is_near]
    if not names:
        return []
    return [
        f"that the steps read of {listed(names)} hardly reach as far as sample luck does: a range "
        "that data do not cover settles nothing, so read further steps"
    ]


def _own(draws: FloatArray) -> FloatArray:
    """Variance of a model that stands alone: errors shared with others count in full."""
    return np.array([standard_uncertainty(row) ** 2 for row in draws])


def _measuring(
    picked: Selection, models: list[int], bench: Bench | None, one_unit: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Split the measuring of one unit into what each sitting and what each reading brings."""
    if bench is None:
        return one_unit, np.zeros(len(models))
    sitting = np.minimum(level_variance(picked, models, bench, "sitting"), one_unit)
    reading = (one_unit - sitting) * shrinking_share(picked, models, bench)
    return one_unit - reading, reading


# --- sample luck -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Luck:
    estimated: FloatArray
    second: FloatArray
    known: FloatArray
    dof: float
    mean_square: bool = False
    driver: Driver = "known"


def _luck(picked: Selection, models: list[int], draws: FloatArray) -> _Luck:
    """Variance of one unit's luck; `draws` of it, one row a model."""
    record, kinds = _record(picked), _kinds(picked)
    dofs = {kind: _dof(record, kind) for kind in kinds}
    least = min(dofs.values(), default=math.inf)
    none = np.zeros(len(models))
    if math.isinf(least):
        whole = np.array([standard_uncertainty(row) ** 2 for row in draws])
        return _Luck(estimated=whole, second=none, known=none, dof=math.inf)
    parts = _by_kind(picked, models, record, draws, least)
    limit = max(_WELL_KNOWN, _FAR_BETTER_KNOWN * least)
    known = sum((part for kind, part in parts.items() if dofs[kind] >= limit), none)
    rough = {kind: part for kind, part in parts.items() if dofs[kind] < limit and part.any()}
    if not rough:  # the poorly known kind plays no part in this quantity
        return _Luck(estimated=known, second=none, known=none, dof=math.inf)
    order = sorted(rough, key=lambda kind: -float(rough[kind].sum()))
    larger, smaller = (*(rough[kind] for kind in order), none)[:2]
    places: tuple[Driver, Driver] = ("first", "second")
    driver: Driver = "known" if kinds[0] not in order else places[order.index(kinds[0])]
    whole_results = any(record[kind].get("kind") == "mean square" for kind in rough)
    return _Luck(
        estimated=larger, second=smaller, known=known, dof=least, mean_square=whole_results,
        driver=driver,
    )  # fmt: skip


def _by_kind(
    picked: Selection,
    models: list[int],
    record: dict[str, dict[str, Any]],
    draws: FloatArray,
    least: float,
) -> dict[str, FloatArray]:
    """Variance of one unit's luck, kind by kind."""
    kinds = _kinds(picked)
    found: dict[str, FloatArray] = {}
    values = picked.values[picked.scope("model"), models]
    for kind in kinds[-1:]:
        size = float(record[kind]["standard"])
        scaled = size * values if kind in ("speed", "airflow") and not picked.ratio else size
        found[kind] = np.broadcast_to(np.square(scaled), len(models)).astype(float)
    if picked.attrs.get("kind") == "equal noise":
        slopes = _steady_slopes(picked, models)
        found["noise"] = np.square(slopes * float(record["noise"]["standard"]))
    if set(found) == set(kinds) and all(np.isfinite(part).all() for part in found.values()):
        return found
    # Where no slope is recorded: the whole as drawn, and what is not its own is the driver's.
    whole = np.array([_core_variance(row, least) for row in draws])
    if len(kinds) == 1:
        return {kinds[0]: whole}
    own = np.minimum(found[kinds[-1]], whole)
    return {kinds[0]: whole - own, kinds[-1]: own}


def _steady_slopes(picked: Selection, models: list[int]) -> FloatArray:
    """Change of each model's result with one decibel, over as much of the sweep as there is.

    One sweep's slope at one place is known to 12 % or so, and a plan made from it is off by as
    much; over 3 dB to either side it is known to 6 %, and a bend cancels.
    """
    found = []
    for place in models:
        low, high = covered_luck(picked, place)
        half = min(_HALF_CHORD, max(_LEAST_CHORD, min(-low, high)))
        ends = luck_response(picked, place, np.array([-half, half]))
        found.append(np.diff(ends)[0] / (2.0 * half))
    return np.array(found)


def _core_variance(draws: FloatArray, dof: float) -> float:
    """Variance of luck at the spread as stated, not widened by its degrees of freedom."""
    low, high = np.quantile(draws, [0.25, 0.75])
    return float((high - low) / (2 * stats.t.ppf(0.75, dof))) ** 2


def _kinds(picked: Selection) -> tuple[str, ...]:
    """Kinds of luck that move the quantity: what the models are matched by, and its own last."""
    driver = {"equal noise": "noise", "equal drive": "speed"}.get(str(picked.attrs.get("kind")))
    own = {"temperature_rise": "temperature", "speed": driver}.get(picked.name, picked.name)
    found = tuple(dict.fromkeys(kind for kind in (driver, own) if kind))
    record = _record(picked)
    return tuple(kind for kind in found if record.get(kind))


def _record(picked: Selection) -> dict[str, dict[str, Any]]:
    try:
        spread = json.loads(picked.attrs.get("spread", "{}"))
    except (TypeError, ValueError):
        return {}
    return {str(kind): entry for kind, entry in spread.items() if entry}


def _dof(record: dict[str, dict[str, Any]], kind: str) -> float:
    stated = record.get(kind, {}).get("dof")
    return math.inf if stated is None else float(stated)


# --- how far the steps reach -------------------------------------------------------------------


def reach_of(picked: Selection, pair: list[int], parts: Parts, sign: float) -> Reach | None:
    """Give how far the steps of two models reach, on the sides that a claim rests on.

    Parameters
    ----------
    picked : Selection
    pair : list of int
        Places of the two models.
    parts : Parts
        Of the same two.
    sign : float
        1 where the first is the one to lead, -1 where the second is.

    Returns
    -------
    Reach or None
        None where the quantity is not matched by anything that luck moves.
    """
    driver = {"equal noise": "noise", "equal drive": "speed"}.get(str(picked.attrs.get("kind")))
    record = _record(picked).get(driver or "")
    if not record or not float(record.get("standard") or 0.0) > 0:
        return None
    dof = _dof({"": record}, "")
    # The lower limit of the gap rests on the low end of the one that leads and the other's high.
    low, high = (0, 1) if sign > 0 else (1, 0)
    ends = [
        _reach(picked, place, side, int(tested), dof, float(record["standard"]))
        for place, side, tested in zip(pair, (low, high), parts.tested, strict=True)
    ]
    return Reach(ends=(ends[0], ends[1]), driver=parts.driver)


def _reach(
    picked: Selection, place: int, side: int, tested: int, dof: float, spread: float
) -> float:
    """In standard deviations: from draws beyond the steps; where they are few, from the curve."""
    share = float(picked.shares[side, picked.scope("model"), place])
    if share * picked.draws.shape[-1] >= _FEWEST_BEYOND:
        return reach_of_share(min(share, 0.5), tested, dof)
    if picked.attrs.get("kind") != "equal noise":
        return math.inf
    covered = covered_luck(picked, place)
    steps = np.array([-0.5, 0.5])
    rises = float(np.diff(luck_response(picked, place, steps))[0]) > 0
    found = covered[side if rises else 1 - side]
    return abs(found) / spread if math.isfinite(found) else math.inf
