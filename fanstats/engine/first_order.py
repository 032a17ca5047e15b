"""The first-order road of JCGM 100: what every label of the ledger moves every result by."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import sparse, stats

from fanstats._arguments import fraction
from fanstats.engine.draws import STEP, Stepped
from fanstats.engine.points import read_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from fanstats._typing import FloatArray, IntArray
    from fanstats.engine.layout import Block
    from fanstats.engine.points import Asked
    from fanstats.engine.sittings import Channel

__all__ = [
    "Effects",
    "coverage_factor",
    "dof_by_source",
    "effects_of",
]

# Alike models differentiated in one array.
_TOGETHER: Final = 128


@dataclass(frozen=True, kw_only=True, eq=False)
class Effects:
    """What one standard uncertainty of every label moves the results of some models by.

    Attributes
    ----------
    asked : Asked
    models : tuple of int
        Places of the models.
    channels : tuple of (str, str)
        Quantities and obstructions.
    by_unit : dict of (channel, scope) to csr_array, shape (unit, label)
        Signed, unit by unit, before they are averaged; a scope that cannot be given has none.
    unit_of : ndarray of int, shape (unit, 2)
        Place of each unit's model in `models`, and of the unit in its model.
    """

    asked: Asked
    models: tuple[int, ...]
    channels: tuple[Channel, ...]
    by_unit: dict[tuple[Channel, int], sparse.csr_array]
    taking_part: dict[Channel, FloatArray]
    unit_of: IntArray

    def of(self, channel: Channel, scope: int) -> sparse.csr_array:
        """Give the effects on models, shape (model, label): the mean over the units of each."""
        taking_part = self.taking_part[channel]
        count = np.bincount(self.unit_of[:, 0], taking_part, len(self.models))
        share = taking_part / np.maximum(count, 1.0)[self.unit_of[:, 0]]
        entries = (share, (self.unit_of[:, 0], np.arange(share.size)))
        mean = sparse.csr_array(entries, shape=(len(self.models), share.size))
        return sparse.csr_array(mean @ self.by_unit[channel, scope])

    def given(self, channel: Channel, scope: int) -> bool:
        """Say whether a scope has effects."""
        return (channel, scope) in self.by_unit

    @cached_property
    def _sources(self) -> tuple[sparse.csr_array, FloatArray]:
        """Gather labels whose size is one estimate: (label, source), and its degrees of freedom."""
        dof, base = self.asked.ledger.dof_of_labels(), self.asked.ledger.label_base
        limited = np.flatnonzero(np.isfinite(dof))
        known, place = np.unique(base[limited], return_inverse=True)
        limits = np.zeros(known.size)
        limits[place] = dof[limited]
        entries = (np.ones(limited.size), (limited, place))
        shape = (dof.size, known.size)
        return sparse.csr_array(entries, shape=shape), limits

    def standard_uncertainty(self, effects: sparse.csr_array) -> FloatArray:
        """Give the combined standard uncertainty of each row."""
        squares = np.asarray(effects.multiply(effects).sum(axis=1), dtype=np.float64)
        return np.asarray(np.sqrt(squares.ravel()))

    def dof(self, effects: sparse.csr_array) -> FloatArray:
        """Give the effective degrees of freedom of each row."""
        squares = sparse.csr_array(effects.multiply(effects))
        sources, limits = self._sources
        return welch_satterthwaite(
            np.asarray(squares.sum(axis=1)).ravel(), (squares @ sources).toarray(), limits
        )


def effects_of(asked: Asked, channels: Sequence[Channel], models: Sequence[int]) -> Effects:
    """Differentiate the results of some models along every input, and gather by label.

    With sensitivities J (output, input) and coefficients C (input, label), effects are E = J C: an
    error that reaches a result along several ways is added up before anything is squared.
    """
    layout, ledger = asked.layout, asked.ledger
    place = {model: k for k, model in enumerate(models)}
    units = [(k, u) for model, k in place.items() for u in range(len(layout.units[model]))]
    row_of = {pair: row for row, pair in enumerate(units)}
    parts: dict[tuple[Channel, int], list[tuple[IntArray, IntArray, FloatArray]]] = {}
    taking_part = {channel: np.zeros(len(units)) for channel in channels}
    for block in asked.blocks(models, _TOGETHER):
        if block.abscissa is None:
            continue
        x, columns = _stepped(asked, block)
        found = read_points(x, asked, block, channels)
        for channel, results in found.items():
            inputs = columns(channel)
            for unit, points in results:
                rows = np.array([row_of[place[model], unit] for model in block.models])
                taking_part[channel][rows] = 1.0
                shape = (points.at.shape[0], len(block.models), x.size)
                moved = np.broadcast_to(points.at, shape).imag / STEP
                for scope in range(shape[0]):
                    some = np.nonzero(moved[scope] * (inputs >= 0))
                    entry = (rows[some[0]], inputs[some], moved[scope][some])
                    parts.setdefault((channel, scope), []).append(entry)
    size = (len(units), ledger.value.size)
    return Effects(
        asked=asked,
        models=tuple(models),
        channels=tuple(channels),
        by_unit={
            key: sparse.csr_array(_joined(entries, size) @ ledger.matrix)
            for key, entries in parts.items()
        },
        taking_part=taking_part,
        unit_of=np.array(units, dtype=np.intp).reshape(-1, 2),
    )


def _joined(
    entries: Sequence[tuple[IntArray, IntArray, FloatArray]], size: tuple[int, int]
) -> sparse.csr_array:
    rows, columns, values = (np.concatenate([e[k] for e in entries]) for k in range(3))
    return sparse.csr_array((values, (rows, columns)), shape=size)


class _Columns:
    """Which input each column moves, model by model, for one channel: shape (model, column)."""

    def __init__(
        self, arrays: list[tuple[IntArray, Channel | None]], slots: dict[int, IntArray], size: int
    ) -> None:
        self._arrays, self._slots, self._size = arrays, slots, size

    def __call__(self, channel: Channel) -> IntArray:
        models = max(ids.shape[-1] for ids, _ in self._arrays)
        found = np.full((models, self._size), -1, dtype=np.intp)
        for ids, only in self._arrays:
            if only is None or only == channel:
                wide = ids.reshape(-1, ids.shape[-1])
                slots = self._slots[id(ids)].reshape(wide.shape)
                found[np.broadcast_to(np.arange(models), wide.shape), slots] = wide
        return found


def _stepped(asked: Asked, block: Block) -> tuple[Stepped, _Columns]:
    """Give every input of a block a column; those of different obstructions share theirs."""
    arrays = list({id(ids): (ids, only) for ids, only in block.inputs()}.values())
    common = [ids for ids, only in arrays if only is None]
    slots, size = _numbered(common, 0)
    own: dict[Channel, list[IntArray]] = {}
    for ids, only in arrays:
        if only is not None:
            own.setdefault(only, []).append(ids)
    whole = size
    for held in own.values():
        found, end = _numbered(held, size)
        slots |= found
        whole = max(whole, end)
    return Stepped(asked.ledger, slots, whole), _Columns(arrays, slots, whole)


def _numbered(arrays: Sequence[IntArray], first: int) -> tuple[dict[int, IntArray], int]:
    """Give inputs numbers model by model: one that stands in several places has one."""
    if not arrays:
        return {}, first
    wide = [ids.reshape(-1, ids.shape[-1]) for ids in arrays]
    stacked = np.concatenate(wide)
    owner = np.broadcast_to(np.arange(stacked.shape[1]), stacked.shape)
    whole = owner * (int(stacked.max(initial=0)) + 1) + stacked
    _, head, back = np.unique(whole, return_index=True, return_inverse=True)
    slot = (head // stacked.shape[1])[back].reshape(stacked.shape)
    used, slot = np.unique(slot, return_inverse=True)
    slot = slot.reshape(stacked.shape) + first
    ends = np.cumsum([len(ids) for ids in wide])
    parts = np.split(slot, ends[:-1])
    shaped = {id(ids): part.reshape(ids.shape) for ids, part in zip(arrays, parts, strict=True)}
    return shaped, first + used.size


# Degrees of freedom and factors -------------------------------------------------------------------


def welch_satterthwaite(variance: FloatArray, by_source: FloatArray, dof: FloatArray) -> FloatArray:
    """Give effective degrees of freedom of variances, parts of which are estimates.

    `by_source` has a last axis more, over sources of `dof` degrees of freedom. Infinite where no
    part that counts is limited; NaN where nothing is uncertain, for then there is nothing to have
    degrees of freedom.

    References
    ----------
    JCGM 100:2008, G.4.1, equation (G.2b).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = np.sum(np.square(by_source) / dof, axis=-1)
        found = np.where(loss > 0, np.square(variance) / loss, np.inf)
    return np.asarray(np.where(variance > 0, found, np.nan))


