"""The grammar of headers: a quantity, an optional obstruction, the unit in square brackets."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

from fanstats.quantities import QUANTITIES, canonical_units

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["FREE_AIR", "MOST_OBSTRUCTIONS", "Header", "fold", "is_free_air", "parse_header"]

Kind = Literal["label", "number", "unknown"]

# A bench has a handful of obstructions; far more are something else, and would fill the memory.
MOST_OBSTRUCTIONS: Final = 40
FREE_AIR: Final = ("none", "free air", "open", "no obstruction")

# Labels and texts of a row. `repeat` is known and read, but plays no part.
_LABELS: Final[Mapping[str, str]] = {
    "model": "model", "unit": "unit", "sample": "unit", "session": "session", "date": "date",
    "sitting": "sitting", "rig": "rig", "batch": "batch", "obstruction": "obstruction",
    "note": "note", "notes": "note", "skip": "skip", "repeat": "repeat",
}  # fmt: skip

# What people write before the bracket, against the quantity. The longest match counts.
_QUANTITIES: Final[Mapping[str, str]] = {
    "noise": "noise", "noise level": "noise", "sound level": "noise",
    "sound pressure level": "noise", "spl": "noise",
    "background": "background", "background noise": "background",
    "background level": "background", "room noise": "background",
    "speed": "speed", "fan speed": "speed", "rotational speed": "speed", "rpm": "speed",
    "airflow": "airflow", "air flow": "airflow", "air velocity": "airflow",
    "air speed": "airflow",
    "drive": "drive", "drive voltage": "voltage", "voltage": "voltage",
    "duty": "duty", "drive duty": "duty", "pwm": "duty", "pwm duty": "duty",
    "temperature": "temperature", "temp": "temperature",
    "temperature rise": "temperature_rise", "temp rise": "temperature_rise",
    "temp. rise": "temperature_rise", "delta t": "temperature_rise",
    "ambient": "ambient", "ambient temperature": "ambient", "ambient temp": "ambient",
    "room temperature": "ambient",
    "load": "load", "heat load": "load", "price": "price", "pack": "pack",
}  # fmt: skip

_VARIABLES: Final[Mapping[str, tuple[str, ...]]] = {
    **{name: (name,) for name in QUANTITIES if not name.startswith("drive")},
    "drive": ("drive_voltage", "drive_duty"),
    "voltage": ("drive_voltage",),
    "duty": ("drive_duty",),
}
_HEADER_OF: Final[Mapping[str, str]] = {
    "drive_voltage": "drive", "drive_duty": "drive", "temperature_rise": "temperature rise",
}  # fmt: skip
_OBSTRUCTED: Final = ("noise", "airflow", "temperature", "temperature_rise")
_CURRENCIES: Final = ("EUR", "USD", "GBP")

# Words after a quantity that say which figure it is, not what stands before the fan.
_NO_OBSTRUCTION: Final = frozenset((
    "ambient", "room", "background", "level", "floor", "mean", "average", "avg", "median", "max",
    "maximum", "min", "minimum", "peak", "rise", "delta", "difference", "std", "sd", "stdev", "s",
    "u", "error", "uncertainty", "tolerance", "corrected", "raw", "net", "total", "sum", "limit",
    "noise", "speed", "airflow", "temperature", "temp", "drive", "load", "price", "target",
    "rated",
))  # fmt: skip
_ROOM_WORDS: Final = frozenset((
    "ambient", "room", "floor", "idle", "silence", "silent", "background",
))  # fmt: skip

# Headers people use for what the grammar has one word for: suggested, never assumed.
_LIKELY: Final[Mapping[str, str]] = {
    **dict.fromkeys(("fan", "fan model", "fan name", "name", "product", "type"), "model"),
    **dict.fromkeys(("specimen", "sample no", "sample no.", "sample #", "unit no", "#"), "unit"),
    **dict.fromkeys(("day", "evening", "test day", "test date"), "session"),
    **dict.fromkeys(("mount", "mounting", "run"), "sitting"),
    **dict.fromkeys(("bench", "setup", "set-up", "test rig"), "rig"),
    **dict.fromkeys(("comment", "comments", "remark", "remarks"), "note"),
    **dict.fromkeys(("restriction", "resistance", "condition", "in front"), "obstruction"),
    **dict.fromkeys(("exclude", "ignore", "left out"), "skip"),
    "volts": "drive [V]", "voltage": "drive [V]", "pwm": "drive [%]", "duty": "drive [%]",
}  # fmt: skip

# Words that make a header mean something else than the quantity beside them.
_OWN_MEANING: Final = frozenset(("rise", "delta", "start", "stop", "target", "rated"))

_BRACKET: Final = re.compile(r"^(?P<name>[^\[(]*)(?:\[(?P<square>.*)\]|\((?P<round>.*)\))$")
_SQUARE_LAST: Final = re.compile(r"^(?P<name>[^\[]*)\[(?P<square>.*)\]$")
_ALIAS: Final = re.compile(
    r"^(?P<alias>"
    + "|".join(alias.replace(" ", r"[\s_]*") for alias in sorted(_QUANTITIES, key=len)[::-1])
    + r")(?:[\s_:,/–—-]+(?P<rest>.*)|(?P<paren>\(.*\)))?$",
    re.IGNORECASE | re.DOTALL,
)
_LONGEST: Final = 200  # characters of a header; a longer cell is a text, not a header


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """One header, understood.

    Attributes
    ----------
    text : str
        As it stands in the table, spaces tidied.
    kind : {"label", "number", "unknown"}
        What the column holds; unknown columns are left out and reported.
    role : str
        Label or variable: ``"model"``, ``"airflow"``, ``"drive_voltage"``.
    obstruction : str or None
        What the header says stands before the fan, as written; None where it says nothing.
    units : str or None
        The unit, in its one spelling; None where the header names none.
    problem : str
        Why a known quantity cannot be read; empty where it can.
    suggestion : str
        For an unknown header, or one with a problem, the nearest known one; empty where none is
        near.
    """

    text: str
    kind: Kind = "unknown"
    role: str = ""
    obstruction: str | None = None
    units: str | None = None
    problem: str = ""
    suggestion: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """What no two headers of a table may share; all words for free air are one."""
        if self.obstruction is None or is_free_air(self.obstruction):
            return self.role, ""
        return self.role, self.obstruction.casefold()


def fold(text: object) -> str:
    """Give a text without the differences nobody sees: case, spaces at the ends, double spaces.

    Parameters
    ----------
    text : object
        Text of a header.

    Returns
    -------
    str

    Examples
    --------
    >>> fold("  Noise   [dBA] ")
    'noise [dba]'
    """
    return " ".join(str(text).replace("\ufeff", "").split()).casefold()


def is_free_air(obstruction: str) -> bool:
    """Tell whether a word means that nothing stands before the fan.

    Parameters
    ----------
    obstruction : str
        As written.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_free_air("None"), is_free_air("wire mesh")
    (True, False)
    """
    return fold(obstruction) in FREE_AIR


def parse_header(cell: object) -> Header:
    """Read one header.

    Parameters
    ----------
    cell : object
        Whatever stands in the header row.

    Returns
    -------
    Header
        Of kind ``"unknown"`` where the grammar does not know it; with a `problem` where it names
        a quantity but lacks a unit.

    Examples
    --------
    >>> header = parse_header("Airflow wire mesh (ft/min)")
    >>> header.role, header.obstruction, header.units
    ('airflow', 'wire mesh', 'fpm')
    >>> parse_header("ambient [dBA]").suggestion
    'background [dBA]'
    """
    if not isinstance(cell, str) or len(cell) > _LONGEST:
        return Header(text=" ".join(str(cell)[:_LONGEST].split()))
    return _parse_text(" ".join(cell.replace("\ufeff", "").split()))


@lru_cache(maxsize=4096)
def _parse_text(text: str) -> Header:
    label = _LABELS.get(text.casefold())
    if label is not None:
        return Header(text=text, kind="label", role=label)
    bracket = _SQUARE_LAST.match(text) or _BRACKET.match(text)
    name = bracket["name"].strip() if bracket else text
    unit = (bracket.groupdict().get("round") or bracket["square"] or "") if bracket else ""
    match = _ALIAS.match(name)
    if match is None:
        return Header(text=text, suggestion=_nearest(text))
    rest = (match["rest"] or match["paren"] or "").strip(" _:,/–—-()")
    alias = " ".join(re.split(r"[\s_]+", match["alias"].casefold()))
    family = _QUANTITIES.get(alias) or _QUANTITIES[alias.replace(" ", "")]
    return _quantity_header(text, family, rest.replace("_", " "), unit.strip())


def _quantity_header(text: str, family: str, rest: str, unit: str) -> Header:
    if family == "pack":
        return Header(text=text, kind="number", role="pack", units="1")
    units = canonical_units(unit)
    free = is_free_air(rest)
    if rest and _is_unit(rest.split()[-1]):
        return _bare_unit(text, family, rest, unit)
    if rest and not _may_be_obstruction(rest):
        return Header(text=text, suggestion=_nearest(text))
    if rest and not free and family not in _OBSTRUCTED:
        return Header(text=text, suggestion=_nearest(text))
    variable = _variable(family, units)
    head = " ".join(filter(None, [_HEADER_OF.get(variable, variable), rest]))
    if not unit:
        problem, likely = _missing_unit(head, family), f"{head} [{_units_of(family)[0]}]"
        return Header(text=text, kind="number", role=variable, problem=problem, suggestion=likely)
    if family == "price" and (units in _CURRENCIES or re.fullmatch(r"[A-Za-z]{3}", units)):
        return Header(text=text, kind="number", role="price", units=units.upper())
    if units not in _units_of(family):
        return _wrong_unit(text, head, family, units)
    if family == "noise" and rest and not free:
        variable = "noise_obstructed"
    keeps = bool(rest) and family in _OBSTRUCTED and not (family == "noise" and free)
    return Header(
        text=text,
        kind="number",
        role=variable,
        obstruction=rest if keeps else None,
        units=units,
    )


def _variable(family: str, units: str) -> str:
    for variable in _VARIABLES[family]:
        if units in QUANTITIES[variable].units:
            return variable
    return _VARIABLES[family][0]


def _units_of(family: str) -> tuple[str, ...]:
    return tuple(unit for name in _VARIABLES[family] for unit in QUANTITIES[name].units)


def _may_be_obstruction(rest: str) -> bool:
    words = rest.casefold().split()
    if words[0].startswith("@") or words[0] == "at":
        return False
    if all(word.strip("().,") in _NO_OBSTRUCTION for word in words):
        return False
    return any(letter.isalpha() for letter in rest) and not set(rest) & set("[]")


def _is_unit(word: str) -> bool:
    return any(canonical_units(word) in quantity.units for quantity in QUANTITIES.values())


def _bare_unit(text: str, family: str, rest: str, unit: str) -> Header:
    """Say where the unit belongs in a header such as `noise dBA` or `noise dB(A)`."""
    *obstruction, last = rest.split()
    units = canonical_units(f"{last}({unit})" if unit else last)
    variable = _variable(family, units)
    head = " ".join([_HEADER_OF.get(variable, variable), *obstruction])
    written = f"{head} [{units}]"
    return Header(
        text=text,
        kind="number",
        role=variable,
        units=units,
        problem=f"the unit stands in square brackets; write {written}",
        suggestion=written if units in _units_of(family) else "",
    )


def _missing_unit(head: str, family: str) -> str:
    written = " or ".join(f"{head} [{unit}]" for unit in _units_of(family)[:3])
    return f"a quantity needs its unit in square brackets; write {written}"


def _wrong_unit(text: str, head: str, family: str, units: str) -> Header:
    """Either the unit of another quantity, then a likely slip of the name, or no unit at all."""
    elsewhere = any(units in quantity.units for quantity in QUANTITIES.values())
    if elsewhere:
        return Header(text=text, suggestion=_nearest(text))
    variable = _variable(family, units)
    problem = f"{family} comes in {', '.join(_units_of(family))}; found the unit {units!r}"
    problem += f"; write {head} [{_units_of(family)[0]}] and convert the readings"
    return Header(text=text, kind="number", role=variable, units=units, problem=problem)


def _known_headers() -> dict[str, str]:
    known = {fold(label): label for label in _LABELS}
    for variable, quantity in QUANTITIES.items():
        for unit in quantity.units:
            written = f"{_HEADER_OF.get(variable, variable)} [{unit}]"
            known[fold(written)] = written
    return known


def _turned(name: str, units: str) -> str:
    """Give the header of `wire mesh airflow`, its obstruction written first."""
    for alias, family in sorted(_QUANTITIES.items(), key=lambda item: -len(item[0])):
        behind = name.removesuffix(f" {alias}")
        if behind != name and family in _OBSTRUCTED and units in _units_of(family):
            return f"{family} {behind} [{units}]" if _may_be_obstruction(behind) else ""
    return ""


def _of_unit(text: str) -> str:
    """Give the usual header of a unit that stands alone: dB(A) for noise, fpm for airflow."""
    units = canonical_units(text)
    first = next((name for name, q in QUANTITIES.items() if units in q.units), "")
    return f"{_HEADER_OF.get(first, first)} [{units}]" if first else ""


def _kept_obstruction(name: str, head: str) -> str:
    """Give what stands behind a quantity that is merely misspelt, with a space before it."""
    words = name.replace("_", " ").split()
    rest = words[1:]
    if not rest or head not in _OBSTRUCTED or any(map(_is_unit, rest)):
        return ""
    if not difflib.get_close_matches(fold(words[0]), [head], 1, cutoff=0.8):
        return ""
    return f" {' '.join(rest)}" if _may_be_obstruction(" ".join(rest)) else ""


@lru_cache(maxsize=1024)
def _nearest(text: str) -> str:
    """Give the known header nearest to an unknown one, empty where none is near."""
    if _OWN_MEANING & set(re.findall(r"[a-z]+", fold(text))):
        return ""
    likely = _LIKELY.get(fold(text)) or _of_unit(text)
    if likely:
        return likely
    bracket = _SQUARE_LAST.match(text) or _BRACKET.match(text)
    if bracket is not None:
        units = canonical_units(bracket.groupdict().get("round") or bracket["square"] or "")
        name = fold(bracket["name"])
        fits = [variable for variable, q in QUANTITIES.items() if units in q.units]
        if "background" in fits and set(name.split()) & _ROOM_WORDS:
            return f"background [{units}]"
        turned = _turned(name, units)
        if turned:
            return turned
        heads = list(dict.fromkeys(_HEADER_OF.get(variable, variable) for variable in fits))
        close = [word for word in reversed(name.split()) if word in heads]
        for part in (name, *name.split()[:1]):
            close = close or difflib.get_close_matches(part, heads, 1)
        if close or len(heads) == 1:
            head = (close or heads)[0]
            return f"{head}{_kept_obstruction(bracket['name'], head)} [{units}]"
    known = _known_headers()
    close = difflib.get_close_matches(fold(text), list(known), 1, cutoff=0.6)
    return known[close[0]] if close else ""
