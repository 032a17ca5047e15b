"""Estimates taken apart: what a further sample averages out of a result, and what stays."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import gammaln

from fanstats.assumed import not_considered
from fanstats.decisions.rerun import answer_behind, effects_behind, places_in, planned_for
from fanstats.decisions.split import left_apart, luck_of_one_unit, split_by_sharing
from fanstats.engine.answers import with_spread
from fanstats.engine.draws import Still
from fanstats.engine.points import Points, mean_points, read_points
from fanstats.engine.sittings import Channel
from fanstats.errors import FanstatsError
from fanstats.planning.claims import Driver
from fanstats.planning.sweep_reach import Reach, reach_of_share
from fanstats.sources import UnitSpread
from fanstats.wording import listed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats._typing import FloatArray
    from fanstats.decisions.selection import Selection
    from fanstats.engine.answers import Answer
    from fanstats.engine.ledger import SpreadKind
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
# Noise luck of a unit, dB, over which a response to it is followed.
_LUCK: Final = np.arange(-6.0, 6.25, 0.5)
_DRIVERS: Final[Mapping[str, SpreadKind]] = {"equal noise": "noise", "equal drive": "speed"}
_OWN: Final[Mapping[str, SpreadKind]] = {
    "airflow": "airflow", "noise": "noise", "temperature_rise": "temperature",
}  # fmt: skip
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
    days : ndarray, shape (models, models)
        What the sessions so far left in the results, variances and covariances.
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
    days: FloatArray
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
    def measuring(self) -> FloatArray:
        """Variance of measuring one unit; where models were tested on other days, of its day too.

        Errors of a day that all were tested on are common to them.
        """
        return self.sitting + self.reading + left_apart(self.days) * self.tested

    @property
    def one_unit(self) -> FloatArray:
        """Variance of one unit's result, which further units average out."""
        return self.luck_whole + self.measuring


def take_apart(
    picked: Selection, models: list[int], bench: Bench | None, *, about: list[int] | None = None
) -> Parts:
    """Take results apart: what a further unit averages out, and what stays.

    Parameters
    ----------
    picked : Selection
        Estimates with the scopes of the tested units and of the models.
    models : list of int
        Places of the models meant.
    bench : Bench or None
        A bench to plan for; None is the one that the estimates were made with. Sample luck that
        it does not state is that of the estimates.
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
    _check(picked, models)
    found = planned_for(picked, bench)
    values = picked.values[picked.scope("model"), models]
    scale = values if picked.ratio else np.ones(len(models))
    effects = effects_behind(picked, found, models)
    split = split_by_sharing(effects, picked.parts, scale)
    luck = _luck(picked, found, models, luck_of_one_unit(effects, picked.parts, scale))
    near = tuple(_near_the_ends(picked, models if about is None else about))
    return Parts(
        values=np.log(values) if picked.ratio else values,
        tested=np.maximum(picked.units_tested[models], 1.0),
        luck=luck.estimated,
        luck_second=luck.second,
        luck_known=luck.known,
        sitting=split.sitting,
        reading=split.reading,
        session=split.session,
        days=split.days,
        floor=split.floor,
        dof=luck.dof,
        mean_square=luck.mean_square,
        driver=luck.driver,
        not_considered=(*_not_considered(picked, found), *near),
        near_ends=near,
    )


def _check(picked: Selection, models: list[int]) -> None:
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


def _not_considered(picked: Selection, found: Answer) -> tuple[str, ...]:
    """List what the bench planned for leaves out, in words."""
    if found.bench == answer_behind(picked).bench:
        return picked.listed("not_considered")
    return tuple(not_considered(found.asked[0], found.outputs))


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


# --- sample luck -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Luck:
    estimated: FloatArray
    second: FloatArray
    known: FloatArray
    dof: float
    mean_square: bool = False
    driver: Driver = "known"


def _luck(
    picked: Selection, found: Answer, models: list[int], moved: dict[str, FloatArray]
) -> _Luck:
    """Give the variance of one unit's luck, by how well its size is known."""
    spread = found.bench.spread
    kinds = _kinds(picked, spread)
    if "noise" in kinds and picked.attrs.get("kind") == "equal noise":
        steady = _steady_slopes(picked, found, models) * _standard(spread, "noise")
        moved["noise"] = np.where(np.isfinite(steady), steady, moved["noise"])
    parts = {kind: np.square(moved[kind]) for kind in kinds}
    none = np.zeros(len(models))
    whole = sum(parts.values(), none)
    if {"noise", "airflow"} <= set(kinds):
        # Luck in both goes together: what they add up to is shared out between them.
        together = spread.correlation * _sizes_together(spread)
        both = whole + 2.0 * together * moved["noise"] * moved["airflow"]
        ratio = np.divide(both, whole, out=np.ones(len(models)), where=whole > 0)
        parts = {kind: part * np.maximum(0.0, ratio) for kind, part in parts.items()}
    dofs = {kind: source.dof for kind in kinds if (source := spread.of(kind)) is not None}
    least = min(dofs.values(), default=math.inf)
    if math.isinf(least):
        return _Luck(estimated=sum(parts.values(), none), second=none, known=none, dof=math.inf)
    limit = max(_WELL_KNOWN, _FAR_BETTER_KNOWN * least)
    known = sum((part for kind, part in parts.items() if dofs[kind] >= limit), none)
    rough = {kind: part for kind, part in parts.items() if dofs[kind] < limit and part.any()}
    if not rough:  # the poorly known kind plays no part in this quantity
        return _Luck(estimated=known, second=none, known=none, dof=math.inf)
    order = sorted(rough, key=lambda kind: -float(rough[kind].sum()))
    larger, smaller = (*(rough[kind] for kind in order), none)[:2]
    places: tuple[Driver, Driver] = ("first", "second")
    driver: Driver = "known" if kinds[0] not in order else places[order.index(kinds[0])]
    sources = [spread.of(kind) for kind in rough]
    return _Luck(
        estimated=larger,
        second=smaller,
        known=known,
        dof=least,
        mean_square=any(s is not None and s.kind == "mean square" for s in sources),
        driver=driver,
    )


