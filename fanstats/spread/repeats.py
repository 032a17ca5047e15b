"""Scatter of repeated readings, pooled over every cell that was read more than once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.engine.sittings import Sitting
    from fanstats.sources import Instrument

__all__ = ["Repeats", "pooled_repeats", "reads_relative"]

Quantity = Literal["noise", "speed", "airflow", "temperature"]


class Repeats(NamedTuple):
    """Pooled scatter of single readings.

    Attributes
    ----------
    mean_square : float
        Variance of one reading; of its fraction where `relative`.
    dof : float
        Readings less cells; 0 where nothing was repeated.
    relative : bool
        Whether the scatter is a fraction of the reading.
    """

    mean_square: float
    dof: float
    relative: bool


def reads_relative(quantity: str, instrument: Instrument | None) -> bool:
    """Say whether the scatter of a quantity is pooled as a fraction of the reading.

    Parameters
    ----------
    quantity : str
        What is read.
    instrument : Instrument or None
        What is stated of it: airflow scatter stated as an amount is pooled as an amount.

    Returns
    -------
    bool
    """
    if quantity != "airflow":
        return False
    stated = instrument.at("reading") if instrument is not None else ()
    return not any(source.kind == "standard" and source.absolute for source in stated)


def pooled_repeats(
    quantity: Quantity, sittings: Sequence[Sitting], *, relative: bool = False
) -> Repeats:
    """Pool the scatter within cells.

    Parameters
    ----------
    quantity : {"noise", "speed", "airflow", "temperature"}
        What was read; noise behind an obstruction counts as noise.
    sittings : sequence of Sitting
        All sittings.
    relative : bool
        Pool fractions of the reading instead of amounts.

    Returns
    -------
    Repeats

    References
    ----------
    JCGM 100:2008, 4.2.4 (pooled estimate of variance) and H.3.6.
    """
    total, dof = 0.0, 0.0
    for sitting in sittings:
        for (name, _), cells in sitting.channels.items():
            if name.removesuffix("_obstructed") != quantity:
                continue
            again = cells.repeats > 1
            scale = np.square(cells.values[again]) if relative else 1.0
            total += float(np.sum(cells.squares[again] / scale))
            dof += float(np.sum(cells.repeats[again] - 1))
    return Repeats(total / dof if dof else float("nan"), dof, relative)
