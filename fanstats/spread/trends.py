"""Wear: samples whose readings drift from session to session, with a stated false-alarm rate."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import stdtr

from fanstats._arguments import fraction
from fanstats._typing import FloatArray
from fanstats.engine.sittings import sittings_of
from fanstats.errors import FanstatsError
from fanstats.sources import Bench
from fanstats.spread.like_for_like import aligned_by, among, on_one_scale
from fanstats.spread.measured_bench import UNITS
from fanstats.spread.offsets import KIND_WORDS, KINDS, Offsets, SpreadKind
from fanstats.spread.side_by_side import side_by_side
from fanstats.tabled import Tabled
from fanstats.wording import listed, per_hundred, two_digits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.spread.like_for_like import Aligned

__all__ = ["Trends", "drift_words", "session_times", "trends"]

# A line through two sessions fits always.
_FEWEST_SESSIONS: Final = 3
_COLUMNS: Final = (
    "model", "unit", "kind", "change", "u", "per", "units", "sessions", "dof", "p", "trend",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Trends(Tabled):
    """How samples drift from session to session.

    Attributes
    ----------
    table : pandas.DataFrame
        A row a sample and kind: model, unit, kind, change (a day, or a session), u, per ("day" or
        "session"), units, sessions, dof, p (how often any bench without wear shows so steep a
        drift), trend.
    false_alarm : float
        At most so many benches without wear name any sample, over all samples and kinds together.
    alone : tuple of str
        Kinds in which a drift of the sample cannot be told from one of the instruments: no other
        sample sat in the same sessions.
    not_judged : tuple of str
        What could not be judged, with the mend.
    """

    _DIGITS: ClassVar[int] = 3

    table: pd.DataFrame
    false_alarm: float
    alone: tuple[str, ...]
    not_judged: tuple[str, ...]

    def warnings(self) -> list[str]:
        """Say which samples drift, a sentence each without its full stop.

        Returns
        -------
        list of str
            Empty where none does.
        """
        drifting = self.table[self.table["trend"].astype(bool)] if len(self.table) else self.table
        return [self._words({str(k): v for k, v in r.items()}) for r in drifting.to_dict("records")]

    def _words(self, row: Mapping[str, object]) -> str:
        change, sessions = float(str(row["change"])), int(str(row["sessions"]))
        if row["units"] == "relative":
            size = f"{two_digits(100 * abs(change))} %"
        else:
            size = f"{two_digits(abs(change))} {row['units']}"
        way = "up" if change > 0 else "down"
        text = (
            f"sample {row['unit']} of {row['model']} drifts {way} in {row['kind']}, {size} a "
            f"{row['per']} over {sessions} sessions ({per_hundred(float(str(row['p'])))} of 100 "
            "benches without wear show as much): its sessions are not like for like"
        )
        if row["kind"] in self.alone:
            text += "; no other sample sat with it, so it may be the instrument that drifts"
        return text

    def sentence(self) -> str:
        """Say which samples drift.

        Returns
        -------
        str
        """
        told = self.warnings()
        if not told:
            told = ["no sample is seen to drift" if len(self.table) else "no drift is judged"]
        return " ".join(f"{each[:1].upper()}{each[1:]}." for each in [*told, *self.not_judged])

    def _rows(self) -> pd.DataFrame:
        return self.table


def trends(
    readings: xr.Dataset,
    bench: Bench,
    *,
    order: Sequence[str] | None = None,
    false_alarm: float = 0.05,
    curve: CurveKind = "smooth",
) -> Trends:
    """Look for samples that drift from session to session: bearings wear, dust gathers.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`, with a column ``session``.
    bench : Bench
        What is stated about the instruments; it decides which steps carry a curve.
    order : sequence of str, optional
        The sessions in their order in time. Without it labels are read as dates (``2026-03-14``),
        or by the number they end in (``day 3``).
    false_alarm : float
        Rate at which benches without wear may name any sample at all.
    curve : {"smooth", "straight", "power law"}
        Curve through each sitting's noise steps.

    Returns
    -------
    Trends

    Raises
    ------
    FanstatsError
        If no session is recorded, their order in time is not known, or an argument is of the
        wrong kind.

    Notes
    -----
    Session means of each sample are regressed on time, its own level and, where other samples sat
    in the same sessions, what each session adds to all of them taken out first; the scatter of all
    samples about their fits judges the slope by Student's t. Bonferroni over samples and kinds
    makes the rate hold for all together. A drift that all samples share is one of the sessions.
    Of a model read on two rigs that nothing bridges, those of one are judged; a control fan whose
    shifts were taken out reads alike in all sessions and is not.

    Examples
    --------
    >>> import fanstats as fs
    >>> rows = [
    ...     {"model": model, "session": f"day {d}", "speed [rpm]": n,
    ...      "noise [dBA]": 40 + 50 * np.log10(n / 1000) + (0.5 * d if model == "A" else 0)
    ...      + 0.01 * ((7 * d + place) % 3)}
    ...     for place, model in enumerate("ABC") for d in range(5) for n in (700, 1000, 1400)
    ... ]
    >>> found = trends(fs.read_readings(pd.DataFrame(rows)), Bench())
    >>> found.table[found.table["trend"]]["model"].tolist()
    ['A']
    """
    given: object = bench
    if not isinstance(given, Bench):
        msg = f"`bench` must be a Bench (see read_bench); got {type(given).__name__}."
        raise FanstatsError(msg)
    rate = fraction("false_alarm", false_alarm)
    sittings = list(sittings_of(readings))
    sessions = sorted({s.session for s in sittings} - {""})
    if not sessions:
        msg = (
            "`readings` must name sessions for a drift to be seen from one to the next; found no "
            "column 'session' with entries. Fill it in: one label a day."
        )
        raise FanstatsError(msg)
    times, per = _times(sessions, order)
    offsets = {}
    for kind in KINDS:
        kept = among(on_one_scale(sittings, bench, kind)[0])
        parts = side_by_side(readings, bench, kind, keep=kept, curve=curve)
        offsets[kind] = [part for part in parts if isinstance(part, Offsets)]
    return _judge(offsets, times, per, rate, aligned_by(readings))


def drift_words(
    offsets: Mapping[SpreadKind, Sequence[Offsets]], aligned: Aligned | None = None
) -> list[str]:
    """Warn of samples that drift, where the order of sessions can be read off their labels.

    Parameters
    ----------
    offsets : mapping
        By kind, one a model.
    aligned : Aligned or None
        The control fan whose sessions were made to read alike: nothing is seen of its drift.

    Returns
    -------
    list of str
        At a false-alarm rate of 5 % over all samples and kinds.
    """
    labels = {
        session.removeprefix(f"{rig}, ") if rig else session
        for parts in offsets.values()
        for part in parts
        for rig, session in zip(part.rigs, part.sessions, strict=True)
    }
    known = session_times(sorted(labels - {""}))
    return [] if known is None else _judge(offsets, *known, 0.05, aligned).warnings()


def _times(sessions: Sequence[str], order: Sequence[str] | None) -> tuple[dict[str, float], str]:
    if order is None:
        found = session_times(sessions)
        if found is not None:
            return found
        msg = (
            "The order of the sessions in time is not known from their labels "
            f"({', '.join(sessions[:5])}). Give it: order=[...], or write dates such as 2026-03-14."
        )
        raise FanstatsError(msg)
    missing = [session for session in sessions if session not in order]
    if missing or len(set(order)) < len(order):
        what = f"lacks {', '.join(missing)}" if missing else "names a session twice"
        msg = f"`order` must hold every session once; it {what}."
        raise FanstatsError(msg)
    return {session: float(place) for place, session in enumerate(order)}, "session"


def session_times(sessions: Sequence[str]) -> tuple[dict[str, float], str] | None:
    """Read the order of sessions off their labels.

    Parameters
    ----------
    sessions : sequence of str
        Labels.

    Returns
    -------
    (dict of str to float, str) or None
        Time by label, and what it is counted in: days where labels are dates, else sessions in
        the order of the numbers they end in. None where labels say neither.

    Examples
    --------
    >>> session_times(["2026-03-01", "2026-03-15"])
    ({'2026-03-01': 0.0, '2026-03-15': 14.0}, 'day')
    >>> session_times(["day 10", "day 9"])
    ({'day 9': 0.0, 'day 10': 1.0}, 'session')
    >>> session_times(["mon", "tue"]) is None
    True
    """
    if all(re.fullmatch(r"\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2})?)?", s) for s in sessions):
        dates = pd.to_datetime(pd.Series(list(sessions)), format="ISO8601", errors="coerce")
        if len(dates) and dates.notna().all():
            days = (dates - dates.min()).dt.total_seconds() / 86_400.0
            return dict(zip(sessions, days.tolist(), strict=True)), "day"
    parts = [re.fullmatch(r"(.*?)(\d+)", session) for session in sessions]
    if not sessions or not all(parts) or len({part[1] for part in parts if part}) > 1:
        return None
    numbers = {session: int(part[2]) for session, part in zip(sessions, parts, strict=True) if part}
    ranked = sorted(sessions, key=numbers.__getitem__)
    return {session: float(place) for place, session in enumerate(ranked)}, "session"


# The regression --------------------------------------------------------------------------------


class _Means(NamedTuple):
    """Session means of samples, one kind."""

    fans: list[tuple[str, str]]
    sessions: list[str]  # with the rig
    times: FloatArray
    values: FloatArray


def _judge(
    offsets: Mapping[SpreadKind, Sequence[Offsets]],
    times: Mapping[str, float],
    per: str,
    false_alarm: float,
    aligned: Aligned | None,
) -> Trends:
    """Look for drifts in offsets, at a rate over all samples and kinds."""
    rows: list[dict[str, object]] = []
    alone = []
    for kind, parts in offsets.items():
        means = _means(parts, times, [] if aligned is None else aligned.units(kind))
        found, shared = _slopes(means)
        rows += [row | {"kind": KIND_WORDS[kind], "units": UNITS[kind] or "relative", "per": per}
                 for row in found]  # fmt: skip
        if found and not shared:
            alone.append(KIND_WORDS[kind])
    for row in rows:
        row["p"] = min(1.0, float(str(row["p"])) * len(rows))
        row["trend"] = row["p"] <= false_alarm  # type: ignore[operator]
    silent = [KIND_WORDS[k] for k, parts in offsets.items() if parts and not _judged(rows, k)]
    return Trends(
        table=pd.DataFrame(rows, columns=list(_COLUMNS)),
        false_alarm=false_alarm,
        alone=tuple(alone),
        not_judged=(
            f"{listed(silent)}: not judged, no sample sat in {_FEWEST_SESSIONS} sessions or more "
            "with scatter to judge by",
        )
        if silent
        else (),
    )


def _judged(rows: Sequence[Mapping[str, object]], kind: SpreadKind) -> bool:
    return any(row["kind"] == KIND_WORDS[kind] for row in rows)


def _means(
    parts: Sequence[Offsets], times: Mapping[str, float], aligned: Sequence[tuple[str, str]]
) -> _Means:
    """Average the sittings of a sample in a session; without samples made to read alike."""
    held: dict[tuple[str, str, str], list[float]] = {}
    when: dict[str, float] = {}
    for part in parts:
        for unit, rig, label, value in zip(
            part.units, part.rigs, part.sessions, part.values.tolist(), strict=True
        ):
            session = label.removeprefix(f"{rig}, ") if rig else label
            if session in times and (part.model, unit) not in aligned:
                held.setdefault((part.model, unit, label), []).append(value)
                when[label] = times[session]
    return _Means(
        fans=[(model, unit) for model, unit, _ in held],
        sessions=[label for _, _, label in held],
        times=np.array([when[label] for _, _, label in held]),
        values=np.array([float(np.mean(values)) for values in held.values()]),
    )


def _slopes(means: _Means) -> tuple[list[dict[str, object]], bool]:
    """Judge every sample that sat in enough sessions; say whether sessions could be taken out."""
    fans = list(dict.fromkeys(means.fans))
    fan = np.array([fans.index(each) for each in means.fans], dtype=np.intp)
    judged = [place for place in range(len(fans)) if np.sum(fan == place) >= _FEWEST_SESSIONS]
    if not judged:
        return [], False
    days = list(dict.fromkeys(means.sessions))
    day = np.array([days.index(each) for each in means.sessions], dtype=np.intp)
    levels = (fan[:, None] == np.arange(len(fans))).astype(np.float64)
    shared = bool((np.bincount(day) > 1).any())
    if shared:
        levels = np.hstack([levels, (day[:, None] == np.arange(len(days))).astype(np.float64)])
    rows = []
    for place in judged:
        found = _slope(levels, np.where(fan == place, means.times, 0.0), means.values)
        if found is not None:
            slope, u, dof, p = found
            rows.append(
                {
                    "model": fans[place][0], "unit": fans[place][1], "change": slope, "u": u,
                    "sessions": int(np.sum(fan == place)), "dof": dof, "p": p,
                }
            )  # fmt: skip
    return rows, shared


def _slope(
    levels: FloatArray, time: FloatArray, values: FloatArray
) -> tuple[float, float, int, float] | None:
    """Fit one slope beside the levels: slope, u, degrees of freedom, chance of one as steep."""
    basis, size, _ = np.linalg.svd(levels, full_matrices=False)
    basis = basis[:, size > 1e-9 * size.max()]
    rest = time - basis @ (basis.T @ time)
    left = values - basis @ (basis.T @ values)
    dof = values.size - basis.shape[1] - 1
    weight = float(rest @ rest)
    if dof < 1 or not weight > 1e-9 * float(time @ time):
        return None
    slope = float(rest @ left) / weight
    scatter = float(np.sum((left - slope * rest) ** 2)) / dof
    if not scatter > 1e-20:
        return None
    u = math.sqrt(scatter / weight)
    return slope, u, dof, 2.0 * float(stdtr(dof, -abs(slope) / u))
