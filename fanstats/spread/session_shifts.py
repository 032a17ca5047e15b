"""Shifts between sessions, seen by a control fan that sat in each of them, and taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from fanstats._arguments import fraction
from fanstats.engine.sittings import sittings_of
from fanstats.errors import FanstatsError
from fanstats.sources import Bench
from fanstats.spread.control_fan import (
    KindShifts,
    check_sessions,
    control_fan,
    shifts_of_kind,
    without_session_shifts,
)
from fanstats.spread.left_sessions import FEWEST_SESSIONS, variance_of_sessions, with_left
from fanstats.spread.like_for_like import aligned_by, with_aligned
from fanstats.spread.measured_bench import figure_of
from fanstats.spread.taken_out import labels_of
from fanstats.tabled import Tabled
from fanstats.wording import per_hundred, times_words, two_digits

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.spread.offsets import SpreadKind

__all__ = ["SessionShifts", "session_shifts"]

# Speeds first: the other kinds are compared at a given speed, as corrected.
ORDER: Final[tuple[SpreadKind, ...]] = ("speed", "noise", "airflow", "temperature")
_COLUMNS: Final = (
    "rig", "session", "kind", "shift", "u", "low", "high", "units", "sittings",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class SessionShifts(Tabled):
    """What a control fan shows of the sessions.

    Attributes
    ----------
    table : pandas.DataFrame
        A row a session and kind: rig, session, kind, shift (how much too high the session reads:
        dB, K or a fraction), u, low, high, units, sittings of the control fan in it.
    covariance : dict of str to pandas.DataFrame
        Covariance of the shifts by kind (and rig): they are correlated through what they are
        measured from.
    readings : xarray.Dataset
        The readings with the shifts taken out.
    bench : Bench
        The bench in which what is left stands in the place of the stated session error.
    control : tuple of str
        Model and sample of the control fan.
    reference : str
        The session that the others are measured from; "" for their mean.
    notes : tuple of str
        What could not be done, and what is not considered.
    probability : float
        Coverage probability of the ranges.
    """

    _DIGITS: ClassVar[int] = 3

    table: pd.DataFrame
    covariance: dict[str, pd.DataFrame]
    readings: xr.Dataset
    bench: Bench
    control: tuple[str, str]
    reference: str
    notes: tuple[str, ...]
    probability: float

    def apply(self, readings: xr.Dataset) -> xr.Dataset:
        """Take the same shifts out of other readings of the same sessions.

        Parameters
        ----------
        readings : xarray.Dataset
            From `read_readings`.

        Returns
        -------
        xarray.Dataset

        Raises
        ------
        FanstatsError
            If they hold a session that has no shift.
        """
        _check_as_read(readings)
        known = set(zip(self.table["rig"], self.table["session"], strict=True))
        labels = set(zip(labels_of(readings, "rig"), labels_of(readings, "session"), strict=True))
        strange = sorted(session or "(none)" for rig, session in labels - known)
        if strange:
            msg = (
                f"`readings` hold sessions in which the control fan did not sit: "
                f"{', '.join(strange)}. Leave their rows out."
            )
            raise FanstatsError(msg)
        for kind in ORDER:
            held = self.table[self.table["kind"] == kind]
            shifts = {
                (str(row.rig), str(row.session)): float(row.shift)  # type: ignore[arg-type]
                for row in held.itertuples()
            }
            if shifts:
                readings = without_session_shifts(readings, self.bench, kind, shifts)
        return with_aligned(readings, self.control, set(self.table["kind"]))

    def sentence(self) -> str:
        """Say it in words that can stand under a table.

        Returns
        -------
        str
        """
        model, unit = self.control
        anchor = self.reference or "the mean of all sessions"
        parts = [
            _kind_words(str(kind), held[held["session"] != self.reference])
            for kind, held in self.table.groupby("kind", sort=False)
        ]
        head = (
            f"Shifts of sessions against {anchor}, seen by {model} (sample {unit}) and taken out; "
            f"ranges hold {times_words(self.probability)}: {'; '.join(parts)}."
        )
        return " ".join([head, *(f"{note[:1].upper()}{note[1:]}." for note in self.notes)])

    def _rows(self) -> pd.DataFrame:
        return self.table


def session_shifts(
    readings: xr.Dataset,
    bench: Bench,
    *,
    control: str | tuple[str, str] | None = None,
    reference: str | None = None,
    curve: CurveKind = "smooth",
    probability: float = 0.95,
) -> SessionShifts:
    """Estimate by a control fan how sessions differ, and take that out of every reading.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`, with a column ``session``.
    bench : Bench
        What is stated about the instruments. What its sittings and readings get wrong of the
        control fan is what the shifts are uncertain by.
    control : str or tuple of str, optional
        The control fan: a model, or model and sample. Without it the one sample that sat on the
        bench in every session.
    reference : str, optional
        Session that the others are brought to; without it the mean of all.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.
    probability : float
        Coverage probability of the ranges.

    Returns
    -------
    SessionShifts

    Raises
    ------
    FanstatsError
        If there is no control fan, or it did not sit in a session that holds readings: that
        session is named. If shifts of sessions were taken out of the readings before.

    Notes
    -----
    With ``c_s`` the control fan's distance from its mean curve in session ``s``, the shift is
    ``c_s - c_0``, ``c_0`` that of the reference or the mean of all. Take it out, and a reading of
    session ``s`` keeps the control fan's own error ``r_s`` (its mountings and readings) in the
    place of the session's: one draw a session, the reference included. What all sessions have
    then in common, the error of ``c_0``, is one draw for everything. The control fan's own
    readings share ``r_s`` with the shifts; for that fan alone the ranges are too wide.

    Shifts are sought in speed at a given drive, then, at speeds so corrected, in level, airflow
    and temperature rise. A level is shifted together with the room read by the same meter, so
    that the level of the fan alone moves by the shift. Whether a tachometer or a supply drifted
    makes no difference at equal noise: the corrected point stays on the fan's own curve.

    References
    ----------
    ISO 5725-3 (intermediate precision, control of a laboratory's bias by a check sample);
    JCGM 100:2008, F.1.2.3 (correlation through a common correction).

    Examples
    --------
    >>> import pandas as pd
    >>> import fanstats as fs
    >>> rows = [
    ...     {"model": model, "session": day, "speed [rpm]": n,
    ...      "noise [dBA]": level + 50 * np.log10(n / 1000) + (0.4 if day == "tue" else 0.0)}
    ...     for model, level in (("A", 40.0), ("C", 42.0)) for day in ("mon", "tue")
    ...     for n in (700, 1000, 1400) if (model, day) != ("A", "tue")
    ... ]
    >>> found = session_shifts(fs.read_readings(pd.DataFrame(rows)), Bench(), control="C")
    >>> found.table["shift"].round(3).tolist()
    [-0.2, 0.2]
    """
    given: object = bench
    if not isinstance(given, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(given).__name__}."
        raise FanstatsError(msg)
    chance = fraction("probability", probability)
    sittings = list(sittings_of(readings))
    _check_as_read(readings)
    check_sessions(sittings, reference)
    fan = control_fan(sittings, control)
    found: list[KindShifts] = []
    notes: list[str] = []
    for kind in ORDER:
        for rig in sorted({sitting.rig for sitting in sittings}):
            each = shifts_of_kind(readings, bench, kind, rig, fan, reference, curve)
            if isinstance(each, str):
                notes += [each] if each else []
                continue
            found.append(each)
            readings = without_session_shifts(readings, bench, kind, each.by_session)
    if not found:
        msg = f"The control fan {fan[0]!r} shows nothing of any session: {'; '.join(notes)}."
        raise FanstatsError(msg)
    several = len({sitting.rig for sitting in sittings}) > 1
    left = bench
    for each in found:
        left = with_left(left, each, reference, several)
    return SessionShifts(
        table=pd.DataFrame([r for f in found for r in f.rows(chance)], columns=list(_COLUMNS)),
        covariance={f.name(several): f.covariance_table() for f in found},
        readings=with_aligned(readings, fan, {each.kind for each in found}),
        bench=left,
        control=fan,
        reference=reference or "",
        notes=(*notes, *(note for f in found for note in _notes(bench, f))),
        probability=chance,
    )


def _check_as_read(readings: xr.Dataset) -> None:
    fan = aligned_by(readings)
    if fan is not None:
        msg = (
            f"`readings` have the shifts of sessions taken out already, those seen by {fan}. Pass "
            "them as they were read."
        )
        raise FanstatsError(msg)


# Words -----------------------------------------------------------------------------------------


def _notes(bench: Bench, found: KindShifts) -> list[str]:
    notes = []
    instrument = bench.on(found.rig).instrument(found.kind)
    if instrument is None or "sitting" in instrument.unstated:
        notes.append(
            f"{found.kind}: what mounting the control fan anew moves is not stated, and so not "
            "considered; two sittings of it in each session would tell (see unit_spread)"
        )
    own = float(np.max(np.diag(found.own.covariance)))
    stated = 0.0
    if instrument is not None and instrument.session:
        stated = variance_of_sessions(instrument)
        if own > stated > 0:
            notes.append(
                f"{found.kind}: the control fan's own errors "
                f"({figure_of(found.kind, math.sqrt(own))}) are larger than what is stated of "
                f"sessions ({figure_of(found.kind, math.sqrt(stated))}): taking its shifts out "
                "makes ranges wider, not narrower"
            )
    if instrument is None or instrument.session is None:
        count = len(found.sessions)
        if count < FEWEST_SESSIONS:
            notes.append(
                f"{found.kind}: how far the mean of {count} sessions may be off is not stated, and "
                "not considered; it is the same for all fans"
            )
    p = _chance(found)
    if p > 0.05:
        notes.append(
            f"{found.kind}: the sessions differ no more than the control fan's own errors allow "
            f"(so much comes up {per_hundred(p)} times in 100)"
        )
    return notes


def _chance(found: KindShifts) -> float:
    """How often sessions that do not differ show shifts as large."""
    spread = found.covariance
    if not np.trace(spread) > 0:
        return 0.0
    ratio = float(found.logs @ np.linalg.pinv(spread, rcond=1e-9) @ found.logs)
    return float(chdtrc(len(found.sessions) - 1, ratio))


def _kind_words(kind: str, held: pd.DataFrame) -> str:
    rows = sorted(held.to_dict("records"), key=lambda row: float(row["shift"]))
    ends = rows[:1] if len(rows) == 1 else [rows[0], rows[-1]]
    return f"{kind} {' to '.join(map(_shift_words, ends))}"


def _shift_words(row: Mapping[Hashable, Any]) -> str:
    factor, units = (100.0, "%") if row["units"] == "relative" else (1.0, str(row["units"]))
    shift, low, high = (factor * float(row[name]) for name in ("shift", "low", "high"))
    ends = f"{two_digits(low, signed=True)} to {two_digits(high, signed=True)}"
    return f"{two_digits(shift, signed=True)} {units} ({ends}) in {row['session']}"
