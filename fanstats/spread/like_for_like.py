"""Which sittings say how samples differ: those of one scale, and not those brought together."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final, NamedTuple

from fanstats.spread.offsets import KIND_WORDS
from fanstats.wording import listed

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    import xarray as xr

    from fanstats.engine.sittings import Sitting
    from fanstats.sources import Bench
    from fanstats.spread.offsets import SpreadKind

__all__ = ["Aligned", "aligned_by", "among", "on_one_scale", "reads_kind", "with_aligned"]

_ATTRIBUTE: Final = "control_fan"


class Aligned(NamedTuple):
    """A control fan whose sessions were made to read alike.

    Attributes
    ----------
    model, unit : str
        The fan.
    kinds : tuple of str
        In which kinds.
    """

    model: str
    unit: str
    kinds: tuple[str, ...]

    def units(self, kind: str) -> list[tuple[str, str]]:
        """Give model and sample where that kind was shifted."""
        return [(self.model, self.unit)] if kind in self.kinds else []

    def __str__(self) -> str:
        """Name it as sentences do."""
        return f"{self.model} (sample {self.unit})"


def with_aligned(readings: xr.Dataset, fan: tuple[str, str], kinds: Collection[str]) -> xr.Dataset:
    """Note on readings by which fan their sessions were brought together.

    Parameters
    ----------
    readings : xarray.Dataset
        With the shifts taken out.
    fan : (str, str)
        Model and sample of the control fan.
    kinds : collection of str
        What was shifted.

    Returns
    -------
    xarray.Dataset
    """
    told = {"model": fan[0], "unit": fan[1], "kinds": sorted(kinds)}
    return readings.assign_attrs({_ATTRIBUTE: json.dumps(told)})


def aligned_by(readings: xr.Dataset) -> Aligned | None:
    """Give the control fan by which the sessions of readings were brought together.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings` or `session_shifts`.

    Returns
    -------
    Aligned or None
        None where nothing was taken out.
    """
    noted = readings.attrs.get(_ATTRIBUTE)
    if not noted:
        return None
    told = json.loads(str(noted))
    return Aligned(told["model"], told["unit"], tuple(told["kinds"]))


def reads_kind(sitting: Sitting, kind: SpreadKind) -> bool:
    """Whether a sitting holds a quantity, behind any obstruction.

    Parameters
    ----------
    sitting : Sitting
    kind : {"noise", "airflow", "speed", "temperature"}

    Returns
    -------
    bool
    """
    return any(name == kind and sitting.has((name, where)) for name, where in sitting.channels)


def on_one_scale(
    sittings: Sequence[Sitting], bench: Bench, kind: SpreadKind
) -> tuple[list[Sitting], list[str]]:
    """Leave out what a model was read with on a second rig that nothing bridges to the first.

    Parameters
    ----------
    sittings : sequence of Sitting
        Of all models.
    bench : Bench
        Knows which rigs share a scale: a meter carried from one to the other, or a bridge.
    kind : {"noise", "airflow", "speed", "temperature"}
        What is compared.

    Returns
    -------
    list of Sitting
        Of each model those on the rigs of one scale: the one that holds most samples, then most
        sittings, then the first by name.
    list of str
        What was left out, model by model.
    """
    by_scale: dict[str, dict[tuple[str, str], list[Sitting]]] = {}
    for sitting in sittings:
        if reads_kind(sitting, kind):
            scales = by_scale.setdefault(sitting.model, {})
            scales.setdefault(bench.owner(kind, sitting.rig, "shared"), []).append(sitting)
    left: set[int] = set()
    told = []
    for model, scales in by_scale.items():
        first, *others = sorted(scales.values(), key=_worth)
        left |= {id(sitting) for held in others for sitting in held}
        if others:
            rigs = [listed(sorted({repr(s.rig) for s in held})) for held in (first, *others)]
            told.append(
                f"{model}, {KIND_WORDS[kind]}: sittings on rig {', '.join(rigs[1:])} are not held "
                f"against those on rig {rigs[0]}, since nothing bridges them (see bridge_rigs)"
            )
    return [sitting for sitting in sittings if id(sitting) not in left], told


def among(sittings: Sequence[Sitting]) -> Callable[[Sitting], bool]:
    """Say of a sitting whether it is one of those, read from the same table once more.

    Parameters
    ----------
    sittings : sequence of Sitting

    Returns
    -------
    callable
    """
    labels = {(sitting.rig, *sitting.own_label) for sitting in sittings}
    return lambda sitting: (sitting.rig, *sitting.own_label) in labels


def _worth(held: Sequence[Sitting]) -> tuple[int, int, str]:
    return -len({sitting.unit for sitting in held}), -len(held), held[0].rig
