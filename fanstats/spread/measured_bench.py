"""A bench in which measured terms replace assumed ones, each counted once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from fanstats.errors import FanstatsError
from fanstats.sources import Bench, Instrument, Source, UnitSpread
from fanstats.spread.component_intervals import component_interval, satterthwaite_dof
from fanstats.spread.offsets import KINDS, SpreadKind
from fanstats.spread.strata import FEWEST_DOF
from fanstats.spread.taken_out import apart_from_ambient
from fanstats.wording import two_digits

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fanstats.spread.along_curve import AlongCurve
    from fanstats.spread.boxes import BoxSplit
    from fanstats.spread.luck_correlation import Correlation
    from fanstats.spread.repeats import Repeats
    from fanstats.spread.strata import Component, Strata

__all__ = [
    "Prior",
    "figure_of",
    "own_spread",
    "pooled_spread",
    "prior_of",
    "with_correlation",
    "with_repeats",
    "with_strata",
]

UNITS: Final = {"noise": "dB", "temperature": "K", "airflow": "", "speed": ""}


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """A spread believed before these readings, and how many degrees of freedom it is worth."""

    variance: float
    dof: float
    stated: str


def prior_of(prior: UnitSpread | None, worth: float | None, kind: SpreadKind) -> Prior | None:
    """Give what is believed of one kind of spread.

    Parameters
    ----------
    prior : UnitSpread or None
        A maker's tolerance or an earlier pool.
    worth : float or None
        Degrees of freedom it is to count as; None takes those of an earlier pool.
    kind : {"noise", "airflow", "speed", "temperature"}
        Which spread.

    Returns
    -------
    Prior or None

    Raises
    ------
    FanstatsError
        If nothing says what the prior is worth.
    """
    source = prior.of(kind) if prior is not None else None
    if source is None:
        return None
    dof = source.dof if worth is None else worth
    if not (math.isfinite(dof) and dof > 0):
        msg = (
            f"`worth` must say how many units the prior for {kind} ({source.stated}) counts as; "
            f"got {worth!r}. A maker's tolerance taken on trust is worth perhaps 5."
        )
        raise FanstatsError(msg)
    size = source.absolute + source.relative
    variance = max(0.0, size**2 - source.removed_variance)
    return Prior(variance=variance, dof=dof, stated=source.stated)


def own_spread(source: Source) -> tuple[float, float]:
    """Give how one sample differs, with the errors of reading in a mean square taken off.

    Parameters
    ----------
    source : Source
        A spread, stated or measured.

    Returns
    -------
    (float, float)
        Standard deviation (dB, K or a fraction) and its degrees of freedom.
    """
    square = (source.absolute + source.relative) ** 2
    own = max(0.0, square - source.removed_variance)
    return math.sqrt(own), source.dof * (own / square) ** 2 if own > 0 else math.inf


def figure_of(kind: str, sd: float) -> str:
    """Print a spread: ``0.82 dB`` or ``1.9 %``."""
    if UNITS[kind]:
        return f"{two_digits(sd)} {UNITS[kind]}"
    return f"{two_digits(100.0 * sd)} %"


def with_repeats(bench: Bench, quantity: str, repeats: Repeats) -> Bench:
    """Put the measured scatter of readings in place of the assumed one.

    Parameters
    ----------
    bench : Bench
        What was stated.
    quantity : {"noise", "speed", "airflow", "temperature"}
        Which instrument.
    repeats : Repeats
        What its repeats showed.

    Returns
    -------
    Bench
        Limits of the display stay: they do not shrink with repeats.
    """
    if not (repeats.dof >= FEWEST_DOF and repeats.mean_square > 0):
        return bench
    instrument: Instrument = getattr(bench, quantity) or Instrument()
    kept = [source for source in instrument.at("reading") if source.kind != "standard"]
    sd = math.sqrt(repeats.mean_square)
    seen = f"{two_digits(100 * sd)} %" if repeats.relative else two_digits(sd)
    measured = Source(
        absolute=0.0 if repeats.relative else sd,
        relative=sd if repeats.relative else 0.0,
        dof=repeats.dof,
        stated=f"s = {seen} measured ({repeats.dof:g} degrees of freedom)",
        name="repeats",
        measured=True,
    )
    changed: dict[str, Any] = {quantity: replace(instrument, reading=(*kept, measured))}
    return replace(bench, **changed)


def _measured_source(kind: SpreadKind, component: Component, name: str) -> Source:
    size, relative = math.sqrt(component.square), not UNITS[kind]
    seen = f"s = {figure_of(kind, math.sqrt(component.variance))} measured"
    if not component.raw > 0:
        upper = figure_of(kind, math.sqrt(component.high))
        seen = f"none seen above what lies below it, up to {upper}"
    return Source(
        absolute=0.0 if relative else size,
        relative=size if relative else 0.0,
        units=UNITS[kind] or None,
        dof=component.square_dof,
        kind="mean square",
        stated=f"{seen} ({component.square_dof:.3g} degrees of freedom)",
        name=name,
        removed_variance=component.removed,
        measured=True,
    )


def pooled_spread(
    kind: SpreadKind,
    strata: Strata | None,
    prior: Prior | None,
    note: str = "",
    split: BoxSplit | None = None,
    along: AlongCurve | None = None,
) -> Source | None:
    """Give the spread between units as one draw of a mean square, a prior taken in.

    Parameters
    ----------
    kind : {"noise", "airflow", "speed", "temperature"}
        Which spread.
    strata : Strata or None
        What the readings say; None where nothing.
    prior : Prior or None
        What was believed before.
    note : str
        What to add in brackets.
    split : BoxSplit or None
        Spread between boxes and within, where it could be told: a sample bought is one of a box
        of its own.
    along : AlongCurve or None
        What one speed adds to a sample's mean luck, where that is to be held too.

    Returns
    -------
    Source or None
        None where too little is known.

    Notes
    -----
    With the mean square ``MS`` on ``nu`` degrees of freedom and a prior variance ``s0**2`` worth
    ``k``, the variance of a unit *and* of what the instruments add to it is scaled inverse
    chi-square: ``(nu MS + k (s0**2 + v)) / (nu + k)`` on ``nu + k``; ``v`` is taken out after
    drawing.

    References
    ----------
    Gelman et al., Bayesian Data Analysis (3rd ed. 2013), 2.6 (scaled inverse chi-square).
    """
    # Samples that read alike to the last digit, with nothing stated of the display, say nothing.
    has = (
        strata is not None
        and strata.means.dof > 0
        and strata.mean_square + max(0.0, strata.counted_elsewhere) > 0
    )
    nu = float(strata.means.dof) if strata is not None and has else 0.0
    square = strata.mean_square if strata is not None and has else 0.0
    if split is not None and split.between_raw > 0:
        nu, square = split.total_dof, split.total
    if has and along is not None:
        both, freedoms = [square, along.mean_square], [nu, along.dof]
        nu, square = satterthwaite_dof(both, freedoms, [1.0, 1.0]), sum(both)
    total = square * nu
    removed = max(0.0, strata.counted_elsewhere) if strata is not None and has else 0.0
    removed += along.reading if has and along is not None else 0.0
    if prior is not None:
        total += prior.dof * (prior.variance + removed)
        nu += prior.dof
    if nu < FEWEST_DOF or not total > 0:
        return None
    size = math.sqrt(total / nu)
    sd = math.sqrt(max(0.0, size**2 - removed))
    origin = "measured" if prior is None else "prior alone" if not has else "measured with a prior"
    seen = f"s = {figure_of(kind, sd)} {origin}"
    if sd == 0:
        upper = component_interval([size**2], [nu], [1.0], known=removed)[1]
        seen = f"none seen above the errors of reading, up to {figure_of(kind, math.sqrt(upper))}"
    about = f"{nu:.3g} degrees of freedom" + (f"; {note}" if note else "")
    relative = not UNITS[kind]
    return Source(
        absolute=0.0 if relative else size,
        relative=size if relative else 0.0,
        units=UNITS[kind] or None,
        dof=nu,
        kind="mean square",
        stated=f"{seen} ({about})",
        removed_variance=removed,
    )


def with_strata(
    bench: Bench,
    strata: dict[SpreadKind, Strata],
    priors: dict[SpreadKind, Prior | None],
    notes: dict[SpreadKind, str],
    splits: Mapping[SpreadKind, BoxSplit] | None = None,
    along: Mapping[SpreadKind, AlongCurve] | None = None,
) -> Bench:
    """Put measured sittings, sessions and unit spreads in place of assumed ones.

    Parameters
    ----------
    bench : Bench
        With measured repeats already in.
    strata : dict
        By kind, what the readings say.
    priors : dict
        By kind, what was believed before.
    notes : dict
        By kind, what to add to a stated spread.
    splits : mapping, optional
        By kind, spread between boxes and within.
    along : mapping, optional
        By kind, what one speed adds to a sample's mean luck.

    Returns
    -------
    Bench
    """
    spreads: dict[str, Any] = {}
    for kind in KINDS:
        found = strata.get(kind)
        if found is not None:
            bench = _with_below(bench, kind, found)
        pooled = pooled_spread(
            kind,
            found,
            priors.get(kind),
            notes.get(kind, ""),
            (splits or {}).get(kind),
            (along or {}).get(kind),
        )
        spreads[kind] = pooled if pooled is not None else bench.spread.of(kind)
    # What was stated of how noise and airflow luck go together stays until it is measured.
    return replace(bench, spread=replace(bench.spread, **spreads))


def with_correlation(bench: Bench, found: Correlation | None) -> Bench:
    """Let draws of airflow luck go in step with noise luck as measured.

    Parameters
    ----------
    bench : Bench
        With measured spreads in.
    found : Correlation or None
        What the readings say; None leaves the bench as it is.

    Returns
    -------
    Bench
    """
    if found is None or found.used == 0:
        return bench
    spread = replace(bench.spread, correlation=found.used, correlation_dof=max(2.1, found.used_dof))
    return replace(bench, spread=spread)


def _enters(component: Component | None) -> bool:
    return component is not None and component.enters


def _with_below(bench: Bench, kind: SpreadKind, strata: Strata) -> Bench:
    seen = [name for name in ("sitting", "session") if _enters(getattr(strata, name))]
    if kind == "temperature" and seen:
        bench = apart_from_ambient(bench, seen)
    instrument: Instrument = getattr(bench, kind) or Instrument()
    if strata.sitting is not None and strata.sitting.enters:
        measured = _measured_source(kind, strata.sitting, "sittings")
        instrument = replace(instrument, sitting=(measured,))
    if strata.session is not None and strata.session.enters:
        measured = _measured_source(kind, strata.session, "sessions")
        instrument = replace(instrument, session=(measured,))
    changed: dict[str, Any] = {kind: instrument}
    return replace(bench, **changed) if instrument != Instrument() else bench
