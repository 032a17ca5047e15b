"""What a blank label means: refused, the only one, or a session nobody recorded.

model
    Refused: nothing says whose reading it is.
unit, sitting
    Blank all through one model (one unit): its only one, ``"1"``. Blank beside named ones:
    refused, for whether it is one of them or another decides how readings are averaged.
rig
    Blank beside named ones: refused, for it decides which errors two readings share.
session
    Kept as a session nobody recorded, with a warning. Such a session cancels nothing: the sitting
    stands alone, which can widen a range and never narrows one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fanstats.errors import FanstatsError
from fanstats.loading.complaints import Complaint

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.loading.table_columns import Columns

__all__ = ["complete_labels"]

_UNIT_OF_MEASURE: Final = re.compile(
    r"db(\(?[acz]\)?)?|rpm|fpm|cfm|m/s|km/h|m3/h|l/s", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Labels:
    """Labels of the rows that are readings, and the words for their places."""

    columns: Columns
    texts: dict[str, list[str]]
    lines: Sequence[int]

    @property
    def source(self) -> str:
        return self.columns.table.source

    def joined(self, *roles: str) -> list[str]:
        given = [self.texts.get(role, [""] * len(self.lines)) for role in roles]
        return ["\0".join(parts) for parts in zip(*given, strict=True)]


def complete_labels(
    columns: Columns,
    texts: dict[str, list[str]],
    lines: Sequence[int],
    complaints: list[Complaint],
) -> dict[str, list[str]]:
    """Complete the labels that may be blank, refuse those that may not.

    Parameters
    ----------
    columns : Columns
        Where they stand.
    texts : dict of str to list of str
        Label columns of the table, rows that are readings; "" for blank.
    lines : sequence of int
        Rows of the source.
    complaints : list of Complaint
        What is assumed is added.

    Returns
    -------
    dict of str to list of str
        With ``unit`` and ``sitting`` in any case.

    Raises
    ------
    FanstatsError
        If a label is blank that must not be.
    """
    labels = _Labels(columns=columns, texts=dict(texts), lines=lines)
    _refuse_blank(labels, "model", labels.texts["model"], "Write the model into each row")
    _refuse_units_of_measure(labels)
    _complete(labels, "unit", ("model",), "model", complaints)
    _complete(labels, "sitting", ("model", "unit", "session", "rig"), "sample", complaints)
    if any(labels.texts.get("rig", [])):
        _refuse_blank(labels, "rig", labels.texts["rig"], "Write the rig into each row")
    complaints += _blank_sessions(labels)
    return labels.texts


def _refuse_blank(labels: _Labels, role: str, texts: Sequence[str], mend: str) -> None:
    blank = [line for line, text in zip(labels.lines, texts, strict=True) if not text]
    if blank:
        listed = ", ".join(map(str, blank[:5])) + (", ..." if len(blank) > 5 else "")
        msg = (
            f"{labels.source}, row{'s' * (len(blank) > 1)} {listed}, column "
            f"{labels.columns.header_of(role)!r}: every reading needs a {role}; found "
            f"{len(blank)} blank. {mend}, or fill blanks from the row above with "
            f"fill_down=[{role!r}]."
        )
        raise FanstatsError(msg)


def _complete(
    labels: _Labels, role: str, within: Sequence[str], whole: str, complaints: list[Complaint]
) -> None:
    texts = labels.texts.get(role)
    if texts is None:
        labels.texts[role] = ["1"] * len(labels.lines)
        rule = f"without a {role} column there is one {role} a {whole}"
        if role == "sitting":
            rule += " and session"
        complaints.append(Complaint(source=labels.source, kind="assumed", rule=rule))
        return
    groups = labels.joined(*within)
    named = {group for group, text in zip(groups, texts, strict=True) if text}
    clear = [
        "named" if text or group not in named else ""
        for group, text in zip(groups, texts, strict=True)
    ]
    _refuse_blank(labels, role, clear, f"Name the {role} in each row of that {whole}")
    labels.texts[role] = [text or "1" for text in texts]
    if "" in texts:
        rule = f"a {role} that is blank all through a {whole} is its only one"
        column, found = labels.columns.header_of(role), f"{texts.count('')} rows"
        complaints.append(
            Complaint(source=labels.source, kind="assumed", rule=rule, column=column, found=found)
        )


def _refuse_units_of_measure(labels: _Labels) -> None:
    """Catch a long table whose `unit` column holds units of measure, not samples."""
    first: dict[str, int] = {}
    for text, line in zip(labels.texts.get("unit", []), labels.lines, strict=False):
        if _UNIT_OF_MEASURE.fullmatch(text):
            first.setdefault(text, line)
    if first:
        listed = ", ".join(f"{text!r} (row {line})" for text, line in first.items())
        msg = (
            f"{labels.source}, column {labels.columns.header_of('unit')!r}: it names the sample; "
            f"found units of measure: {listed}. Put the unit into the header, as in 'noise "
            "[dBA]', and give each unit that does not convert a table of its own."
        )
        raise FanstatsError(msg)


def _blank_sessions(labels: _Labels) -> list[Complaint]:
    sessions = labels.texts.get("session", [])
    if not any(sessions):
        return []
    return [
        Complaint(
            source=labels.source,
            line=line,
            column=labels.columns.header_of("session"),
            kind="assumed",
            rule="a blank session is one nobody recorded: its sitting stands alone and shares no "
            "error of the day",
            found="(blank)",
            mend="Write the session, or fill blanks from above with fill_down=['session']",
            left_out=True,
        )
        for line, text in zip(labels.lines, sessions, strict=True)
        if not text
    ]
