"""Shifts between sessions, seen by a control fan that sat in each of them, and taken out."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import chdtrc, stdtrit

from fanstats._arguments import fraction
from fanstats._typing import FloatArray
from fanstats.errors import FanstatsError, one_of
from fanstats.estimates.sittings import sittings_of
from fanstats.sources import Bench, Instrument, Source
from fanstats.spread.measured_bench import UNITS, figure_of
from fanstats.spread.offsets import Offsets, SpreadKind
from fanstats.spread.side_by_side import Spreading, side_by_side, spreading
from fanstats.spread.taken_out import (
    RELATIVE,
    apart_from_ambient,
    labels_of,
    with_instrument,
    without_shifts,
)
from fanstats.wording import listed, times_words

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    import xarray as xr

    from fanstats.estimates.curves import CurveKind
    from fanstats.estimates.sittings import Sitting

__all__ = ["SessionShifts", "session_shifts"]

# Speeds first: the other kinds are compared at a given speed, as corrected.
ORDER: Final[tuple[SpreadKind, ...]] = ("speed", "noise", "airflow", "temperature")
_COLUMNS: Final = (
    "rig", "session", "kind", "shift", "u", "low", "high", "units", "sittings",
)  # fmt: skip
# With fewer sessions their own scatter does not tell how far their mean may be off.
_FEWEST_SESSIONS: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SessionShifts:
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
                readings = _taken_out(readings, self.bench, kind, shifts)
        return readings

    def sentence(self) -> str:
        """Say it in words that can stand under a table.

        Returns
        -------
        str
        """
        model, unit = self.control
        anchor = self.reference or "the mean of all sessions"
        parts = [
            _kind_words(str(kind), held) for kind, held in self.table.groupby("kind", sort=False)
        ]
        head = (
            f"Shifts of sessions against {anchor}, seen by {model} (sample {unit}) and taken out; "
            f"ranges hold {times_words(self.probability)}: {'; '.join(parts)}."
        )
        return " ".join([head, *(f"{note[:1].upper()}{note[1:]}." for note in self.notes)])

    def __repr__(self) -> str:
        """Show the sentence and the table."""
        return (
            f"{self.sentence()}\n{self.table.to_string(index=False, float_format='{:.3g}'.format)}"
        )

    def _repr_html_(self) -> str:
        table = self.table.to_html(index=False, float_format="{:.3g}".format, border=0)
        return f"<p>{html.escape(self.sentence())}</p>{table}"


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
        session is named.

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
    sittings = sittings_of(readings)
    _check_sessions(sittings, reference)
    fan = _control_fan(sittings, control)
    found: list[_Found] = []
    notes: list[str] = []
    for kind in ORDER:
        for rig in sorted({sitting.rig for sitting in sittings}):
            each = _of_one_kind(readings, bench, kind, rig, fan, reference, curve)
            if isinstance(each, str):
                notes += [each] if each else []
                continue
            found.append(each)
            readings = _taken_out(readings, bench, kind, each.by_session)
    if not found:
        msg = f"The control fan {fan[0]!r} shows nothing of any session: {'; '.join(notes)}."
        raise FanstatsError(msg)
    several = len({sitting.rig for sitting in sittings}) > 1
    left = bench
    for each in found:
        left = _with_left(left, each, reference, several)
    return SessionShifts(
        table=pd.DataFrame([r for f in found for r in f.rows(chance)], columns=list(_COLUMNS)),
        covariance={f.name(several): f.covariance_table() for f in found},
        readings=readings,
        bench=left,
        control=fan,
        reference=reference or "",
        notes=(*notes, *(note for f in found for note in _notes(bench, f))),
        probability=chance,
    )


# Who sat where ---------------------------------------------------------------------------------


def _check_sessions(sittings: Sequence[Sitting], reference: str | None) -> None:
    without = [sitting for sitting in sittings if not sitting.session]
    if without:
        msg = (
            f"{without[0].place}: no session is recorded, so nothing says what it shares with the "
            "control fan. Fill the column 'session' in."
        )
        raise FanstatsError(msg)
    names = sorted({sitting.session for sitting in sittings})
    if reference is not None:
        one_of("reference", reference, names)
    if len(names) < 2:
        msg = f"All readings are of one session ({listed(names)}): there is nothing to compare."
        raise FanstatsError(msg)


def _control_fan(
    sittings: Sequence[Sitting], control: str | tuple[str, str] | None
) -> tuple[str, str]:
    """Find the fan that is meant."""
    days = {(sitting.rig, sitting.session) for sitting in sittings}
    sat: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for sitting in sittings:
        sat.setdefault((sitting.model, sitting.unit), set()).add((sitting.rig, sitting.session))
    everywhere = [fan for fan, held in sat.items() if held == days]
    if control is None:
        if len(everywhere) == 1:
            return everywhere[0]
        who = listed(_fan_words(fan) for fan in everywhere) or "no fan"
        msg = f"`control` must name the control fan: {who} sat on the bench in every session."
        raise FanstatsError(msg)
    if isinstance(control, str):
        meant = [fan for fan in sat if fan[0] == control]
        full = [fan for fan in meant if fan in everywhere]
        if len(meant) == 1 or len(full) == 1:
            return (full or meant)[0]
        if meant:
            msg = (
                f"`control` must name one sample of {control!r}, as ({control!r}, unit); its "
                f"samples are {listed(unit for _, unit in meant)}."
            )
            raise FanstatsError(msg)
    elif tuple(control) in sat:
        return control[0], control[1]
    known = ", ".join(sorted({model for model, _ in sat}))
    msg = f"`control` must name a fan of the readings; got {control!r}. Models: {known}."
    raise FanstatsError(msg)


def _fan_words(fan: tuple[str, str]) -> str:
    return f"{fan[0]} (sample {fan[1]})"


# Shifts of one kind on one rig -----------------------------------------------------------------


class _Found(NamedTuple):
    """Shifts of one kind on one rig."""

    kind: SpreadKind
    rig: str
    sessions: list[str]
    sittings: list[int]
    offsets: FloatArray  # the control fan's, session by session
    anchoring: FloatArray  # (session, session): takes the reference off
    own: Spreading  # what the control fan's own errors add to each

    @property
    def logs(self) -> FloatArray:
        return self.anchoring @ self.offsets

    @property
    def shifts(self) -> FloatArray:
        return np.expm1(self.logs) if self.kind in RELATIVE else self.logs

    @property
    def by_session(self) -> dict[tuple[str, str], float]:
        return {
            (self.rig, session): float(shift)
            for session, shift in zip(self.sessions, self.shifts, strict=True)
        }

    @property
    def covariance(self) -> FloatArray:
        return self.anchoring @ self.own.covariance @ self.anchoring.T

    def name(self, several: bool) -> str:
        return f"{self.kind}, rig {self.rig}" if several else self.kind

    def covariance_table(self) -> pd.DataFrame:
        return pd.DataFrame(self.covariance, index=self.sessions, columns=self.sessions)

    def rows(self, probability: float) -> list[dict[str, object]]:
        effects = self.anchoring @ self.own.effects
        rows: list[dict[str, object]] = []
        for place, session in enumerate(self.sessions):
            u = float(np.sqrt(self.covariance[place, place]))
            dof = self.own.dof_of(effects[place] ** 2)
            reach = u * float(stdtrit(min(dof, 1e9), (1.0 + probability) / 2.0))
            ends = np.array([self.logs[place] - reach, self.logs[place] + reach])
            low, high = np.expm1(ends) if self.kind in RELATIVE else ends
            rows.append(
                {
                    "rig": self.rig, "session": session, "kind": self.kind,
                    "shift": float(self.shifts[place]), "u": u, "low": float(low),
                    "high": float(high), "units": UNITS[self.kind] or "relative",
                    "sittings": self.sittings[place],
                }
            )  # fmt: skip
        return rows


def _of_one_kind(
    readings: xr.Dataset,
    bench: Bench,
    kind: SpreadKind,
    rig: str,
    fan: tuple[str, str],
    reference: str | None,
    curve: CurveKind,
) -> _Found | str:
    """Give the shifts, or why there are none: "" where the kind was not read at all."""
    needed = sorted({s.session for s in sittings_of(readings) if s.rig == rig and _reads(s, kind)})
    if len(needed) < 2:
        return ""
    instrument = bench.on(rig).instrument(kind)
    if instrument is not None and instrument.session == ():
        return f"{kind}: sessions are stated to make no difference; nothing is taken out"
    parts = side_by_side(
        readings, bench, kind, curve=curve,
        keep=lambda s: s.rig == rig and (s.model, s.unit) == fan,
    )  # fmt: skip
    part = parts[0] if parts else "it did not sit there"
    if isinstance(part, str):
        return f"{kind}: the control fan tells nothing ({part}); the stated session error stays"
    days = [label.removeprefix(f"{rig}, ") for label in part.sessions]
    missing = [session for session in needed if session not in days]
    if missing:
        msg = (
            f"The control fan {_fan_words(fan)} has no {kind} reading to go by in session "
            f"{', '.join(map(repr, missing))}, which holds readings of others. Measure it there, "
            "or leave those rows out."
        )
        raise FanstatsError(msg)
    if reference is not None and reference not in needed:
        msg = f"`reference` {reference!r} holds no {kind}; sessions that do: {', '.join(needed)}."
        raise FanstatsError(msg)
    return _shifts(part, kind, rig, days, needed, reference, bench)


def _shifts(
    part: Offsets,
    kind: SpreadKind,
    rig: str,
    days: list[str],
    sessions: list[str],
    reference: str | None,
    bench: Bench,
) -> _Found:
    held = np.array([[day == session for day in days] for session in sessions], dtype=np.float64)
    averaging = held / held.sum(axis=1, keepdims=True)
    count = len(sessions)
    anchor = np.full(count, 1.0 / count)
    if reference is not None:
        anchor = np.array([float(session == reference) for session in sessions])
    return _Found(
        kind=kind,
        rig=rig,
        sessions=sessions,
        sittings=[int(n) for n in held.sum(axis=1)],
        offsets=averaging @ part.values,
        anchoring=np.eye(count) - anchor[None, :],
        # What all sittings of one fan share tells its sessions nothing apart.
        own=spreading([part], [averaging], bench, ("session", "shared", "model")),
    )


def _reads(sitting: Sitting, kind: SpreadKind) -> bool:
    return any(name == kind and sitting.has((name, where)) for name, where in sitting.channels)


def _taken_out(
    readings: xr.Dataset,
    bench: Bench,
    kind: SpreadKind,
    shifts: dict[tuple[str, str], float],
) -> xr.Dataset:
    rows = zip(labels_of(readings, "rig"), labels_of(readings, "session"), strict=True)
    by_row = np.array([shifts.get(row, 0.0) for row in rows])
    one_meter = bench.instrument_name("background") == bench.instrument_name("noise")
    return without_shifts(readings, kind, by_row, with_room=one_meter)


# What is left ----------------------------------------------------------------------------------


def _with_left(bench: Bench, found: _Found, reference: str | None, several: bool) -> Bench:
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


def _anchor_error(found: _Found, instrument: Instrument, reference: str | None) -> Source | None:
    """Give what the reference itself is off by: its session, and the control fan in it."""
    count = len(found.sessions)
    own = np.diag(found.own.covariance)
    name, about = "reference session", "common to all sessions, of the one they are brought to"
    if reference is None:
        name, about = "mean of sessions", "common to all sessions, of their mean"
    at = slice(None) if reference is None else found.sessions.index(reference)
    share = count if reference is None else 1
    if instrument.session is not None:
        stated = _variance(instrument)
        dof = min((s.dof for s in instrument.at("session")), default=math.inf)
        size = math.sqrt((stated + float(np.mean(own[at]))) / share)
        return _source(found.kind, size, dof, about, name)
    if count < _FEWEST_SESSIONS:
        return None
    size = math.sqrt(float(np.var(found.offsets, ddof=1)) / share)
    return _source(found.kind, size, count - 1.0, about, name)


def _variance(instrument: Instrument) -> float:
    """Give the variance stated, or measured, of sessions."""
    sizes = [(s.absolute + s.relative) ** 2 - s.removed_variance for s in instrument.at("session")]
    return sum(max(0.0, size) for size in sizes)


def _source(kind: SpreadKind, size: float, dof: float, about: str, name: str) -> Source:
    count = "" if math.isinf(dof) else f", {dof:.2g} degrees of freedom"
    return Source(
        absolute=0.0 if kind in RELATIVE else size,
        relative=size if kind in RELATIVE else 0.0,
        units=UNITS[kind] or None,
        dof=dof,
        kind="expanded",  # as it stands: no repeat of a reading makes it smaller
        stated=f"s = {figure_of(kind, size)} {about}{count}",
        name=name,
    )


# Words -----------------------------------------------------------------------------------------


def _notes(bench: Bench, found: _Found) -> list[str]:
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
        stated = _variance(instrument)
        if own > stated > 0:
            notes.append(
                f"{found.kind}: the control fan's own errors "
                f"({figure_of(found.kind, math.sqrt(own))}) are larger than what is stated of "
                f"sessions ({figure_of(found.kind, math.sqrt(stated))}): taking its shifts out "
                "makes ranges wider, not narrower"
            )
    if instrument is None or instrument.session is None:
        count = len(found.sessions)
        if count < _FEWEST_SESSIONS:
            notes.append(
                f"{found.kind}: how far the mean of {count} sessions may be off is not stated, and "
                "not considered; it is the same for all fans"
            )
    p = _chance(found)
    if p > 0.05:
        notes.append(
            f"{found.kind}: the sessions differ no more than the control fan's own errors allow "
            f"(so much comes up {100 * p:.2g} times in 100)"
        )
    return notes


def _chance(found: _Found) -> float:
    """How often sessions that do not differ show shifts as large."""
    spread = found.covariance
    if not np.trace(spread) > 0:
        return 0.0
    ratio = float(found.logs @ np.linalg.pinv(spread, rcond=1e-9) @ found.logs)
    return float(chdtrc(len(found.sessions) - 1, ratio))


def _kind_words(kind: str, held: pd.DataFrame) -> str:
    rows = sorted(held.to_dict("records"), key=lambda row: float(row["shift"]))
    return f"{kind} {_shift_words(rows[0])} to {_shift_words(rows[-1])}"


def _shift_words(row: Mapping[Hashable, Any]) -> str:
    factor, units = (100.0, "%") if row["units"] == "relative" else (1.0, str(row["units"]))
    shift, low, high = (factor * float(row[name]) for name in ("shift", "low", "high"))
    return f"{shift:+.2g} {units} ({low:+.2g} to {high:+.2g}) in {row['session']}"