def _sizes_together(spread: UnitSpread) -> float:
    """Give how far luck in noise and airflow cancels where their sizes are estimates of their own.

    With true sizes of ``k1`` and ``k2`` times those estimated, variances grow by ``E k**2`` and
    what is common to both by ``E k1 E k2``, which is less.
    """
    sources = (spread.of("noise"), spread.of("airflow"))
    dofs = [source.dof for source in sources if source is not None and math.isfinite(source.dof)]
    # E k = sqrt(nu / 2) gamma((nu - 1) / 2) / gamma(nu / 2), and E k**2 = nu / (nu - 2).
    shares = [
        math.exp(gammaln((nu - 1) / 2) - gammaln(nu / 2)) * math.sqrt((nu - 2) / 2)
        if nu > 2
        else 0.0
        for nu in dofs
    ]
    return math.prod(shares)


def _standard(spread: UnitSpread, kind: SpreadKind) -> float:
    source = spread.of(kind)
    if source is None:
        return math.nan
    total = (source.absolute + source.relative) ** 2 - source.removed_variance
    return math.sqrt(max(0.0, total))


def _steady_slopes(picked: Selection, found: Answer, models: list[int]) -> FloatArray:
    """Change of each model's result with one decibel, over as much of the sweep as there is.

    One sweep's slope at one place is known to 12 % or so, and a plan made from it is off by as
    much; over 3 dB to either side it is known to 6 %, and a bend cancels. NaN where the sweep
    reaches less than half a decibel to both sides.
    """
    slopes = []
    for place in models:
        luck, values = _response(picked, found, place)
        inside = np.isfinite(values)
        known = luck[inside]
        if known.size < 2:
            slopes.append(math.nan)
            continue
        half = min(_HALF_CHORD, max(_LEAST_CHORD, min(-known[0], known[-1])))
        ends = np.clip([-half, half], known[0], known[-1])
        slopes.append(np.diff(np.interp(ends, known, values[inside]))[0] / np.diff(ends)[0])
    return np.array(slopes)


def _response(picked: Selection, found: Answer, place: int) -> tuple[FloatArray, FloatArray]:
    """Give a model's result against noise luck, on the scale models are judged on."""
    luck, values = _responses(found, picked.parts, places_in(picked, found, [place])[0])
    if picked.ratio:
        with np.errstate(invalid="ignore", divide="ignore"):
            return luck, np.where(values > 0, np.log(values), np.nan)
    return luck, values


