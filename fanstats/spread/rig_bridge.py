"""A change of rig bridged by the models tested on both: shifts, and what they are uncertain by."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from fanstats._arguments import fraction
from fanstats.engine.sittings import sittings_of
from fanstats.errors import FanstatsError, one_of
from fanstats.sources import Bench
from fanstats.spread.bridged_bench import bridged_bench
from fanstats.spread.like_for_like import reads_kind
from fanstats.spread.measured_bench import UNITS, figure_of
from fanstats.spread.offsets import SpreadKind
from fanstats.spread.rig_shifts import Shift, shift_of
from fanstats.spread.taken_out import RELATIVE, labels_of, without_shifts
from fanstats.tabled import Tabled
from fanstats.wording import times_words, two_digits

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.engine.sittings import Sitting

__all__ = ["RigBridge", "bridge_rigs"]

# Speeds first: the other kinds are compared at a given speed, as bridged.
_ORDER: Final[tuple[SpreadKind, ...]] = ("speed", "noise", "airflow", "temperature")
_COLUMNS: Final = (
    "rig", "kind", "obstruction", "shift", "u", "dof", "low", "high", "units", "models",
    "by_model", "how",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RigBridge(Tabled):
    """Readings of several rigs on the scale of one.

    Attributes
    ----------
    table : pandas.DataFrame
        A row a bridged rig, kind and obstruction: rig, kind, obstruction, shift (how much too
        high it reads beside the rig it is brought onto: dB, K or a fraction), u, dof, low, high,
        units, models (tested on both), by_model (standard deviation from model to model beyond
        the errors of reading; NaN where fewer than 3 models tell), how.
    differences : pandas.DataFrame
        A row a rig, kind, obstruction and model: the difference seen on that model.
    readings : xarray.Dataset
        The readings with the shifts taken out; each keeps the label of its rig.
    bench : Bench
        The bench in which all bridged rigs share the errors of the one they are brought onto, and
        each bridge is one error of all readings of its rig.
    onto : str
        The rig that the others are brought onto.
    notes : tuple of str
        What is not considered.
    probability : float
        Coverage probability of the ranges.
    """

    _DIGITS: ClassVar[int] = 3

    table: pd.DataFrame
    differences: pd.DataFrame
    readings: xr.Dataset
    bench: Bench
    onto: str
    notes: tuple[str, ...]
    probability: float

    def sentence(self) -> str:
        """Say it in words that can stand under a table.

        Returns
        -------
        str
        """
        parts = [_row_words(row) for row in self.table.to_dict("records")]
        head = (
            f"Beside rig {self.onto}, and taken out of the readings (ranges hold "
            f"{times_words(self.probability)}): {'; '.join(parts)}."
        )
        return " ".join([head, *(f"{note[:1].upper()}{note[1:]}." for note in self.notes)])

    def _rows(self) -> pd.DataFrame:
        return self.table


def bridge_rigs(
    readings: xr.Dataset,
    bench: Bench,
    *,
    onto: str,
    quantities: Sequence[SpreadKind] | None = None,
    curve: CurveKind = "smooth",
    probability: float = 0.95,
) -> RigBridge:
    """Bring the readings of several rigs onto the scale of one, by the models tested on both.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`, with a column ``rig``.
    bench : Bench
        What is stated about the instruments, of single rigs too.
    onto : str
        The rig whose scale is kept.
    quantities : sequence of {"noise", "airflow", "speed", "temperature"}, optional
        What to bridge; without it whatever two rigs both read.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.
    probability : float
        Coverage probability of the ranges.

    Returns
    -------
    RigBridge

    Raises
    ------
    FanstatsError
        If a rig holds no model that was tested on the other too: it is named.

    Notes
    -----
    A model tested on both rigs shows a difference of the two; samples tested on both are preferred
    to different samples of a model, whose luck lies in the difference. The shift is the mean over
    models. From four models on their own scatter says how uncertain it is, which holds how
    differently models answer to the two rigs (another meter hears another tone, another cooler
    passes another swirl); what sessions add to all of them alike is reckoned on top. With fewer,
    what is stated of the instruments says it, and of the spread where different samples of a model
    sat on the two rigs; where that spread is not stated, they are no bridge.

    The uncertainty of the bridge is one draw for all readings of the bridged rig: it cancels
    between two models read there, and stays between rigs. How models answer to one rig and not to
    the other is an error of each model: the stated one, else the scatter seen.

    References
    ----------
    JCGM 100:2008, 4.2 and F.1.2.3; ISO 5725-2:2019 (interaction of laboratory and level).

    Examples
    --------
    >>> import pandas as pd
    >>> import fanstats as fs
    >>> rows = [
    ...     {"model": model, "rig": rig, "speed [rpm]": n,
    ...      "noise [dBA]": 40 + place + 50 * np.log10(n / 1000) + (1.2 if rig == "old" else 0)}
    ...     for place, model in enumerate("ABCDE") for rig in ("old", "new")
    ...     for n in (700, 1000, 1400)
    ... ]
    >>> bridge = bridge_rigs(fs.read_readings(pd.DataFrame(rows)), fs.Bench(), onto="new")
    >>> round(float(bridge.table["shift"][0]), 3)
    1.2
    """
    given: object = bench
    if not isinstance(given, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(given).__name__}."
        raise FanstatsError(msg)
    chance = fraction("probability", probability)
    wanted = [one_of("quantities", kind, _ORDER) for kind in quantities or _ORDER]
    sittings = list(sittings_of(readings))
    rigs = sorted({sitting.rig for sitting in sittings})
    if len(rigs) < 2:
        msg = f"`readings` are of one rig ({rigs[0] or 'not named'}): there is nothing to bridge."
        raise FanstatsError(msg)
    one_of("onto", onto, rigs)
    others = [rig for rig in rigs if rig != onto]
    for rig in others:
        _check_common(sittings, rig, onto)
    found: list[Shift] = []
    notes: list[str] = []
    for kind in _ORDER:
        if kind not in wanted:
            continue
        for rig in others:
            held, told = _of_one_kind(readings, bench, kind, rig, onto, curve)
            found += held
            notes += told
            readings = _taken_out(readings, bench, held)
    if not found:
        msg = f"Nothing could be bridged: {'; '.join(notes)}."
        raise FanstatsError(msg)
    return RigBridge(
        table=pd.DataFrame([_row(each, chance) for each in found], columns=list(_COLUMNS)),
        differences=pd.DataFrame([row for each in found for row in _differences(each)]),
        readings=readings,
        bench=bridged_bench(bench, found, onto),
        onto=onto,
        notes=(*notes, *(note for each in found for note in each.notes)),
        probability=chance,
    )


def _check_common(sittings: Sequence[Sitting], rig: str, onto: str) -> None:
    held = {name: {s.model for s in sittings if s.rig == name} for name in (rig, onto)}
    if held[rig] & held[onto]:
        return
    msg = (
        f"Rigs {rig!r} and {onto!r} have no model in common, so nothing bridges them and their "
        f"results cannot be compared. Test a model of {rig!r} ({', '.join(sorted(held[rig])[:5])}) "
        f"on {onto!r}, or leave the rows of {rig!r} out."
    )
    raise FanstatsError(msg)


def _of_one_kind(
    readings: xr.Dataset, bench: Bench, kind: SpreadKind, rig: str, onto: str, curve: CurveKind
) -> tuple[list[Shift], list[str]]:
    """Give the shifts of one kind, one an obstruction, and what is to be said."""
    sittings = list(sittings_of(readings))
    if not all(any(reads_kind(s, kind) for s in sittings if s.rig == name) for name in (rig, onto)):
        return [], []
    found, failed = [], []
    for obstruction in _obstructions(readings, kind):
        part = readings if obstruction is None else readings.sel(obstruction=[obstruction])
        each = shift_of(part, bench, kind, rig, onto, curve=curve, obstruction=obstruction)
        if isinstance(each, Shift):
            found.append(each)
        else:
            behind = f" behind {obstruction}" if obstruction else ""
            failed.append(f"{kind}{behind} is not bridged from rig {rig}: {each}")
    if found or kind == "speed":
        return found, failed
    msg = (
        f"{failed[0]}. Test one model on both, or name what is to be bridged in `quantities` and "
        "compare nothing else between the two."
    )
    raise FanstatsError(msg)


def _obstructions(readings: xr.Dataset, kind: SpreadKind) -> list[str | None]:
    if kind not in ("airflow", "temperature") or "obstruction" not in readings[kind].dims:
        return [None]
    return [str(name) for name in readings["obstruction"].to_numpy()]


def _taken_out(readings: xr.Dataset, bench: Bench, found: Sequence[Shift]) -> xr.Dataset:
    labels = labels_of(readings, "rig")
    one_meter = bench.instrument_name("background") == bench.instrument_name("noise")
    for each in found:
        by_row = np.array([each.shift if label == each.rig else 0.0 for label in labels])
        readings = without_shifts(
            readings, each.kind, by_row, obstruction=each.obstruction, with_room=one_meter
        )
    return readings


# Tables and words ------------------------------------------------------------------------------


def _row(each: Shift, probability: float) -> dict[str, object]:
    reach = each.u * float(stdtrit(min(each.dof, 1e9), (1.0 + probability) / 2.0))
    ends = np.array([each.log - reach, each.log + reach])
    low, high = np.expm1(ends) if each.kind in RELATIVE else ends
    return {
        "rig": each.rig, "kind": each.kind, "obstruction": each.obstruction or "",
        "shift": each.shift, "u": each.u, "dof": each.dof, "low": float(low), "high": float(high),
        "units": UNITS[each.kind] or "relative", "models": len(each.models),
        "by_model": math.sqrt(max(0.0, each.between_models)), "how": each.how,
    }  # fmt: skip


def _differences(each: Shift) -> list[dict[str, object]]:
    return [
        {
            "rig": each.rig, "kind": each.kind, "obstruction": each.obstruction or "",
            "model": model,
            "difference": float(np.expm1(value)) if each.kind in RELATIVE else float(value),
        }
        for model, value in zip(each.models, each.differences.tolist(), strict=True)
    ]  # fmt: skip


def _row_words(row: Mapping[Hashable, Any]) -> str:
    kind = str(row["kind"])
    shift, low, high = (float(str(row[name])) for name in ("shift", "low", "high"))
    factor, units = (100.0, "%") if row["units"] == "relative" else (1.0, str(row["units"]))
    behind = f" behind {row['obstruction']}" if row["obstruction"] else ""
    text = (
        f"rig {row['rig']} reads {kind}{behind} {two_digits(factor * shift, signed=True)} {units} "
        f"({two_digits(factor * low, signed=True)} to {two_digits(factor * high, signed=True)}; "
        f"{row['models']} model{'' if row['models'] == 1 else 's'})"
    )
    apart = float(str(row["by_model"]))
    if apart > 0:
        text += f", models differing by {figure_of(kind, apart)} in it"
    return text
