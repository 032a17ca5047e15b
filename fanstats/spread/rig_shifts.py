"""How one rig reads beside another, from the models that sat on both: one kind at a time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.special import chdtrc

from fanstats._typing import FloatArray
from fanstats.spread.component_intervals import satterthwaite_dof
from fanstats.spread.measured_bench import own_spread
from fanstats.spread.offsets import Offsets, SpreadKind
from fanstats.spread.side_by_side import Spreading, side_by_side, spreading
from fanstats.spread.taken_out import RELATIVE
from fanstats.wording import listed, per_hundred

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.sources import Bench

__all__ = ["FROM_SCATTER", "Shift", "shift_of"]

# Policy: from so many models on their own scatter says how uncertain the shift is.
FROM_SCATTER: Final = 4
# What is stated is called into question where so large a scatter comes up less often than this.
_CONTRADICTED: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shift:
    """How much too high one rig reads beside another.

    Attributes
    ----------
    rig, kind, obstruction
        What is shifted.
    log : float
        The shift: dB, K, or a logarithm.
    u, dof : float
        Its standard uncertainty and degrees of freedom.
    models : tuple of str
        Models tested on both.
    differences : ndarray, shape (model,)
        What each shows.
    between_models : float
        Variance from model to model beyond the errors of reading, negative where it came out so;
        NaN where fewer than 3 models tell.
    between_dof : float
        Its degrees of freedom.
    how : str
        Where `u` is from.
    notes : tuple of str
        What is to be known.
    """

    rig: str
    kind: SpreadKind
    obstruction: str | None
    log: float
    u: float
    dof: float
    models: tuple[str, ...]
    differences: FloatArray
    between_models: float
    between_dof: float
    how: str
    notes: tuple[str, ...]

    @property
    def shift(self) -> float:
        """The shift as a fraction, or as it stands."""
        return math.expm1(self.log) if self.kind in RELATIVE else self.log


def shift_of(
    readings: xr.Dataset,
    bench: Bench,
    kind: SpreadKind,
    rig: str,
    onto: str,
    *,
    curve: CurveKind = "smooth",
    obstruction: str | None = None,
) -> Shift | str:
    """Estimate how much too high one rig reads beside another.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`; of one obstruction where `obstruction` names it.
    bench : Bench
        What is stated about the instruments.
    kind : {"noise", "airflow", "speed", "temperature"}
        What is compared.
    rig, onto : str
        The two rigs.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.
    obstruction : str, optional
        For the result.

    Returns
    -------
    Shift or str
        The reason, where no model tells.
    """
    parts = side_by_side(readings, bench, kind, keep=lambda s: s.rig in (rig, onto), curve=curve)
    compared = [part for part in parts if isinstance(part, Offsets) and {rig, onto} <= {*part.rigs}]
    if not compared:
        reasons = [p for p in parts if isinstance(p, str) and not p.startswith("read in one")]
        return reasons[0] if reasons else "no model was read on both rigs"
    pairs = [_weights(part, rig, onto) for part in compared]
    differences = np.array(
        [float(w @ part.values) for (w, _), part in zip(pairs, compared, strict=True)]
    )
    luck = _luck(bench, kind, np.array([samples for _, samples in pairs]))
    if luck is None and len(compared) < FROM_SCATTER:
        names = listed(part.model for part, (_, n) in zip(compared, pairs, strict=True) if n > 0)
        return (
            f"{names} sat on the two rigs with different samples, and how samples differ is not "
            f"stated (spread: {kind}). State it, or test one sample on both"
        )
    rows = [
        np.where(np.arange(len(compared))[:, None] == place, w[None, :], 0.0)
        for place, (w, _) in enumerate(pairs)
    ]
    # A calibration is what the bridge takes out, whatever it is.
    stated = spreading(compared, rows, bench, ("shared",))
    models = tuple(part.model for part in compared)
    notes = [
        f"{kind}: {listed(names)} sat on rigs {rig} and {onto} with different samples, whose luck "
        "lies in the bridge"
        for names in [[m for m, (_, samples) in zip(models, pairs, strict=True) if samples > 0]]
        if names
    ]
    return _judged(kind, rig, onto, obstruction, models, differences, stated, luck, bench, notes)


class _Luck(NamedTuple):
    """Sample luck in the differences, models of which different samples sat on the rigs."""

    variances: FloatArray
    dof: float


def _luck(bench: Bench, kind: SpreadKind, samples: FloatArray) -> _Luck | None:
    """Give what sample luck adds to each difference; None where that is not stated."""
    if not samples.any():
        return _Luck(samples, math.inf)
    spread = bench.spread.of(kind)
    if spread is None:
        return None
    sd, dof = own_spread(spread)
    return _Luck(samples * sd**2, dof)


def _weights(part: Offsets, rig: str, onto: str) -> tuple[FloatArray, float]:
    """Weigh a model's sittings into one difference, samples alike.

    The second number is how many times the variance of one sample's luck is in it: 0 where the
    same samples sat on both rigs.
    """
    units, rigs = np.array(part.units), np.array(part.rigs)
    both = [unit for unit in dict.fromkeys(part.units)
            if {rig, onto} <= {*rigs[units == unit]}]  # fmt: skip
    weights, samples = np.zeros(units.size), 0.0
    for name, sign in ((rig, 1.0), (onto, -1.0)):
        chosen = both or list(dict.fromkeys(units[rigs == name].tolist()))
        samples += 0.0 if both else 1.0 / len(chosen)
        for unit in chosen:
            here = (units == unit) & (rigs == name)
            weights[here] = sign / here.sum() / len(chosen)
    return weights, samples


class _Known(NamedTuple):
    """Uncertainty of a mean difference."""

    u: float
    dof: float
    how: str


def _judged(
    kind: SpreadKind,
    rig: str,
    onto: str,
    obstruction: str | None,
    models: tuple[str, ...],
    differences: FloatArray,
    stated: Spreading,
    luck: _Luck | None,
    bench: Bench,
    notes: list[str],
) -> Shift:
    count = differences.size
    covariance = stated.covariance
    common = _common(covariance)
    scatter = float(np.var(differences, ddof=1)) if count > 1 else math.nan
    chance = 0.0 if luck is None else float(luck.variances.mean())
    own = float(np.mean(np.diag(covariance))) - common + chance
    known = (
        _from_scatter(stated, scatter, common)
        if luck is None or count >= FROM_SCATTER
        else _from_statements(stated, luck)
    )
    unstated = _unstated_models(bench, kind, rig, onto)
    if count < FROM_SCATTER and unstated:
        notes.append(
            f"{kind}: {count} model{'s' if count > 1 else ''} cannot tell how differently models "
            f"answer to rigs {rig} and {onto}, and nothing states it (level of sharing 'model'): "
            f"not considered. {FROM_SCATTER} models tested on both would tell"
        )
    elif not unstated and count > 1 and luck is not None:
        notes += _contradiction(kind, rig, scatter, own, count)
    tells = count > 2
    reading = own - _model_part(stated)
    raw = scatter - reading if tells else math.nan
    return Shift(
        rig=rig,
        kind=kind,
        obstruction=obstruction,
        log=float(differences.mean()),
        u=known.u,
        dof=known.dof,
        models=models,
        differences=differences,
        between_models=raw,
        between_dof=(raw / scatter) ** 2 * (count - 1) if tells and raw > 0 else math.nan,
        how=known.how,
        notes=tuple(notes),
    )


def _common(covariance: FloatArray) -> float:
    """Give what sessions add to the differences of all models alike."""
    count = len(covariance)
    if count < 2:
        return 0.0
    return max(0.0, float(covariance.sum() - np.trace(covariance)) / (count * (count - 1)))


def _from_scatter(stated: Spreading, scatter: float, common: float) -> _Known:
    count = stated.effects.shape[0]
    variance = scatter / count + common
    if not variance > 0:
        return _Known(0.0, math.inf, "scatter of models, which is nil")
    parts = [scatter / count, common]
    dof = satterthwaite_dof(parts, [count - 1.0, math.inf], [1.0, 1.0])
    return _Known(math.sqrt(variance), dof, "scatter of models")


def _from_statements(stated: Spreading, luck: _Luck) -> _Known:
    effects = stated.effects.mean(axis=0)
    of_samples = float(luck.variances.sum()) / luck.variances.size**2
    parts, dof = [float(effects @ effects), of_samples], [stated.dof_of(effects**2), luck.dof]
    how = "errors as stated" if not of_samples else "errors and sample luck as stated"
    finite = satterthwaite_dof(parts, dof, [1.0, 1.0]) if sum(parts) > 0 else math.inf
    return _Known(math.sqrt(sum(parts)), finite, how)


def _model_part(stated: Spreading) -> float:
    """Variance of a difference from what is stated of models."""
    of_model = np.array([base[2] == "model" for base in stated.bases], dtype=np.bool_)
    return float(np.mean(np.sum(stated.effects[:, of_model] ** 2, axis=1)))


def _unstated_models(bench: Bench, kind: SpreadKind, rig: str, onto: str) -> bool:
    instruments = [bench.on(name).instrument(kind) for name in (rig, onto)]
    return any(i is None or "model" in i.unstated for i in instruments)


def _contradiction(kind: SpreadKind, rig: str, scatter: float, own: float, count: int) -> list[str]:
    if not own > 0:
        return []
    p = float(chdtrc(count - 1, (count - 1) * scatter / own))
    if p >= _CONTRADICTED:
        return []
    return [
        f"{kind}: models differ more between rig {rig} and the other than what is stated of the "
        f"instruments allows (so much comes up {per_hundred(p)} times in 100)"
    ]