def _responses(
    found: Answer, parts: Sequence[tuple[Channel, float]], model: int
) -> tuple[FloatArray, FloatArray]:
    """Give a sum of outputs of a model against noise luck of its units.

    Returns the luck in dB and the values at the readings as read, NaN past what was read.
    """
    asked = found.asked[0]
    # A spread of 0 stands for one that is known: luck is then undone in the scope of the model.
    nothing = UnitSpread(noise=0, airflow=0, speed=0, temperature=0)
    ledger = with_spread(asked, nothing)
    block = asked.blocks([model])[0]
    places = [int(unit.luck["noise"][0]) for unit in block.units]
    values = np.zeros(_LUCK.size)
    for k, luck in enumerate(_LUCK):
        moved = ledger.value.copy()
        moved[places] = luck
        still = Still(replace(ledger, value=moved))
        own = asked.with_ledger(still.ledger)
        read = read_points(still, own, block, [channel for channel, _ in parts])
        for channel, weight in parts:
            values[k] += weight * _inside(read[channel])
    return _LUCK, values


def _inside(found: Sequence[tuple[int, Points]]) -> float:
    """Give the value of a model, NaN past the ends of what was read."""
    if not found:
        return float("nan")
    here = mean_points([points for _, points in found])
    scope = min(1, here.at.shape[0] - 1)
    past = here.below[scope, 0, 0] | here.above[scope, 0, 0]
    return float("nan") if past else float(here.at[scope, 0, 0])


def _covered(luck: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Give the noise luck, in dB, between which a model's curves were read.

    Halfway from the last step followed to the first one that is not; infinite where the curves
    reach further than anybody asks.
    """
    known = luck[np.isfinite(values)]
    if not known.size:
        return math.nan, math.nan
    half = float(np.diff(luck).mean()) / 2.0
    low, high = float(known.min()), float(known.max())
    return (
        -math.inf if low <= luck[0] else low - half,
        math.inf if high >= luck[-1] else high + half,
    )


def _kinds(picked: Selection, spread: UnitSpread) -> tuple[SpreadKind, ...]:
    """Kinds of luck that move the quantity: what the models are matched by, and its own last."""
    driver = _DRIVERS.get(str(picked.attrs.get("kind")))
    names = dict.fromkeys(name for (name, _), _ in picked.parts)
    own = [driver if name == "speed" else _OWN.get(name) for name in names]
    found = dict.fromkeys(kind for kind in (driver, *own) if kind is not None)
    return tuple(kind for kind in found if spread.of(kind) is not None)


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
    driver = _DRIVERS.get(str(picked.attrs.get("kind")))
    found = answer_behind(picked)
    source = None if driver is None else found.bench.spread.of(driver)
    if driver is None or source is None or not _standard(found.bench.spread, driver) > 0:
        return None
    spread = _standard(found.bench.spread, driver)
    # The lower limit of the gap rests on the low end of the one that leads and the other's high.
    low, high = (0, 1) if sign > 0 else (1, 0)
    ends = [
        _reach(picked, found, place, side, int(tested), source.dof, spread)
        for place, side, tested in zip(pair, (low, high), parts.tested, strict=True)
    ]
    return Reach(ends=(ends[0], ends[1]), driver=parts.driver)


def _reach(
    picked: Selection,
    found: Answer,
    place: int,
    side: int,
    tested: int,
    dof: float,
    spread: float,
) -> float:
    """In standard deviations: from draws beyond the steps; where they are few, from the curve."""
    share = float(picked.shares[side, picked.scope("model"), place])
    if share * picked.draws.shape[-1] >= _FEWEST_BEYOND:
        return reach_of_share(min(share, 0.5), tested, dof)
    if picked.attrs.get("kind") != "equal noise":
        return math.inf
    luck, values = _response(picked, found, place)
    inside = np.isfinite(values)
    rises = np.diff(np.interp([-0.5, 0.5], luck[inside], values[inside]))[0] > 0
    reached = _covered(luck, values)[side if rises else 1 - side]
    return abs(reached) / spread if math.isfinite(reached) else math.inf