def dof_by_source(effects: FloatArray, place: IntArray, dof: ArrayLike) -> FloatArray:
    """Give effective degrees of freedom when all errors of one source share one estimated size.

    The formula of JCGM 100:2008, G.4.1 takes the variances of independent estimates. Two readings
    whose scatter is one pooled ``s`` are one estimate: their variances are added first. So ``x +
    x`` and ``2 x``, and ten readings as well as one, have the degrees of freedom of the pool.

    Examples
    --------
    >>> dof_by_source(np.array([0.5, 0.2]), np.array([0, 1]), [np.inf, 2]).round(3)
    np.float64(105.125)
    """
    limits = np.asarray(dof, dtype=np.float64)
    squares = np.square(effects)
    limited = np.flatnonzero(np.isfinite(limits))
    parts = [squares[..., place == source].sum(axis=-1) for source in limited]
    by_source = np.stack(parts, axis=-1) if parts else np.zeros((*squares.shape[:-1], 0))
    return welch_satterthwaite(squares.sum(axis=-1), by_source, limits[limited])[()]


def coverage_factor(dof: ArrayLike, probability: float = 0.95) -> FloatArray:
    """Give the factor that turns a combined standard uncertainty into an expanded one.

    The two-sided point of Student's t; of the normal where `dof` is infinite. NaN stays NaN.

    References
    ----------
    JCGM 100:2008, G.3 and Table G.2.

    Examples
    --------
    >>> coverage_factor(16, 0.99).round(2)
    np.float64(2.92)
    """
    tail = 0.5 * (1.0 + fraction("probability", probability))
    nu = np.asarray(dof, dtype=np.float64)
    return np.asarray(np.where(np.isinf(nu), stats.norm.ppf(tail), stats.t.ppf(tail, nu)))[()]
