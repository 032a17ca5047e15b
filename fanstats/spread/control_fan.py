"""What a control fan shows of each session: one kind of shift on one rig at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from fanstats._typing import FloatArray
from fanstats.engine.sittings import sittings_of
from fanstats.errors import FanstatsError, one_of
from fanstats.spread.like_for_like import reads_kind
from fanstats.spread.measured_bench import UNITS
from fanstats.spread.offsets import Offsets, SpreadKind
from fanstats.spread.side_by_side import Spreading, side_by_side, spreading
from fanstats.spread.taken_out import RELATIVE, labels_of, without_shifts
from fanstats.wording import listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.engine.sittings import Sitting
    from fanstats.sources import Bench

__all__ = [
    "KindShifts",
    "check_sessions",
    "control_fan",
    "shifts_of_kind",
    "without_session_shifts",
]

# Who sat where ---------------------------------------------------------------------------------


def check_sessions(sittings: Sequence[Sitting], reference: str | None) -> None:
    """Refuse sittings without a session, a reference that is none, and one session alone.

    Parameters
    ----------
    sittings : sequence of Sitting
        All sittings.
    reference : str or None
        The session that the others are measured from.

    Raises
    ------
    FanstatsError
    """
    without = [sitting for sitting in sittings if not sitting.session]
    if without:
        msg = (
            f"{without[0].words}: no session is recorded, so nothing says what it shares with the "
            "control fan. Fill the column 'session' in."
        )
        raise FanstatsError(msg)
    names = sorted({sitting.session for sitting in sittings})
    if reference is not None:
        one_of("reference", reference, names)
    if len(names) < 2:
        msg = f"All readings are of one session ({listed(names)}): there is nothing to compare."
        raise FanstatsError(msg)


def control_fan(
    sittings: Sequence[Sitting], control: str | tuple[str, str] | None
) -> tuple[str, str]:
    """Find the fan that is meant.

    Parameters
    ----------
    sittings : sequence of Sitting
        All sittings.
    control : str or tuple of str or None
        What the caller said.

    Returns
    -------
    (str, str)
        Model and sample.

    Raises
    ------
    FanstatsError
        If it is not clear which.
    """
    days = {(sitting.rig, sitting.session) for sitting in sittings}
    sat: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for sitting in sittings:
        sat.setdefault((sitting.model, sitting.unit), set()).add((sitting.rig, sitting.session))
    everywhere = [fan for fan, held in sat.items() if held == days]
    if control is None:
        if len(everywhere) == 1:
            return everywhere[0]
        raise FanstatsError(_nobody_named(everywhere, sat, days))
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


def _nobody_named(
    everywhere: Sequence[tuple[str, str]],
    sat: dict[tuple[str, str], set[tuple[str, str]]],
    days: set[tuple[str, str]],
) -> str:
    """Say why the control fan cannot be told without a name."""
    if everywhere:
        who = listed(_fan_words(fan) for fan in everywhere)
        return f"`control` must name the control fan: {who} sat on the bench in every session."
    most = max(sat, key=lambda fan: len(sat[fan]))
    missing = sorted(", ".join(part for part in day if part) for day in days - sat[most])
    return (
        f"No fan sat on the bench in every session; {_fan_words(most)} comes closest and is "
        f"missing in {listed(map(repr, missing))}. Measure it there, or leave those sessions out; "
        "without a control fan sessions stay a source of error (`session` in the bench)."
    )


def _fan_words(fan: tuple[str, str]) -> str:
    return f"{fan[0]} (sample {fan[1]})"


# Shifts of one kind on one rig -----------------------------------------------------------------


class KindShifts(NamedTuple):
    """Shifts of one kind on one rig.

    Attributes
    ----------
    kind, rig
        Of what.
    sessions : list of str
        Their names.
    sittings : list of int
        How often the control fan sat in each.
    offsets : ndarray, shape (session,)
        The control fan's distance from its mean curve: dB, K or a logarithm.
    anchoring : ndarray, shape (session, session)
        Takes the reference off.
    own : Spreading
        What the control fan's own errors add to each offset.
    """

    kind: SpreadKind
    rig: str
    sessions: list[str]
    sittings: list[int]
    offsets: FloatArray
    anchoring: FloatArray
    own: Spreading

    @property
    def logs(self) -> FloatArray:
        """Shifts: dB, K or a logarithm."""
        return self.anchoring @ self.offsets

    @property
    def shifts(self) -> FloatArray:
        """Shifts: dB, K or a fraction."""
        return np.expm1(self.logs) if self.kind in RELATIVE else self.logs

    @property
    def by_session(self) -> dict[tuple[str, str], float]:
        """Shift by rig and session."""
        return {
            (self.rig, session): float(shift)
            for session, shift in zip(self.sessions, self.shifts, strict=True)
        }

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the shifts."""
        return self.anchoring @ self.own.covariance @ self.anchoring.T

    def name(self, several: bool) -> str:
        """Name the kind, with the rig where there are several."""
        return f"{self.kind}, rig {self.rig}" if several else self.kind

    def covariance_table(self) -> pd.DataFrame:
        """Label the covariance with the sessions."""
        return pd.DataFrame(self.covariance, index=self.sessions, columns=self.sessions)

    def rows(self, probability: float) -> list[dict[str, object]]:
        """Give a row a session, with ranges by Student's t."""
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


def shifts_of_kind(
    readings: xr.Dataset,
    bench: Bench,
    kind: SpreadKind,
    rig: str,
    fan: tuple[str, str],
    reference: str | None,
    curve: CurveKind,
) -> KindShifts | str:
    """Give the shifts of one kind on one rig.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What is stated about the instruments.
    kind : {"noise", "airflow", "speed", "temperature"}
        What is compared.
    rig : str
        Where.
    fan : (str, str)
        The control fan.
    reference : str or None
        The session that the others are measured from.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.

    Returns
    -------
    KindShifts or str
        Why there are none; "" where the kind was not read at all.

    Raises
    ------
    FanstatsError
        If the control fan did not sit in a session that holds readings.
    """
    needed = sorted(
        {s.session for s in sittings_of(readings) if s.rig == rig and reads_kind(s, kind)}
    )
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
) -> KindShifts:
    held = np.array([[day == session for day in days] for session in sessions], dtype=np.float64)
    averaging = held / held.sum(axis=1, keepdims=True)
    count = len(sessions)
    anchor = np.full(count, 1.0 / count)
    if reference is not None:
        anchor = np.array([float(session == reference) for session in sessions])
    return KindShifts(
        kind=kind,
        rig=rig,
        sessions=sessions,
        sittings=[int(n) for n in held.sum(axis=1)],
        offsets=averaging @ part.values,
        anchoring=np.eye(count) - anchor[None, :],
        # What all sittings of one fan share tells its sessions nothing apart.
        own=spreading([part], [averaging], bench, ("session", "shared", "model")),
    )


def without_session_shifts(
    readings: xr.Dataset,
    bench: Bench,
    kind: SpreadKind,
    shifts: dict[tuple[str, str], float],
) -> xr.Dataset:
    """Take shifts out of readings.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        Knows whether one meter reads noise and room.
    kind : {"noise", "airflow", "speed", "temperature"}
        What is shifted.
    shifts : dict of (rig, session) to float
        By how much each session reads too high.

    Returns
    -------
    xarray.Dataset
    """
    rows = zip(labels_of(readings, "rig"), labels_of(readings, "session"), strict=True)
    by_row = np.array([shifts.get(row, 0.0) for row in rows])
    one_meter = bench.instrument_name("background") == bench.instrument_name("noise")
    return without_shifts(readings, kind, by_row, with_room=one_meter)
