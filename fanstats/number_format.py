"""How numbers are written as text: the decimal mark, the mark between thousands."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

__all__ = ["NumberFormat", "detect_format", "to_float"]

# A number in some format, though perhaps not in the one the table is read with.
_OTHER_FORMAT: Final = re.compile(
    r"[0-9]{1,3}(?P<mark>[., '])[0-9]{3}(?:(?P=mark)[0-9]{3})*(?:(?!(?P=mark))[.,][0-9]+)?"
    r"|[0-9]+[.,][0-9]*|[.,][0-9]+"
)
_AMBIGUOUS: Final = re.compile(r"[1-9][0-9]{0,2}(?P<mark>[.,])[0-9]{3}")
_PLAIN: Final = re.compile(r"[0-9]+(?P<mark>[.,])[0-9]*|(?P<lead>[.,])[0-9]+")
_GROUPED: Final = re.compile(
    r"[0-9]{1,3}(?P<group>[., '])[0-9]{3}(?:(?P=group)[0-9]{3})*(?!(?P=group))(?P<mark>[.,])[0-9]+"
)
_GROUPS: Final = re.compile(r"[0-9]{1,3}(?P<mark>[.,])[0-9]{3}(?:(?P=mark)[0-9]{3})+")
_MARKED: Final = re.compile(
    r"[0-9]{1,3}(?:(?P<mark>[ .,'’])[0-9]{3})(?:(?P=mark)[0-9]{3})*(?:(?P<decimal>[.,])[0-9]*)?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberFormat:
    """Which mark stands before the decimals, and which between thousands (none if empty)."""

    decimal: str = "."
    thousands: str = ""


def _mantissa(token: str) -> str:
    return re.split("[eE]", token, maxsplit=1)[0].strip()


def to_float(token: str, number_format: NumberFormat) -> float | None:
    """Read one number.

    Parameters
    ----------
    token : str
        Digits, marks, perhaps an exponent; no sign.
    number_format : NumberFormat
        How numbers are written.

    Returns
    -------
    float or None
        None where it is no number in any format.

    Raises
    ------
    FanstatsError
        If it is a number in another format.

    Examples
    --------
    >>> to_float("1.234,5", NumberFormat(decimal=",", thousands="."))
    1234.5
    """
    decimal, thousands = re.escape(number_format.decimal), re.escape(number_format.thousands)
    mantissa, exponent = _mantissa(token), token.strip()[len(_mantissa(token)) :].strip()
    plain = rf"[0-9]+(?:{decimal}[0-9]*)?|{decimal}[0-9]+"
    grouped = rf"[0-9]{{1,3}}(?:{thousands}[0-9]{{3}})+(?:{decimal}[0-9]+)?"
    if number_format.thousands and re.fullmatch(grouped, mantissa):
        mantissa = mantissa.replace(number_format.thousands, "")
    elif not re.fullmatch(plain, mantissa):
        if _OTHER_FORMAT.fullmatch(mantissa):
            raise FanstatsError(_format_problem(token.strip(), number_format))
        return None
    number = float(mantissa.replace(number_format.decimal, ".") + exponent)
    return number if math.isfinite(number) else None


def _format_problem(token: str, number_format: NumberFormat) -> str:
    taken = f"decimal={number_format.decimal!r}"
    taken += f" and thousands={number_format.thousands!r}" if number_format.thousands else ""
    decimal, mark = number_format.decimal, "."
    if grouped := _MARKED.fullmatch(_mantissa(token)):
        mark = grouped["mark"]
        decimal = grouped["decimal"] or decimal
    decimal = decimal if decimal != mark else {".": ",", ",": "."}[mark]
    return (
        f"{token!r} is no number with {taken}. Say how numbers are written, such as "
        f"decimal={decimal!r} and thousands={mark!r}, or write it without marks between thousands"
    )


def _vote(token: str) -> str:
    """Say which decimal mark a number gives away: ',' or '.', '?,' or '?.' if it may be either."""
    mantissa = _mantissa(token)
    if match := _AMBIGUOUS.fullmatch(mantissa):
        return "?" + match["mark"]
    if match := _PLAIN.fullmatch(mantissa):
        return match["mark"] or match["lead"]
    if match := _GROUPED.fullmatch(mantissa):
        return match["mark"]
    if match := _GROUPS.fullmatch(mantissa):
        return "." if match["mark"] == "," else ","
    return ""


def detect_format(
    texts: Iterable[tuple[str, str]],
    tokens: Callable[[str], Sequence[str]],
    *,
    decimal: str | None = None,
    thousands: str | None = None,
    separator: str = "",
) -> NumberFormat:
    """Find how numbers are written, from what was said and from cells that leave no doubt.

    Parameters
    ----------
    texts : iterable of (str, str)
        Text of a numeric cell and the words for its place.
    tokens : callable
        Gives the numbers in a text as they are written.
    decimal, thousands : str, optional
        What the user said.
    separator : str
        What separates the columns of the file; next to semicolons ``1.234`` is in doubt.

    Returns
    -------
    NumberFormat

    Raises
    ------
    FanstatsError
        If two cells contradict each other, or the only clues can be read in two ways.

    Examples
    --------
    >>> detect_format([("31,4", "row 2"), ("12", "row 2")], str.split).decimal
    ','
    """
    if decimal is None and thousands in (",", "."):
        decimal = "." if thousands == "," else ","
    if decimal is not None:
        return NumberFormat(decimal=decimal, thousands=thousands or "")
    seen: dict[str, str] = {}
    for text, place in texts:
        for token in tokens(text):
            seen.setdefault(_vote(token), f"{text.strip()!r} in {place}")
    if "," in seen and "." in seen:
        msg = (
            f"Numbers must be written in one way; found {seen[',']} and {seen['.']}. Mend the "
            "one, or say decimal= and thousands=."
        )
        raise FanstatsError(msg)
    decided = next((mark for mark in ",." if mark in seen), "")
    doubtful = seen.get("?,") or (seen.get("?.") if separator == ";" else None)
    if not decided and doubtful:
        msg = (
            f"A number must leave no doubt; found {doubtful}, whose mark may stand before "
            "decimals or between thousands. Say decimal=',' or decimal='.' (and thousands=)."
        )
        raise FanstatsError(msg)
    return NumberFormat(decimal=decided or ".", thousands=thousands or "")
