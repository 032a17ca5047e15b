"""Bench files: what is stated about the instruments and the units, in TOML."""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import math
import os
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from fanstats.errors import FanstatsError
from fanstats.loading.headers import parse_header
from fanstats.quantities import QUANTITIES, canonical_units, convert
from fanstats.sources import (
    INSTRUMENTS,
    LEVELS_OF_SHARING,
    Bench,
    Instrument,
    Source,
    UnitSpread,
    expanded,
    half_width,
    standard,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

__all__ = ["read_bench"]

_TABLES: Final = (*INSTRUMENTS, "spread", "columns", "rig")
_INSTRUMENT_KEYS: Final = ("units", "name", "meter", "carried", *LEVELS_OF_SHARING)
_SPREADS: Final[Mapping[str, str | None]] = {
    "speed": None,
    "noise": "dB",
    "airflow": None,
    "temperature": "K",
}
_FORMS: Final = ("half_width", "expanded", "standard")
_OPTIONS: Final = (
    "k", "probability", "relative", "shape", "dof", "correction", "unsplit", "name", "acts_on",
    "rigs",
)  # fmt: skip
# What an option belongs to; the others go with every form.
_ONLY_WITH: Final[Mapping[str, tuple[str, ...]]] = {
    "k": ("expanded",),
    "probability": ("expanded",),
    "shape": ("half_width",),
    "unsplit": ("half_width",),
    "dof": ("standard", "expanded"),
}


def read_bench(path: str | os.PathLike[str] | IO[bytes] | IO[str]) -> Bench:
    r"""Read a bench file.

    A table a quantity (``[noise]``, ``[background]``, ``[speed]``, ``[airflow]``,
    ``[temperature]``, ``[ambient]``) holds the unit and, by how widely each error is shared,
    lists of sources. A source is ``{half_width = 1.0}``, ``{expanded = 0.4, k = 2}``,
    ``{expanded = 0.4, probability = 0.95, dof = 9}`` or ``{standard = 0.2, dof = 9}``; a number is
    in the table's unit, a text such as ``"3 %"``, ``"0.2 m/s"`` or ``"3 % + 0.2 m/s"`` carries its
    own. Besides: ``correction = -0.4`` (what is to be added to readings; what is stated is its
    uncertainty), ``unsplit = true`` (a limit of which nobody knows how much all models share),
    ``rigs = ["attic"]``, ``name``, ``acts_on``.

    ``[spread]`` says how one unit differs from its model's typical unit, ``[columns]`` maps headers
    of the readings table. ``[rig.attic.noise]`` states the noise instrument of the rig that the
    readings label "attic"; what a rig does not state is as above.

    Parameters
    ----------
    path : path or open file
        The file.

    Returns
    -------
    Bench

    Raises
    ------
    FanstatsError
        If the file is no TOML, or holds a key, unit or number that has no meaning. The message
        names the file, the table, the rule, what was found and the mend.

    Examples
    --------
    >>> import io
    >>> text = '[noise]\nunits = "dBA"\nshared = [{half_width = 1.0}]'
    >>> bench = read_bench(io.StringIO(text))
    >>> bench.noise.shared[0].stated
    '±1 dBA'
    """
    name, tables = _parsed(path)
    _known_keys(tables, _TABLES, name, "table")
    for key, table in tables.items():
        if not isinstance(table, dict):
            msg = (
                f"{name}: {key!r} must be a table; found {table!r}. Write [{key}] on its own line."
            )
            raise FanstatsError(msg)
    instruments = _instruments(tables, name, "")
    rigs = _rigs(tables.get("rig", {}), name)
    spread = _spread(tables.get("spread", {}), f"{name}, [spread]")
    columns = _columns(tables.get("columns", {}), f"{name}, [columns]")
    return Bench(**instruments, spread=spread, columns=columns, rigs=rigs)


# The file --------------------------------------------------------------------------------------


def _parsed(path: Any) -> tuple[str, dict[str, Any]]:
    name, content = _content(path)
    try:
        text = content.decode("utf-8-sig") if isinstance(content, bytes) else content
        return name, tomllib.loads(text.removeprefix("\ufeff"))
    except UnicodeDecodeError as error:
        msg = f"{name}: a bench file is UTF-8 text; found the byte {content[error.start]!r}. Save "
        msg += "it as UTF-8."
        raise FanstatsError(msg) from error
    except (tomllib.TOMLDecodeError, RecursionError, ValueError, OverflowError) as error:
        msg = f"{name}: a bench file is TOML; {error}. Mend that line."
        raise FanstatsError(msg) from error


def _content(path: Any) -> tuple[str, bytes | str]:
    if isinstance(path, str | os.PathLike):
        try:
            return Path(path).name, Path(path).read_bytes()
        except (OSError, ValueError) as error:
            msg = f"{os.fspath(path)!r}: cannot be opened ({error}). Check the path."
            raise FanstatsError(msg) from error
    read = getattr(path, "read", None)
    if not callable(read):
        msg = f"`path` must be a path or an open file; got {type(path).__name__}."
        raise FanstatsError(msg)
    called = getattr(path, "name", None)
    name = Path(called).name if isinstance(called, str) and called else "bench file"
    try:
        content = read()
    except Exception as error:  # a closed handle, a wrong encoding: all mean the same here
        msg = f"{name}: cannot be read ({error}). Open it in binary mode and pass it again."
        raise FanstatsError(msg) from error
    if not isinstance(content, bytes | str):
        msg = f"{name}: reading it must give bytes or text; got {type(content).__name__}."
        raise FanstatsError(msg)
    return name, content


def _known_keys(table: Mapping[str, object], known: Iterable[str], place: str, what: str) -> None:
    allowed = list(known)
    for key in table:
        if key not in allowed:
            near = difflib.get_close_matches(key, allowed, 1)
            hint = f"Did you mean {near[0]!r}? " if near else ""
            msg = f"{place}: no {what} is called {key!r}. {hint}Known: {', '.join(allowed)}."
            raise FanstatsError(msg)


def _text(table: Mapping[str, Any], key: str, place: str) -> str | None:
    value = table.get(key)
    if value is None or (isinstance(value, str) and value.strip()):
        return value.strip() if value else None
    msg = f"{place}: {key!r} must be a text; found {value!r}. Put it into quotes."
    raise FanstatsError(msg)


def _flag(table: Mapping[str, Any], key: str, place: str) -> bool:
    value = table.get(key, False)
    if isinstance(value, bool):
        return value
    msg = f"{place}: {key!r} is true or false; found {value!r}."
    raise FanstatsError(msg)


# Instruments -----------------------------------------------------------------------------------


def _instruments(tables: Mapping[str, Any], file: str, front: str) -> dict[str, Instrument]:
    return {
        quantity: _instrument(quantity, tables[quantity], f"{file}, [{front}{quantity}]")
        for quantity in INSTRUMENTS
        if quantity in tables
    }


def _rigs(table: Mapping[str, Any], file: str) -> dict[str, dict[str, Instrument]]:
    found: dict[str, dict[str, Instrument]] = {}
    for rig, own in table.items():
        place = f"{file}, [rig.{rig}]"
        if not isinstance(own, dict) or not all(isinstance(each, dict) for each in own.values()):
            msg = f"{place}: a rig holds instruments; found {own!r}. Write [rig.{rig}.noise], "
            msg += f"[rig.{rig}.airflow] and the like on lines of their own."
            raise FanstatsError(msg)
        _known_keys(own, INSTRUMENTS, place, "instrument")
        found[rig] = _instruments(own, file, f"rig.{rig}.")
    return found


def _instrument(quantity: str, table: Mapping[str, Any], place: str) -> Instrument:
    _known_keys(table, _INSTRUMENT_KEYS, place, "key")
    units = _units(quantity, _text(table, "units", place), place)
    stated = {
        level: _sources(quantity, table[level], units, f"{place} {level}")
        for level in LEVELS_OF_SHARING
        if level in table
    }
    name, meter = _text(table, "name", place), _text(table, "meter", place)
    carried = _flag(table, "carried", place)
    if meter is None:
        return Instrument(**stated, name=name, carried=carried)
    base = _ready_made(quantity, meter, place)
    return replace(base, **stated, name=name or base.name, carried=carried)


def _ready_made(quantity: str, words: str, place: str) -> Instrument:
    """Look up an instrument by the words on its box; what the table states itself replaces it."""
    if importlib.util.find_spec("fanstats.instruments") is None:
        msg = (
            f"{place}: no ready-made instruments are at hand for meter = {words!r}. State the "
            "sources instead, such as shared = [{half_width = 1.0}]."
        )
        raise FanstatsError(msg)
    look_up: Callable[[str, str], Instrument] | None = getattr(
        importlib.import_module("fanstats.instruments"), "from_words", None
    )
    if look_up is None:
        msg = f"{place}: meter = {words!r} cannot be looked up. State the sources instead."
        raise FanstatsError(msg)
    try:
        return look_up(quantity, words)
    except FanstatsError as error:
        msg = f"{place}: {error}"
        raise FanstatsError(msg) from error


def _units(quantity: str, text: str | None, place: str) -> str | None:
    if text is None:
        return None
    units, allowed = canonical_units(text), QUANTITIES[quantity].units
    if units in allowed:
        return units
    msg = f"{place}: units of {quantity} are one of {', '.join(allowed)}; found {text!r}. "
    msg += "Convert the figures."
    raise FanstatsError(msg)


def _sources(quantity: str, entries: Any, units: str | None, place: str) -> list[Source]:
    listed = entries if isinstance(entries, list) else [entries]
    sources: list[Source] = []
    for position, entry in enumerate(listed, start=1):
        here = f"{place}, source {position}"
        source = _source(entry, units, here)
        _check_fits(source, quantity, units, here)
        sources.append(source)
    return sources


def _check_fits(source: Source, quantity: str, units: str | None, place: str) -> None:
    if source.acts_on is not None and quantity not in ("noise", "background"):
        msg = f"{place}: 'acts_on' is for noise; found it in {quantity}. Take it out."
        raise FanstatsError(msg)
    if source.relative and quantity in ("noise", "background"):
        msg = f"{place}: a level in dB has no percentage; found {source.stated!r}. State it in dB."
        raise FanstatsError(msg)
    known = source.correction
    for own in (source.units, known.units if known is not None else None):
        if own is not None and not _converts(own, [units] if units else QUANTITIES[quantity].units):
            msg = f"{place}: {own!r} does not convert to {units or 'a unit of ' + quantity}; "
            msg += f"found {source.stated!r}. Write the figure in another unit."
            raise FanstatsError(msg)


def _converts(units: str, candidates: Iterable[str]) -> bool:
    for candidate in candidates:
        try:
            convert(1.0, units, candidate, difference=True)
        except FanstatsError:
            continue
        return True
    return False


# Sources ---------------------------------------------------------------------------------------


def _source(entry: Any, units: str | None, place: str) -> Source:
    if not isinstance(entry, dict):
        msg = f"{place}: a source is a table such as {{half_width = 1.0}}; found {entry!r}. "
        msg += "Say what the number means."
        raise FanstatsError(msg)
    _known_keys(entry, (*_FORMS, *_OPTIONS), place, "key")
    forms = [form for form in _FORMS if form in entry]
    if len(forms) != 1:
        found = " and ".join(forms) or "none of them"
        msg = f"{place}: a source has exactly one of {', '.join(_FORMS)}; found {found}."
        raise FanstatsError(msg)
    form = forms[0]
    for option, owners in _ONLY_WITH.items():
        if option in entry and form not in owners:
            owner = " or ".join(map(repr, owners))
            msg = f"{place}: {option!r} goes with {owner}; found it with {form!r}. Take it out."
            raise FanstatsError(msg)
    try:
        source = _made(form, entry, units, place)
    except FanstatsError as error:
        message = str(error)
        msg = message if message.startswith(place) else f"{place}: {message}"
        raise FanstatsError(msg) from error
    if units is None:
        return source
    known = source.correction
    if known is not None and known.absolute and known.units is None:
        source = replace(source, correction=replace(known, units=units))
    if source.absolute and source.units is None:
        return replace(source, units=units, stated=f"{source.stated} in {units}")
    return source


def _made(form: str, entry: Mapping[str, Any], units: str | None, place: str) -> Source:
    relative = _flag(entry, "relative", place)
    written = None if relative else units
    limit, correction = _with_unit(entry[form], written), entry.get("correction")
    about: dict[str, Any] = {
        "name": _text(entry, "name", place),
        "rigs": entry.get("rigs", ()),
        "correction": _with_unit(correction, written, signed=True),
    }
    if form == "half_width":
        shape: Any = _text(entry, "shape", place) or "rectangular"
        unsplit = _flag(entry, "unsplit", place)
        source = half_width(limit, relative, shape, unsplit=unsplit, **about)
    elif form == "expanded":
        k, probability = (
            _number(entry, key, math.nan, place) if key in entry else None
            for key in ("k", "probability")
        )
        dof = _number(entry, "dof", math.inf, place)
        source = expanded(limit, k, relative, probability=probability, dof=dof, **about)
    else:
        dof = _number(entry, "dof", math.inf, place)
        source = standard(limit, relative, dof, **about)
    side: Any = _text(entry, "acts_on", place)
    return replace(source, acts_on=side)


def _number(entry: Mapping[str, Any], key: str, default: float, place: str) -> float:
    value = entry.get(key, default)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    msg = f"{place}: {key!r} must be a number; found {value!r}."
    raise FanstatsError(msg)


def _with_unit(limit: Any, units: str | None, *, signed: bool = False) -> Any:
    """Write the table's unit behind a bare number, so that it is stated with it in every page."""
    plain = isinstance(limit, int | float) and not isinstance(limit, bool)
    if units is None or not plain or not math.isfinite(limit) or (limit < 0 and not signed):
        return limit
    return f"{limit:+.12g} {units}" if signed else f"{limit:.12g} {units}"


# Spread and columns ----------------------------------------------------------------------------


def _spread(table: Mapping[str, Any], place: str) -> UnitSpread:
    _known_keys(table, (*_SPREADS, "correlation"), place, "kind of spread")
    spreads: dict[str, Source | float] = {}
    for kind, entry in table.items():
        if kind == "correlation":
            spreads[kind] = _correlation(entry, f"{place} correlation")
            continue
        here = f"{place} {kind}"
        if isinstance(entry, int | float) and not isinstance(entry, bool) and entry == 0:
            spreads[kind] = 0
            continue
        if isinstance(entry, int | float) and not isinstance(entry, bool):
            msg = f"{here}: say what the number means: {{standard = {entry}}} or {{half_width = "
            msg += f"{entry}}}; only 0 may stand alone."
            raise FanstatsError(msg)
        source = _source(entry, _SPREADS[kind], here)
        unit = _SPREADS[kind]
        if unit is not None:
            _check_fits(source, "noise" if kind == "noise" else "temperature_rise", unit, here)
        try:
            one: dict[str, Any] = {kind: source}
            UnitSpread(**one)
        except FanstatsError as error:
            msg = f"{here}: {error}"
            raise FanstatsError(msg) from error
        spreads[kind] = source
    fields: dict[str, Any] = dict(spreads)
    return UnitSpread(**fields)


def _correlation(entry: Any, place: str) -> float:
    if isinstance(entry, int | float) and not isinstance(entry, bool) and -1.0 <= entry <= 1.0:
        return float(entry)
    msg = f"{place}: of noise and airflow luck, a number between -1 and 1; found {entry!r}."
    raise FanstatsError(msg)


def _columns(table: Mapping[str, Any], place: str) -> dict[str, str]:
    for theirs, ours in table.items():
        header = parse_header(ours)
        if not isinstance(ours, str) or header.kind == "unknown" or header.problem:
            hint = header.problem or f"did you mean {header.suggestion or 'model'!r}?"
            msg = f"{place}: {theirs!r} must map to a header of the readings table; found "
            msg += f"{ours!r}: {hint}"
            raise FanstatsError(msg)
    return dict(table)
