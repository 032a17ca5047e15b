"""What a further sample, mounting or day averages out of a result, and what stays."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import sparse

from fanstats.decisions.order import quasi_variances
from fanstats.engine.ledger import KINDS, SHARED_BY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats._typing import BoolArray, FloatArray
    from fanstats.engine.first_order import Effects
    from fanstats.engine.ledger import Ledger
    from fanstats.engine.sittings import Channel

__all__ = ["Split", "left_apart", "luck_of_one_unit", "split_by_sharing"]


class Split(NamedTuple):
    """Variances of measuring some models, by what their errors are common to; one a model.

    `floor` is what nothing bought reduces: errors that belong to a model, and what those of a meter
    leave in the differences of models; `session` one draw of the errors of a day; `days` what the
    days so far left in the models' results, variances and covariances; `sitting` and `reading` are
    of one unit put up once: what is new with each mounting, and what repeats without touching the
    fan average out.
    """

    floor: FloatArray
    session: FloatArray
    days: FloatArray
    sitting: FloatArray
    reading: FloatArray


def split_by_sharing(
    found: Effects, parts: Sequence[tuple[Channel, float]], scale: FloatArray
) -> Split:
    """Split the variance of a sum of outputs of the tested units; `scale` divides each model."""
    ledger = found.asked.ledger
    rows = _summed(found, parts, 0)
    models = found.unit_of[:, 0]
    rows = sparse.csr_array(sparse.diags_array(1.0 / scale[models]) @ rows)
    squares = sparse.csr_array(rows.multiply(rows))
    kinds = _sharing(ledger)
    taking_part = _taking_part(found, parts)
    count = np.maximum(1.0, np.bincount(models, taking_part, len(found.models)))
    mounted = taking_part * _mountings(found)

    def of_one_unit(wanted: BoolArray) -> FloatArray:
        own = np.asarray(squares[:, np.flatnonzero(wanted)].sum(axis=1)).ravel() * mounted
        return np.bincount(models, own, len(found.models)) / count

    entries = (taking_part / count[models], (models, np.arange(models.size)))
    shape = (len(found.models), models.size)
    mean = sparse.csr_array(entries, shape=shape) @ rows
    # A note of the room beside one unit alone is new with each mounting, as its reading is.
    alone = kinds["room reading"] & (np.asarray((rows != 0).sum(axis=0)).ravel() == 1)
    sitting, session = kinds["sitting"] | alone, kinds["session"] & ~alone

    def covariances(wanted: BoolArray) -> FloatArray:
        common = mean[:, np.flatnonzero(wanted)]
        return np.asarray((common @ common.T).toarray())

    return Split(
        left_apart(covariances(kinds["shared"])) + np.diag(covariances(kinds["model"])),
        of_one_unit(session),
        covariances(session),
        of_one_unit(sitting),
        of_one_unit(kinds["reading"]),
    )


def luck_of_one_unit(
    found: Effects, parts: Sequence[tuple[Channel, float]], scale: FloatArray
) -> dict[str, FloatArray]:
    """Give what one standard deviation of a unit's luck adds, by kind; signed, one a model.

    Effects of lucks that go in step would mix them: take those of a ledger without correlation.
    """
    ledger = found.asked.ledger
    base, space = ledger.label_base, ledger.label_space
    models = found.unit_of[:, 0]
    count = np.maximum(1.0, np.bincount(models, _taking_part(found, parts), len(found.models)))
    moved: dict[str, FloatArray] = {}
    for kind in KINDS:
        spread = ledger.spread.of(kind)
        if spread is None:
            continue
        own = [k for k, b in enumerate(ledger.bases) if b.label == ("spread", kind)]
        chosen = np.isin(base, own) & (space == SHARED_BY.index("unit"))
        rows = _summed(found, parts, 1)[:, np.flatnonzero(chosen)]
        total = np.bincount(models, np.asarray(rows.sum(axis=1)).ravel(), len(found.models))
        moved[kind] = total / count / scale
    return moved


def _taking_part(found: Effects, parts: Sequence[tuple[Channel, float]]) -> FloatArray:
    """Say which units have all outputs of a sum: 1 or 0."""
    return np.asarray(np.min([found.taking_part[channel] for channel, _ in parts], axis=0))


def _summed(found: Effects, parts: Sequence[tuple[Channel, float]], scope: int) -> sparse.csr_array:
    """Give the effects on a sum of outputs, unit by unit."""
    rows = sparse.csr_array((len(found.unit_of), found.asked.ledger.labels))
    for channel, weight in parts:
        held = max((k for k in range(scope + 1) if found.given(channel, k)), default=-1)
        if held >= 0:
            rows = rows + weight * found.by_unit[channel, held]
    return sparse.csr_array(rows)


def _sharing(ledger: Ledger) -> dict[str, BoolArray]:
    """Say which labels are common to all, to a day, to a model, new with a mounting, a reading."""
    space = [SHARED_BY[k] for k in ledger.label_space.tolist()]
    bases = [ledger.bases[k] for k in ledger.label_base.tolist()]
    first = [base.label[0] for base in bases]
    of_session = [
        s in ("session", "room reading") or f == "room unknown"
        for s, f in zip(space, first, strict=True)
    ]
    of_model = [
        s == "model" or f in ("slope", "airflow exponent")
        for s, f in zip(space, first, strict=True)
    ]
    scatter = [
        s == "reading"
        and (b.source.kind == "standard" if b.source is not None else b.shape == "normal")
        for s, b in zip(space, bases, strict=True)
    ]
    mounting = [
        (s in ("sitting", "reading") or f == "curve") and not shrinks
        for s, f, shrinks in zip(space, first, scatter, strict=True)
    ]
    return {
        "shared": np.array([s == "shared" for s in space], dtype=np.bool_),
        "session": np.array(of_session, dtype=np.bool_),
        "room reading": np.array([s == "room reading" for s in space], dtype=np.bool_),
        "model": np.array(of_model, dtype=np.bool_),
        "sitting": np.array(mounting, dtype=np.bool_),
        "reading": np.array(scatter, dtype=np.bool_),
    }


def _mountings(found: Effects) -> FloatArray:
    """Count the sittings that each unit's result averages over."""
    layout = found.asked.layout
    counts = []
    for row, place in found.unit_of.tolist():
        unit = layout.units[found.models[row]][place]
        read = [len(layout.quantity_sittings(unit, channel)) for channel in found.channels]
        counts.append(max(1, len(layout.noise_sittings(unit)), *read))
    return np.array(counts, dtype=np.float64)


def left_apart(covariances: FloatArray) -> FloatArray:
    """Give what errors that models share leave in their differences, one variance a model."""
    own = np.diag(covariances)
    if own.size < 2:
        return np.zeros(own.size)
    apart = np.maximum(0.0, own[:, np.newaxis] + own - 2.0 * covariances)
    return np.maximum(0.0, quasi_variances(apart))
