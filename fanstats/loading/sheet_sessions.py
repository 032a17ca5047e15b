"""Sheets that are days: the same fans on several sheets, and no column that names the session."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from fanstats.loading.complaints import Complaint

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.loading.table_rows import Rows

__all__ = ["with_sheets_as_sessions"]


def with_sheets_as_sessions(parts: Sequence[Rows], complaints: list[Complaint]) -> Sequence[Rows]:
    """Take the sheet's name for the session where the same sample stands on several sheets.

    Put together without a session its rows would pass for repeats of one sitting, and a scatter
    from day to day for one without touching the fan.

    Parameters
    ----------
    parts : sequence of Rows
        One a sheet.
    complaints : list of Complaint
        What is assumed is added.

    Returns
    -------
    sequence of Rows
        As they were, where a session column stands on any sheet or no sample stands on two.
    """
    samples = [set(zip(part.labels["model"], part.labels["unit"], strict=True)) for part in parts]
    several = sum(map(len, samples)) > len(set().union(*samples))
    if not several or any("session" in part.labels for part in parts):
        return parts
    rule = "the same fans on several sheets without a session column: each sheet is a session"
    complaints += [
        Complaint(
            source=part.source,
            kind="assumed",
            rule=rule,
            found=part.title,
            mend="If they are pages of one day, give them a column 'session'",
        )
        for part in parts
    ]
    return [
        replace(part, labels={**part.labels, "session": [part.title] * len(part.lines)})
        for part in parts
    ]
