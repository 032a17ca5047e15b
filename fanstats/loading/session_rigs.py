"""The rig of rows that name none, where the session's own row on another sheet names it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.loading.side_sheets import Facts

__all__ = ["rigs_by_session"]


def rigs_by_session(
    facts: Sequence[Facts], labels: Mapping[str, Sequence[str]]
) -> list[str] | None:
    """Give each row the rig its session was held on, where only the session sheets say it.

    Parameters
    ----------
    facts : sequence of Facts
        Sheets with one row a session.
    labels : mapping of str to sequence of str
        Labels of the rows.

    Returns
    -------
    list of str or None
        None where the rows name rigs themselves, or nothing names one.

    Raises
    ------
    FanstatsError
        If a session was held on several rigs, or on none beside others that name theirs: the rig
        decides which errors two readings share.
    """
    named = [(sheet, *key) for sheet in facts for key in sheet.keys if key[0]]
    sessions = labels.get("session", [])
    if any(labels.get("rig", [])) or not {s for _, _, s in named} & set(sessions):
        return None
    by_session: dict[str, str] = {}
    for sheet, rig, session in named:
        other = by_session.setdefault(session, rig or "")
        if other != rig and session in set(sessions):
            msg = (
                f"{sheet.source}: session {session!r} was held on 2 rigs ({other!r}, {rig!r}), "
                "and its readings name none. Give the readings a column 'rig'."
            )
            raise FanstatsError(msg)
    bare = [session for session in dict.fromkeys(sessions) if session not in by_session]
    if bare:
        msg = (
            f"{named[0][0].source}, column 'rig': where one session names its rig every session "
            f"of the readings does; found none for session {bare[0] or '(blank)'!r}. Give it a "
            "row with its rig, or leave the column out."
        )
        raise FanstatsError(msg)
    return [by_session[session] for session in sessions]
