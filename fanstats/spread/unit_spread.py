"""Unit-to-unit spread from readings of several samples: components, and a bench that holds them."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from fanstats._arguments import fraction, number
from fanstats.engine.curves import CURVES, CurveKind
from fanstats.engine.sittings import Sitting, Sittings, sittings_of
from fanstats.errors import FanstatsError, one_of
from fanstats.loading.corrections import corrected
from fanstats.sources import Bench, Source, UnitSpread
from fanstats.spread.along_curve import AlongCurve, along_curve
from fanstats.spread.boxes import BoxSplit, box_note, boxes_of, split_by_box
from fanstats.spread.component_intervals import component_interval
from fanstats.spread.like_for_like import aligned_by, on_one_scale, reads_kind
from fanstats.spread.luck_correlation import Correlation, luck_correlation
from fanstats.spread.measured_bench import (
    Prior,
    pooled_spread,
    prior_of,
    with_correlation,
    with_repeats,
    with_strata,
)
from fanstats.spread.offsets import (
    KIND_WORDS,
    KINDS,
    Curves,
    Offsets,
    SpreadKind,
    curves_of,
    offsets_of,
)
from fanstats.spread.repeats import Repeats, pooled_repeats, reads_relative
from fanstats.spread.spread_words import (
    along_words,
    cannot_tell,
    correlation_words,
    spread_sentence,
)
from fanstats.spread.strata import Component, Strata, strata_of, told_raw
from fanstats.spread.trends import drift_words
from fanstats.wording import listed, per_hundred

if TYPE_CHECKING:
    import xarray as xr

    from fanstats.spread.like_for_like import Aligned

__all__ = ["SpreadEstimate", "unit_spread"]

_UNITS: Final = {"noise": "dB", "airflow": "relative", "speed": "relative", "temperature": "K"}
# A stated spread is called into question where so large a scatter comes up less often than this.
_CONTRADICTED: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpreadEstimate:
    """How samples of one model differ, as far as the readings tell.

    Attributes
    ----------
    components : pandas.DataFrame
        A row a component: kind, component, units, sd, raw_variance, dof, low, high (ends of the
        range for sd), how, status.
    bench : Bench
        The bench given, with measured terms in place of assumed ones; hand it to `equal_noise`.
    deviations : pandas.DataFrame
        A row a sample and kind: model, unit, kind, deviation from its model's mean, u (of
        reading), sittings.
    by_obstruction : pandas.DataFrame
        Sample luck behind each obstruction alone: kind, obstruction, sd as read.
    correlation : Correlation or None
        Of noise luck and airflow luck, from 6 degrees of freedom on; then the bench holds it.
    cannot_tell : tuple of str
        What these readings cannot tell apart, and which test would.
    contradictions : tuple of str
        Where samples differ more, or less, than the spread stated allows, and samples that drift
        from session to session (see `trends`).
    left_out : tuple of str
        Models that say nothing, with reasons.
    probability : float
        Coverage probability of the ranges.
    """

    components: pd.DataFrame
    bench: Bench
    deviations: pd.DataFrame
    by_obstruction: pd.DataFrame
    correlation: Correlation | None
    cannot_tell: tuple[str, ...]
    contradictions: tuple[str, ...]
    left_out: tuple[str, ...]
    probability: float

    def sentence(self) -> str:
        """Say it in words that can stand under a table.

        Returns
        -------
        str
        """
        left_out = [f"left out: {'; '.join(self.left_out)}"] if self.left_out else []
        further = [*self.contradictions, *self.cannot_tell, *left_out]
        return spread_sentence(self.components, self.probability, further)

    def __repr__(self) -> str:
        """Show the sentence and the table."""
        shown = self.components.drop(columns=["how"])
        return f"{self.sentence()}\n{shown.to_string(index=False, float_format='{:.3g}'.format)}"

    def _repr_html_(self) -> str:
        table = self.components.to_html(index=False, float_format="{:.3g}".format, border=0)
        return f"<p>{html.escape(self.sentence())}</p>{table}"


def unit_spread(
    readings: xr.Dataset,
    bench: Bench,
    *,
    prior: UnitSpread | None = None,
    worth: float | None = None,
    curve: CurveKind = "smooth",
    probability: float = 0.95,
) -> SpreadEstimate:
    """Estimate how samples of one model differ, from models of which several were tested.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What is stated about the instruments; its spread, where stated, is what is replaced.
    prior : UnitSpread, optional
        A spread believed beforehand: a maker's tolerance or an earlier pool. It is averaged
        with the readings.
    worth : float, optional
        How many units beyond the first the prior counts as (its degrees of freedom); without it
        those of the prior itself.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.
    probability : float
        Coverage probability of the ranges.

    Returns
    -------
    SpreadEstimate

    Raises
    ------
    FanstatsError
        If an argument is of the wrong kind or a prior has no worth.

    Notes
    -----
    Each sitting becomes one number a quantity: the mean distance of its curve from its siblings',
    over the speeds (drives) that all sittings of the model share. Between unit means there are
    ``sum(units - 1)`` degrees of freedom, however many speeds were read. What the errors of
    reading add is reckoned through the curve, one error at a time, and taken out; what the
    design cannot tell from the samples stays in and is named with them. Sittings of one model on
    two rigs that nothing bridges are not held against each other.

    The bench handed back counts everything once: whatever its instruments hold (the stated error
    of mounting, say) is taken off the mean square of units, *after* drawing it.

    References
    ----------
    JCGM 100:2008, 4.2 and H.5; ISO 5725-2:2019 (nested designs); ISO 7574-1 (standard deviation
    of production).

    Examples
    --------
    >>> import fanstats as fs
    >>> found = unit_spread(fs.demo.readings(), fs.demo.bench())
    >>> found.bench.spread.noise.stated
    's = 0.77 dB measured (3 degrees of freedom)'
    """
    _check(bench, curve, prior, worth)
    fraction("probability", probability)
    every = sittings_of(corrected(readings, bench))
    sittings = list(every)
    aligned = aligned_by(readings)
    bench, repeats = _with_measured_repeats(bench, sittings)
    offsets, left_out = _offsets(every, sittings, bench, curve)
    strata = {
        kind: strata_of(
            parts,
            checked=_checked(bench, kind),
            aligned=[] if aligned is None else aligned.units(kind),
            probability=probability,
        )
        for kind, parts in offsets.items()
    }
    known = boxes_of(readings)
    boxes = {kind: note for kind, found in strata.items() if (note := box_note(found.means, known))}
    splits = _splits(strata, known, probability)
    along = {kind: found for kind, parts in offsets.items() if (found := along_curve(parts))}
    held = {kind: found for kind, found in along.items() if found.used and _reads(bench, kind)}
    priors = {kind: prior_of(prior, worth, kind) for kind in KINDS}
    rows = [
        row
        for kind in KINDS
        for row in [
            *_rows(kind, strata.get(kind), priors, boxes, (splits, held), probability),
            *(_box_rows(kind, splits[kind]) if kind in splits else ()),
            *(_along_rows(kind, along[kind], kind in held) if kind in along else ()),
        ]
    ]
    rows += [_repeat_row(quantity, found, probability) for quantity, found in repeats.items()]
    both = "noise" in strata and "airflow" in strata
    together = (
        luck_correlation(
            offsets["noise"], offsets["airflow"], (strata["noise"], strata["airflow"]), probability
        )
        if both
        else None
    )
    return SpreadEstimate(
        components=pd.DataFrame(rows, columns=_COLUMNS),
        bench=with_correlation(with_strata(bench, strata, priors, boxes, splits, held), together),
        deviations=_deviations(strata, offsets),
        by_obstruction=_by_obstruction(offsets),
        correlation=together,
        cannot_tell=(
            *cannot_tell(
                strata,
                repeats,
                boxes,
                _single(sittings),
                splits,
                unstated=_unstated(bench),
                several=len(_single(sittings)) < len({sitting.model for sitting in sittings}),
            ),
            *along_words(along, held),
            *correlation_words(together, strata),
        ),
        contradictions=(*_contradictions(bench, strata), *drift_words(offsets, aligned)),
        left_out=(*left_out, *_aligned_words(aligned)),
        probability=probability,
    )


_COLUMNS: Final = (
    "kind", "component", "units", "sd", "raw_variance", "dof", "low", "high", "how", "status",
)  # fmt: skip


def _check(bench: object, curve: str, prior: object, worth: float | None) -> None:
    if not isinstance(bench, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(bench).__name__}."
        raise FanstatsError(msg)
    if prior is not None and not isinstance(prior, UnitSpread):
        mend = " Pass its `.spread`." if isinstance(prior, Bench) else ""
        msg = f"`prior` must be a UnitSpread; got {type(prior).__name__}.{mend}"
        raise FanstatsError(msg)
    if worth is not None:
        number("worth", worth, above=0)
        if prior is None:
            msg = (
                f"`worth` says how much a prior counts, and none was given; got worth={worth!r}. "
                "Pass the spread believed beforehand: prior=bench.spread."
            )
            raise FanstatsError(msg)
    one_of("curve", curve, CURVES)


# From readings to offsets ----------------------------------------------------------------------


def _with_measured_repeats(
    bench: Bench, sittings: list[Sitting]
) -> tuple[Bench, dict[str, Repeats]]:
    found: dict[str, Repeats] = {}
    for quantity in KINDS:
        relative = reads_relative(quantity, bench.instrument(quantity))
        repeats = pooled_repeats(quantity, sittings, relative=relative)
        if repeats.dof > 0:
            found[quantity] = repeats
            bench = with_repeats(bench, quantity, repeats)
    return bench, found


def _offsets(
    every: Sittings, sittings: list[Sitting], bench: Bench, curve: CurveKind
) -> tuple[dict[SpreadKind, list[Offsets]], list[str]]:
    """Reduce the sittings of every model that sat on the bench more than once."""
    count: dict[str, int] = {}
    for sitting in sittings:
        count[sitting.model] = count.get(sitting.model, 0) + 1
    several = [model for model, n in count.items() if n > 1]
    again, left_out = _with_speed([s for s in sittings if s.model in several])
    found: dict[SpreadKind, list[Offsets]] = {}
    reasons: dict[tuple[SpreadKind, str], list[str]] = {}
    laid_out: dict[tuple[int, ...], Curves] = {}
    for kind in KINDS:
        kept, told = on_one_scale(again, bench, kind)
        left_out += told
        which = tuple(sitting.place for sitting in kept)
        if which not in laid_out:
            laid_out[which] = curves_of(every.take(which), several, bench, curve)
        for model in several:
            part = offsets_of(kind, laid_out[which], model)
            if isinstance(part, Offsets):
                found.setdefault(kind, []).append(part)
            elif _is_read(again, kind, model) and not part.startswith("read in one sitting"):
                reasons.setdefault((kind, part), []).append(model)
    for (kind, reason), models in reasons.items():
        left_out.append(f"{listed(models)}, {KIND_WORDS[kind]}: {reason}")
    return found, left_out


def _with_speed(sittings: list[Sitting]) -> tuple[list[Sitting], list[str]]:
    """Leave out sittings without a running speed where others of the model have one."""
    have = {s.model for s in sittings if _ran(s)}
    without = [s for s in sittings if s.model in have and not _ran(s)]
    told = [f"{s.words}: no speed above 0 was read" for s in without]
    return [s for s in sittings if s not in without], told


def _ran(sitting: Sitting) -> bool:
    speeds = sitting.channels.get(("speed", ""))
    return speeds is not None and bool((speeds.values > 0).any())


def _is_read(sittings: list[Sitting], kind: SpreadKind, model: str) -> bool:
    return any(sitting.model == model and reads_kind(sitting, kind) for sitting in sittings)


def _aligned_words(aligned: Aligned | None) -> list[str]:
    """Say why a control fan tells nothing of mountings once its shifts were taken out."""
    if aligned is None:
        return []
    return [
        f"{aligned}: the shifts of sessions taken out are those it showed, so that its sittings "
        "read alike and tell nothing of mountings and days; the readings as read do"
    ]


def _checked(bench: Bench, kind: SpreadKind) -> list[str]:
    """Levels of sharing that were stated to hold no error."""
    instrument = bench.instrument(kind)
    if instrument is None:
        return []
    stated = {"sitting": instrument.sitting, "session": instrument.session}
    return [
        level
        for level, sources in stated.items()
        if sources is not None and all(source.is_zero for source in instrument.at(level))
    ]


def _single(sittings: list[Sitting]) -> list[str]:
    """Name the models of which one sample was tested."""
    units: dict[str, set[str]] = {}
    for sitting in sittings:
        units.setdefault(sitting.model, set()).add(sitting.unit)
    return [model for model, held in units.items() if len(held) == 1]


# Tables ----------------------------------------------------------------------------------------


def _rows(
    kind: SpreadKind,
    strata: Strata | None,
    priors: dict[SpreadKind, Prior | None],
    boxes: dict[SpreadKind, str],
    more: tuple[dict[SpreadKind, BoxSplit], dict[SpreadKind, AlongCurve]],
    probability: float,
) -> list[dict[str, object]]:
    """Rows of one kind."""
    rows = []
    if strata is not None:
        held = (strata.unit, strata.session, strata.sitting)
        rows = [_row(kind, component) for component in held if component is not None]
        if strata.unit is not None:
            notes = [strata.unit.status, boxes.get(kind, ""), _few(strata)]
            rows[0]["status"] = "; ".join(note for note in notes if note)
    if priors[kind] is not None:
        splits, along = more
        pooled = pooled_spread(
            kind, strata, priors[kind], split=splits.get(kind), along=along.get(kind)
        )
        if pooled is not None:
            rows.append(_prior_row(kind, pooled, probability))
    return rows


def _splits(
    strata: dict[SpreadKind, Strata], known: dict[tuple[str, str], str], probability: float
) -> dict[SpreadKind, BoxSplit]:
    """Tell boxes from samples, kind by kind, where samples of several boxes were tested."""
    found = {}
    for kind, each in strata.items():
        if known and each.means.dof:
            split = split_by_box(each.means, known, max(0.0, each.counted_elsewhere), probability)
            if split is not None:
                found[kind] = split
    return found


def _box_rows(kind: SpreadKind, split: BoxSplit) -> list[dict[str, object]]:
    parts = [
        ("between boxes", split.between_raw, split.between_dof, split.between),
        ("between units of one box", split.within_raw, split.within_dof, split.within),
    ]
    return [
        {
            "kind": KIND_WORDS[kind], "component": f"of these, {name}", "units": _UNITS[kind],
            "sd": math.sqrt(max(0.0, raw)), "raw_variance": raw, "dof": dof,
            "low": math.sqrt(low), "high": math.sqrt(high), "how": "closed form",
            "status": told_raw(raw, high),
        }
        for name, raw, dof, (low, high) in parts
    ]  # fmt: skip


def _unstated(bench: Bench) -> list[SpreadKind]:
    """Name the kinds of which no error of a single reading is stated."""
    instruments = {kind: bench.instrument(kind) for kind in KINDS}
    return [k for k, i in instruments.items() if i is None or "reading" in i.unstated]


def _reads(bench: Bench, kind: SpreadKind) -> bool:
    """Say whether the errors of single readings are stated: else they would pass for luck."""
    instruments = [bench.instrument(name) for name in (kind, "speed")]
    return all(i is not None and "reading" not in i.unstated for i in instruments)


def _along_rows(kind: SpreadKind, found: AlongCurve, held: bool) -> list[dict[str, object]]:
    status = "in the bench's spread, which is that at one speed" if held else ""
    if not found.raw > 0:
        status = told_raw(found.raw, found.high)
    return [
        {
            "kind": KIND_WORDS[kind], "component": "from speed to speed within a unit",
            "units": _UNITS[kind], "sd": math.sqrt(max(0.0, found.raw)),
            "raw_variance": found.raw,
            "dof": found.dof * (found.raw / found.mean_square) ** 2 if found.raw > 0 else math.nan,
            "low": math.sqrt(found.low), "high": math.sqrt(found.high), "how": "closed form",
            "status": status,
        }
    ]  # fmt: skip


def _few(strata: Strata) -> str:
    return (
        "one pair of samples: 1 degree of freedom, too few for a bench"
        if strata.means.dof == 1
        else ""
    )


def _row(kind: SpreadKind, component: Component) -> dict[str, object]:
    return {
        "kind": KIND_WORDS[kind],
        "component": component.name,
        "units": _UNITS[kind],
        "sd": math.sqrt(component.variance),
        "raw_variance": component.raw,
        "dof": component.dof,
        "low": math.sqrt(component.low),
        "high": math.sqrt(component.high),
        "how": component.how,
        "status": component.status,
    }


def _prior_row(kind: SpreadKind, pooled: Source, probability: float) -> dict[str, object]:
    square = (pooled.absolute + pooled.relative) ** 2
    low, high = component_interval(
        [square], [pooled.dof], [1.0], probability=probability, known=pooled.removed_variance
    )
    raw = square - pooled.removed_variance
    return {
        "kind": KIND_WORDS[kind],
        "component": "between units, prior taken in",
        "units": _UNITS[kind],
        "sd": math.sqrt(max(0.0, raw)),
        "raw_variance": raw,
        "dof": pooled.dof,
        "low": math.sqrt(low),
        "high": math.sqrt(high),
        "how": "scaled inverse chi-square",
        "status": pooled.stated,
    }


def _repeat_row(quantity: str, found: Repeats, probability: float) -> dict[str, object]:
    low, high = component_interval([found.mean_square], [found.dof], [1.0], probability=probability)
    units = {"noise": "dB", "speed": "rpm", "temperature": "K", "airflow": "as read"}
    same = found.mean_square == 0
    return {
        "kind": f"reading of {quantity}",
        "component": "between readings",
        "units": "relative" if found.relative else units[quantity],
        "sd": math.sqrt(found.mean_square),
        "raw_variance": found.mean_square,
        "dof": found.dof,
        "low": math.sqrt(low),
        "high": math.sqrt(high),
        "how": "pooled repeats",
        "status": "all repeats alike: the display hides their scatter" if same else "",
    }


def _deviations(
    strata: dict[SpreadKind, Strata], offsets: dict[SpreadKind, list[Offsets]]
) -> pd.DataFrame:
    rows = []
    for kind, found in strata.items():
        means = found.means
        covariance = [part.covariance(("sitting", "session")) for part in offsets[kind]]
        places = np.cumsum([0, *(len(block) for block in covariance)])
        reading = np.zeros(places[-1])
        for start, block in zip(places[:-1], covariance, strict=True):
            # What all sittings of a model share does not tell samples apart.
            common = block.mean()
            reading[start : start + len(block)] = np.maximum(np.diag(block) - common, 0.0)
        u = np.sqrt(np.square(means.averaging) @ reading)
        rows += [
            {
                "model": model,
                "unit": unit,
                "kind": KIND_WORDS[kind],
                "deviation": float(deviation),
                "u": float(each),
                "sittings": sat,
            }
            for model, unit, deviation, each, sat in zip(
                means.models, means.units, means.deviations, u, means.sittings, strict=True
            )
        ]
    columns = ["model", "unit", "kind", "deviation", "u", "sittings"]
    return pd.DataFrame(rows, columns=columns)


def _by_obstruction(offsets: dict[SpreadKind, list[Offsets]]) -> pd.DataFrame:
    """Scatter of unit means behind each obstruction, where models share it."""
    rows = []
    for kind, parts in offsets.items():
        names = list(dict.fromkeys(name for part in parts for name in part.by_obstruction))
        for name in names:
            total, dof = 0.0, 0
            for part in parts:
                if name in part.by_obstruction:
                    table = pd.Series(part.by_obstruction[name]).groupby(list(part.units)).mean()
                    total += float(((table - table.mean()) ** 2).sum())
                    dof += len(table) - 1
            if dof:
                sd = math.sqrt(total / dof)
                rows.append({"kind": KIND_WORDS[kind], "obstruction": name, "sd": sd, "dof": dof})
    return pd.DataFrame(rows, columns=["kind", "obstruction", "sd", "dof"])


def _contradictions(bench: Bench, strata: dict[SpreadKind, Strata]) -> list[str]:
    """Hold the scatter of units against the spread stated."""
    told = []
    for kind, found in strata.items():
        stated = bench.spread.of(kind)
        if stated is None or found.means.dof == 0 or math.isfinite(stated.dof):
            continue
        expected = (stated.absolute + stated.relative) ** 2 + found.counted_elsewhere
        if not expected > 0:
            if found.mean_square > 0:
                told.append(f"{KIND_WORDS[kind]}: stated to be alike, and samples differ")
            continue
        p = float(chdtrc(found.means.dof, found.means.dof * found.mean_square / expected))
        if p < _CONTRADICTED:
            told.append(
                f"{KIND_WORDS[kind]}: samples differ more than {stated.stated} allows "
                f"(so much comes up {per_hundred(p)} times in 100)"
            )
        elif 1.0 - p < _CONTRADICTED:
            told.append(
                f"{KIND_WORDS[kind]}: samples differ less than {stated.stated} makes likely "
                f"(so little comes up {per_hundred(1.0 - p)} times in 100)"
            )
    return told
