"""What stands beside the readings: session facts noted once a day, and prices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from fanstats.errors import FanstatsError
from fanstats.loading.cells import Numbers, is_blank
from fanstats.loading.complaints import Complaint
from fanstats.loading.labels import near_twins
from fanstats.loading.number_columns import Options, converted, read_numbers
from fanstats.loading.table_columns import Columns, read_columns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.loading.header_rows import Table
    from fanstats.loading.number_columns import Key

__all__ = ["Facts", "Offer", "fill_facts", "read_facts", "read_prices", "usual_offers"]

# ``price`` of one pack, ``pack`` (units in it), ``currency``.
Offer = dict[str, float | int | str]

_FACTS: Final = ("background", "ambient", "load")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Facts:
    """Room noise, ambient and load of each session.

    Attributes
    ----------
    source : str
        Where they stand.
    lines : list of int
        Row of each session.
    keys : list of (rig or None, session)
        The rig is None where the sheet names none.
    numbers : dict of (variable, None) to Numbers
        One value a session.
    units : dict of str to str
        By variable.
    """

    source: str
    lines: list[int]
    keys: list[tuple[str | None, str]]
    numbers: dict[Key, Numbers]
    units: dict[str, str]


def read_facts(table: Table, options: Options, complaints: list[Complaint]) -> Facts:
    """Read a sheet with one row a session.

    Parameters
    ----------
    table : Table
        With headers that have been checked.
    options : Options
        How numbers are written.
    complaints : list of Complaint
        What could not be read is added.

    Returns
    -------
    Facts

    Raises
    ------
    FanstatsError
        If a session is blank or stands in two rows.
    """
    columns = read_columns(table, options.fill_down, complaints)
    sessions, rigs = columns.texts("session"), columns.texts("rig")
    rows = _noted(table, columns, sessions, complaints)
    numbers, units = read_numbers(columns, rows, options, complaints)
    keys: list[tuple[str | None, str]] = [
        ((rigs[row] or None) if rigs else None, sessions[row]) for row in rows
    ]
    _check_keys(table, rows, keys)
    return Facts(
        source=table.source,
        lines=[table.lines[row] for row in rows],
        keys=keys,
        numbers={key: column for key, column in numbers.items() if key[0] in _FACTS},
        units=units,
    )


def _noted(
    table: Table, columns: Columns, sessions: Sequence[str], complaints: list[Complaint]
) -> list[int]:
    """Give the rows that are sessions, with words on the others."""
    skipped, notes = columns.texts("skip"), columns.texts("note")
    numeric = [p for p, header in columns.headers.items() if header.kind == "number"]
    rows: list[int] = []
    for row, session in enumerate(sessions):
        bare = all(is_blank(columns.cells[place][row]) for place in numeric)
        if skipped and skipped[row]:
            rule = "a text in the skip column takes the row out"
            complaints.append(_about(table, row, "skipped", rule, skipped[row]))
        elif bare and not session:
            text = ", ".join(str(cell) for cell in table.rows[row] if not is_blank(cell))
            complaints.append(_about(table, row, "note", "a row without a number is a note", text))
        else:
            rows.append(row)
            if notes and notes[row]:
                rule = "written beside a session"
                complaints.append(_about(table, row, "note", rule, notes[row]))
    return rows


def _about(table: Table, row: int, kind: str, rule: str, found: str) -> Complaint:
    line = table.lines[row]
    return Complaint(source=table.source, line=line, kind=kind, rule=rule, found=found)


def _check_keys(table: Table, rows: Sequence[int], keys: Sequence[tuple[str | None, str]]) -> None:
    seen: dict[tuple[str | None, str], int] = {}
    for row, key in zip(rows, keys, strict=True):
        line = table.lines[row]
        if not key[1]:
            msg = f"{table.source}, row {line}, column 'session': each row is one session; found a "
            msg += "blank. Write the session, or clear the row."
            raise FanstatsError(msg)
        if seen.setdefault(key, line) != line:
            msg = (
                f"{table.source}, row {line}: each session has one row; found {key[1]!r} in row "
                f"{seen[key]} too. Keep one, or give each its rig."
            )
            raise FanstatsError(msg)


def fill_facts(
    facts: Facts,
    labels: Mapping[str, Sequence[str]],
    numbers: dict[Key, Numbers],
    units: dict[str, str],
    complaints: list[Complaint],
) -> list[str]:
    """Fill what was noted once a session into the rows of that session.

    Parameters
    ----------
    facts : Facts
        From `read_facts`.
    labels : mapping of str to sequence of str
        Labels of the rows.
    numbers : dict of (variable, obstruction) to Numbers
        Columns of the rows; facts are added.
    units : dict of str to str
        By variable; those of the facts are added.
    complaints : list of Complaint
        Sessions without rows are added.

    Returns
    -------
    list of str
        Variables that were filled.

    Raises
    ------
    FanstatsError
        If rows hold the same quantity themselves, or a session of two rigs has facts without a
        rig.
    """
    blank = [""] * len(labels["model"])
    sessions, rigs = labels.get("session", blank), labels.get("rig", blank)
    place = _matches(facts, sessions, rigs)
    filled: list[str] = []
    for key, column in facts.numbers.items():
        variable = key[0]
        own = numbers.get(key)
        if own is not None and np.isfinite(own.values).any():
            msg = (
                f"{facts.source}: {variable} stands either in the rows or in the session sheet; "
                "found both, so which of them holds is open. Clear one of the columns."
            )
            raise FanstatsError(msg)
        to = units.setdefault(variable, facts.units[variable])
        column = converted(column, facts.units[variable], to, facts.source)
        numbers[key] = column.mapped(
            lambda array: (
                np.where(place >= 0, array[place], np.nan)
                if array.size
                else np.full(place.size, np.nan)
            )
        )
        filled.append(variable)
    complaints += _unmatched(facts, set(place.tolist()), sessions)
    return filled


def _matches(
    facts: Facts, sessions: Sequence[str], rigs: Sequence[str]
) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    known = {key: row for row, key in enumerate(facts.keys)}
    pairs = set(zip(rigs, sessions, strict=True))
    for rig, session in facts.keys:
        used = sorted({r for r, s in pairs if s == session})
        if rig is None and len(used) > 1:
            msg = (
                f"{facts.source}: session {session!r} was held on {len(used)} rigs ({used[0]!r}, "
                f"{used[1]!r}, ...). Give the session sheet a column 'rig'."
            )
            raise FanstatsError(msg)
    only = {s: [k for k in facts.keys if k[1] == s] for _, s in pairs}

    def row_of(rig: str, session: str) -> int:
        if (rig, session) in known:
            return known[rig, session]
        if (None, session) in known:
            return known[None, session]
        # Rows that name no rig: the session's facts are meant where there is only one row of them.
        return known[only[session][0]] if not rig and len(only[session]) == 1 else -1

    found = {pair: row_of(*pair) for pair in pairs}
    rows = [found[pair] for pair in zip(rigs, sessions, strict=True)]
    return np.array(rows, dtype=np.intp)


def _unmatched(facts: Facts, used: set[int], sessions: Sequence[str]) -> list[Complaint]:
    orphans = [
        Complaint(
            source=facts.source,
            line=line,
            column="session",
            kind="warning",
            rule="facts of a session that no reading belongs to",
            found=key[1],
            mend=_near(key[1], sessions) or "Write this session into the readings' rows",
            left_out=True,
        )
        for row, (line, key) in enumerate(zip(facts.lines, facts.keys, strict=True))
        if row not in used
    ]
    noted = {key[1] for key in facts.keys}
    bare = sorted({session for session in sessions if session and session not in noted})
    return orphans + [
        Complaint(
            source=facts.source,
            column="session",
            kind="warning",
            rule="a session without a row of facts has none",
            found=session,
            mend=_near(session, noted) or "Give it a row, if its room was read",
            left_out=True,
        )
        for session in bare
    ]


def _near(label: str, others: Sequence[str] | set[str]) -> str:
    twins = next((g for g in near_twins({label, *others}) if label in g), ())
    near = [twin for twin in twins if twin != label]
    return f"Did you mean {near[0]!r}? They are kept apart" if near else ""


def read_prices(
    table: Table, models: Sequence[str], options: Options, complaints: list[Complaint]
) -> dict[str, list[Offer]]:
    """Read a sheet of prices: one row an offer, and a model may have several.

    Parameters
    ----------
    table : Table
        With headers that have been checked.
    models : sequence of str
        Models of the readings.
    options : Options
        How numbers are written.
    complaints : list of Complaint
        What could not be used is added.

    Returns
    -------
    dict of str to list
        By model: its offers, each once, as ``price`` of one pack, ``pack`` (units in it) and
        ``currency``.

    Raises
    ------
    FanstatsError
        If a price has no model, or a pack no whole number of units.
    """
    columns = read_columns(table, options.fill_down, complaints, wanted=("price", "pack"))
    rows = _offers(table, columns, complaints)
    names = [columns.texts("model")[row] for row in rows]
    numbers, _ = read_numbers(columns, rows, options, complaints)
    price = numbers["price", None].values
    pack = numbers["pack", None].values if ("pack", None) in numbers else np.full(price.size, 1.0)
    currency = next(header.units for header in table.headers if header.role == "price") or ""
    prices: dict[str, list[Offer]] = {}
    for place, (row, name) in enumerate(zip(rows, names, strict=True)):
        if not np.isfinite(price[place]):
            rule = "a row without a price is a note"
            complaints.append(_about(table, row, "note", rule, name))
            continue
        offer = _offer(table, row, float(price[place]), float(pack[place]), currency)
        _check_named(table, row, name)
        if offer not in prices.setdefault(name, []):
            prices[name].append(offer)
    complaints += _unread_models(table, prices, models)
    return prices


def _offers(table: Table, columns: Columns, complaints: list[Complaint]) -> list[int]:
    """Give the rows that are not skipped, with words on the others."""
    skipped = columns.texts("skip")
    rule = "a text in the skip column takes the row out"
    for row, reason in enumerate(skipped):
        if reason:
            complaints.append(_about(table, row, "skipped", rule, reason))
    return [row for row in range(len(table.rows)) if not skipped or not skipped[row]]


def _offer(table: Table, row: int, price: float, pack: float, currency: str) -> Offer:
    units = 1.0 if np.isnan(pack) else pack
    if not units.is_integer():
        msg = f"{table.source}, row {table.lines[row]}, column 'pack': a pack holds whole units; "
        msg += f"found {pack:g}. Write how many fans the price buys."
        raise FanstatsError(msg)
    return {"price": price, "pack": int(units), "currency": currency}


def _check_named(table: Table, row: int, name: str) -> None:
    if not name:
        place = f"{table.source}, row {table.lines[row]}, column 'model'"
        msg = f"{place}: a price needs a model; found a blank. Write the model."
        raise FanstatsError(msg)


def usual_offers(
    offers: Mapping[str, Sequence[Offer]], source: str, complaints: list[Complaint]
) -> dict[str, Offer]:
    """Pick what counts as each model's price: the smallest pack, at the lowest price it has.

    That is what one further sample costs. Larger packs are for those who need several.

    Parameters
    ----------
    offers : mapping of str to sequence
        By model, from `read_prices`.
    source : str
        What messages call the source.
    complaints : list of Complaint
        Models with several offers are added.

    Returns
    -------
    dict of str to offer
    """
    several = [name for name, given in offers.items() if len(given) > 1]
    if several:
        rule = (
            "of several offers the smallest pack, at its lowest price, is the price of a model; "
            "all of them stand in attrs['offers']"
        )
        complaints.append(
            Complaint(
                source=source,
                column="price",
                kind="assumed",
                rule=rule,
                found=", ".join(several)[:200],
            )
        )
    return {
        name: min(given, key=lambda offer: (offer["pack"], offer["price"]))
        for name, given in offers.items()
    }


def _unread_models(
    table: Table, prices: Mapping[str, object], models: Sequence[str]
) -> list[Complaint]:
    known = set(models)
    return [
        Complaint(
            source=table.source,
            column="model",
            kind="note",
            rule="a price of a model without readings",
            found=name,
            mend=_near(name, models),
            left_out=bool(_near(name, models)),
        )
        for name in prices
        if name not in known
    ]
