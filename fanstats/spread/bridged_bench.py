"""The bench of bridged rigs: the errors of one scale, and each bridge as an error of its rig."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from fanstats.sources import LEVELS_OF_SHARING, Bench, Instrument, Source
from fanstats.spread.measured_bench import UNITS, figure_of
from fanstats.spread.strata import FEWEST_DOF
from fanstats.spread.taken_out import RELATIVE, with_instrument

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.spread.offsets import SpreadKind
    from fanstats.spread.rig_shifts import Shift

__all__ = ["bridged_bench"]

_OWN_LEVELS: Final = ("session", "model")


def bridged_bench(bench: Bench, shifts: Sequence[Shift], onto: str) -> Bench:
    """Let bridged rigs share the errors of one scale, each with the error of its bridge.

    Parameters
    ----------
    bench : Bench
        What is stated, of single rigs too.
    shifts : sequence of Shift
        The bridges.
    onto : str
        The rig whose scale is kept.

    Returns
    -------
    Bench
        On the rig kept an instrument is as it was, but for being `carried`: what is shared by all
        it reads now holds for the other rigs too. Theirs keep their own errors of sessions,
        sittings, models and readings; the calibration of their own meter is taken out.
    """
    kinds = list(dict.fromkeys(each.kind for each in shifts))
    result = bench
    for kind in kinds:
        scale: Instrument = bench.on(onto).instrument(kind) or Instrument()
        name = bench.on(onto).instrument_name(kind)
        kept = replace(_of_rig(scale, onto), carried=True, name=name)
        result = with_instrument(result, kind, kept, onto)
        for rig in dict.fromkeys(each.rig for each in shifts if each.kind == kind):
            bridges = [each for each in shifts if each.kind == kind and each.rig == rig]
            result = _on_rig(result, bench, kind, rig, kept, bridges)
    return result


def _on_rig(
    result: Bench,
    bench: Bench,
    kind: SpreadKind,
    rig: str,
    scale: Instrument,
    bridges: Sequence[Shift],
) -> Bench:
    own = _of_rig(bench.on(rig).instrument(kind) or Instrument(), rig)
    renamed = {level: _renamed(own, level, rig) for level in _OWN_LEVELS}
    if renamed["model"] is None:
        seen = [s for each in bridges if (s := _by_model(each)) is not None]
        renamed["model"] = tuple(seen) or None
    changed = replace(
        own,
        shared=(*scale.at("shared"), *(_bridge(each) for each in bridges)),
        session=renamed["session"],
        model=renamed["model"],
        name=scale.name,
        carried=True,
    )
    if kind == "temperature" and bench.on(rig).ambient is None:
        # A bridge was seen in the rise: it does not cancel with the ambient.
        ambient = replace(changed, shared=scale.shared)
        result = with_instrument(result, "ambient", ambient, rig)
    return with_instrument(result, kind, changed, rig)


def _of_rig(instrument: Instrument, rig: str) -> Instrument:
    """Keep what acts on one rig, which then needs no saying."""
    held: dict[str, Any] = {
        level: tuple(replace(s, rigs=()) for s in instrument.at(level) if s.acts_at(rig))
        for level in LEVELS_OF_SHARING
        if level not in instrument.unstated
    }
    return replace(instrument, **held)


def _renamed(own: Instrument, level: str, rig: str) -> tuple[Source, ...] | None:
    """Keep a rig's own errors apart from those of the other, unless one meter was carried."""
    if level in own.unstated:
        return None
    if own.carried:
        return own.at(level)
    return tuple(
        replace(source, name=f"{source.name or place} on {rig}")
        for place, source in enumerate(own.at(level), start=1)
    )


def _bridge(each: Shift) -> Source:
    count = len(each.models)
    return _source(
        each,
        each.u,
        each.dof,
        f"bridge from rig {each.rig}, {count} model{'' if count == 1 else 's'}",
        f"bridge from {each.rig}",
    )


def _by_model(each: Shift) -> Source | None:
    """How models answer to one rig and not to the other, where only their scatter says it."""
    if not (each.between_models > 0 and each.between_dof >= FEWEST_DOF):
        return None
    return _source(
        each,
        math.sqrt(each.between_models),
        each.between_dof,
        f"from model to model between rig {each.rig} and the other, measured",
        f"models on {each.rig}",
    )


def _source(each: Shift, size: float, dof: float, about: str, name: str) -> Source:
    count = "" if math.isinf(dof) else f", {dof:.3g} degrees of freedom"
    behind = f" behind {each.obstruction}" if each.obstruction else ""
    return Source(
        absolute=0.0 if each.kind in RELATIVE else size,
        relative=size if each.kind in RELATIVE else 0.0,
        units=UNITS[each.kind] or None,
        dof=dof,
        kind="expanded",  # as it stands: no repeat of a reading makes it smaller
        stated=f"s = {figure_of(each.kind, size)} ({about}{behind}{count})",
        name=f"{name}{behind}",
        rigs=(each.rig,),
        obstructions=(each.obstruction,) if each.obstruction else (),
    )
