"""What a load has to say about its input: one entry a fault, and sentences made of them."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = ["Complaint", "numbered", "sentences", "summary", "to_json"]

_SHOWN: Final = 6  # rows or findings a sentence lists before it counts the rest
_SHEET: Final = ", sheet "  # between the name of a file and that of its sheet
_FIELDS: Final = ("source", "line", "column", "kind", "rule", "found", "mend")


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """One thing to know about the input: where it stands, the rule, what was found, the mend.

    Attributes
    ----------
    source : str
        File, file and sheet, or ``"DataFrame"``.
    line : int
        Row in that source, counted from 1; 0 where it concerns no single row.
    column : str
        Header of the column, empty where it concerns none.
    kind : str
        Such as ``"below range"`` or ``"skipped"``.
    rule, found, mend : str
        The rule, what was found, what to do about it.
    left_out : bool
        Whether something that may matter is missing from the readings, or stands in them under
        doubt: such complaints are warned about, the others only listed.
    """

    source: str
    kind: str
    rule: str
    line: int = 0
    column: str = ""
    found: str = ""
    mend: str = ""
    left_out: bool = False


def to_json(complaints: Iterable[Complaint]) -> str:
    """Give the complaints as JSON text, which survives every file format.

    Parameters
    ----------
    complaints : iterable of Complaint
        In the order they are to be listed.

    Returns
    -------
    str
    """
    entries = [{name: getattr(entry, name) for name in _FIELDS} for entry in complaints]
    return json.dumps(entries)


def numbered(count: int, noun: str, plural: str | None = None) -> str:
    """Write a count with its noun.

    Parameters
    ----------
    count : int
        How many.
    noun : str
        What, in the singular.
    plural : str, optional
        The plural where it is more than an added s.

    Returns
    -------
    str

    Examples
    --------
    >>> numbered(1, "row"), numbered(3, "row")
    ('1 row', '3 rows')
    """
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def _listed(items: Sequence[str]) -> str:
    if len(items) > _SHOWN:
        return f"{', '.join(items[:_SHOWN])} and {len(items) - _SHOWN} more"
    if len(items) > 1:
        return f"{', '.join(items[:-1])} and {items[-1]}"
    return items[0]


def _sentence(entries: Sequence[Mapping[str, Any]]) -> str:
    first = entries[0]
    lines = [str(line) for line in sorted({e["line"] for e in entries if e["line"]})]
    found = list(dict.fromkeys(repr(e["found"]) for e in entries if e["found"]))
    place = [_sources(list(dict.fromkeys(str(e["source"]) for e in entries)))]
    if lines:
        place.append(f"{'row' if len(lines) == 1 else 'rows'} {_listed(lines)}")
    if first["column"]:
        place.append(f"column {first['column']!r}")
    text = f"{', '.join(place)}: {first['kind']}: {first['rule']}"
    if found:
        text += f"; found {_listed(found)}"
    return f"{text}. {first['mend']}".rstrip() + ("." if first["mend"] else "")


def _sources(sources: Sequence[str]) -> str:
    """Name one source, or several sheets of a file."""
    if len(sources) == 1:
        return sources[0]
    parted = [source.partition(_SHEET) for source in sources]
    if len({name for name, *_ in parted}) == 1 and all(title for *_, title in parted):
        return f"{parted[0][0]}, sheets {_listed([title for *_, title in parted])}"
    return _listed(sources)


def sentences(entries: Iterable[Mapping[str, Any]]) -> list[str]:
    """Write entries as sentences, those that differ in their row alone as one.

    Entries about no row that say the same of several sheets are one, too.

    Parameters
    ----------
    entries : iterable of mapping
        As `to_json` wrote them and `json.loads` reads them.

    Returns
    -------
    list of str
    """
    groups: dict[tuple[str, ...], list[Mapping[str, Any]]] = {}
    for entry in entries:
        names = ("kind", "column", "rule", "mend")
        source = str(entry["source"]) if entry["line"] else ""
        groups.setdefault((source, *(str(entry[name]) for name in names)), []).append(entry)
    return [_sentence(group) for group in groups.values()]


def summary(complaints: Iterable[Complaint], name: str) -> str:
    """Write the one warning of a load; empty where nothing was left out.

    Parameters
    ----------
    complaints : iterable of Complaint
        All complaints of the load.
    name : str
        What was loaded.

    Returns
    -------
    str
    """
    serious = [entry for entry in complaints if entry.left_out]
    if not serious:
        return ""
    counts = Counter(entry.kind for entry in serious)
    parts = ", ".join(f"{count} x {kind}" for kind, count in counts.items())
    entries = [{name: getattr(entry, name) for name in _FIELDS} for entry in serious[:_SHOWN]]
    first = sentences(entries)[0]
    return f"{name}: {parts}. First: {first} Print load_report(readings) for all of them."
