"""The bench of sessions brought together: what a control fan leaves of their errors."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.sources import Bench, Instrument, Source
from fanstats.spread.measured_bench import UNITS, figure_of
from fanstats.spread.taken_out import RELATIVE, apart_from_ambient, with_instrument

if TYPE_CHECKING:
    from fanstats.spread.control_fan import KindShifts
    from fanstats.spread.offsets import SpreadKind

__all__ = ["FEWEST_SESSIONS", "variance_of_sessions", "with_left"]

# With fewer sessions their own scatter does not tell how far their mean may be off.
FEWEST_SESSIONS: Final = 3


def with_left(bench: Bench, found: KindShifts, reference: str | None, several: bool) -> Bench:
    """Put what the control fan left in the place of the error of sessions.

    Parameters
    ----------
    bench : Bench
        What is stated.
    found : KindShifts
        What was taken out.
    reference : str or None
        The session that the others are brought to; None for their mean.
    several : bool
        Whether there are several rigs.

    Returns
    -------
    Bench
    """
    rig = found.rig if several or found.rig in bench.rigs else ""
    instrument: Instrument = bench.on(found.rig).instrument(found.kind) or Instrument()
    variances = np.square(found.own.effects)
    widest = int(np.argmax(variances.sum(axis=1)))
    left = _source(
        found.kind,
        math.sqrt(float(variances[widest].sum())),
        found.own.dof_of(variances[widest]),
        "of a session, left by the control fan",
        "control fan",
    )
    common = _anchor_error(found, instrument, reference)
    shared = instrument.shared
    if common is not None:
        shared = (*instrument.at("shared"), common)
    if found.kind == "temperature":
        bench = apart_from_ambient(bench, ("session",), rig)
    changed = replace(instrument, session=(left,), shared=shared)
    return with_instrument(bench, found.kind, changed, rig)


def _anchor_error(
    found: KindShifts, instrument: Instrument, reference: str | None
) -> Source | None:
    """Give what the reference itself is off by: its session, and the control fan in it."""
    count = len(found.sessions)
    own = np.diag(found.own.covariance)
    name, about = "reference session", "common to all sessions, of the one they are brought to"
    if reference is None:
        name, about = "mean of sessions", "common to all sessions, of their mean"
    at = slice(None) if reference is None else found.sessions.index(reference)
    share = count if reference is None else 1
    if instrument.session is not None:
        stated = variance_of_sessions(instrument)
        dof = min((s.dof for s in instrument.at("session")), default=math.inf)
        size = math.sqrt((stated + float(np.mean(own[at]))) / share)
        return _source(found.kind, size, dof, about, name)
    if count < FEWEST_SESSIONS:
        return None
    size = math.sqrt(float(np.var(found.offsets, ddof=1)) / share)
    return _source(found.kind, size, count - 1.0, about, name)


def variance_of_sessions(instrument: Instrument) -> float:
    """Give the variance stated, or measured, of sessions.

    Parameters
    ----------
    instrument : Instrument
        Which.

    Returns
    -------
    float
    """
    sizes = [(s.absolute + s.relative) ** 2 - s.removed_variance for s in instrument.at("session")]
    return sum(max(0.0, size) for size in sizes)


def _source(kind: SpreadKind, size: float, dof: float, about: str, name: str) -> Source:
    count = "" if math.isinf(dof) else f", {dof:.3g} degrees of freedom"
    return Source(
        absolute=0.0 if kind in RELATIVE else size,
        relative=size if kind in RELATIVE else 0.0,
        units=UNITS[kind] or None,
        dof=dof,
        kind="expanded",  # as it stands: no repeat of a reading makes it smaller
        stated=f"s = {figure_of(kind, size)} {about}{count}",
        name=name,
    )
