"""Phrases that decisions share: chances, numbers of things, and what more draws could turn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from fanstats.formatting import MISSING, percentage
from fanstats.wording import listed

__all__ = ["counted", "draws_words", "in_hundred", "shortened", "too_close_words"]


def in_hundred(p: float, draws: int | None = None) -> str:
    """Write a probability as so many in 100, so that any two can be held side by side.

    Parameters
    ----------
    p : float
        Fraction from 0 to 1; NaN gives a dash.
    draws : int, optional
        Number of draws it was counted in: with few it is told in steps of 5, 10, ... in 100.

    Returns
    -------
    str
        Never none or all.

    Examples
    --------
    >>> in_hundred(0.25), in_hundred(0.76), in_hundred(0.9999, 10_000), in_hundred(0.003)
    ('25 in 100', '76 in 100', 'better than 99 in 100', 'less than 1 in 100')
    >>> in_hundred(0.43, draws=100)
    '40 in 100'
    """
    text = percentage(p, draws)
    if text == MISSING or not text.endswith(" %"):
        return text
    return f"{text.removesuffix(' %')} in 100".replace("more than", "better than")


def counted(number: int, one: str, several: str | None = None) -> str:
    """Write a number of things: ``"1 pair"``, ``"3 pairs"``.

    Parameters
    ----------
    number : int
    one : str
        What they are, if it is one.
    several : str, optional
        If it is any other number; with an "s" if left out.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "model"), counted(3, "model")
    ('1 model', '3 models')
    """
    return f"{number} {one if number == 1 else several or f'{one}s'}"


def shortened(names: Sequence[str], most: int = 5) -> str:
    """Join names with commas and a last "and"; of many, say how many more there are.

    Parameters
    ----------
    names : sequence of str
    most : int
        So many are written out.

    Returns
    -------
    str

    Examples
    --------
    >>> shortened(["A", "B", "C"], most=2)
    'A, B and 1 more'
    """
    if len(names) <= most:
        return listed(names)
    return listed([", ".join(names[:most]), f"{len(names) - most} more"])


def draws_words(draws: int) -> str:
    """Say that so many draws do not decide it.

    Parameters
    ----------
    draws : int

    Returns
    -------
    str

    Examples
    --------
    >>> draws_words(10_000)
    'too close to call with 10000 draws: take more draws'
    """
    return f"too close to call with {draws} draws: take more draws"


def too_close_words(pairs: Iterable[tuple[str, str]], draws: int) -> list[str]:
    """Name the pairs whose verdict may turn with other draws, as a note; none if there are none.

    Parameters
    ----------
    pairs : iterable of tuple of str
    draws : int

    Returns
    -------
    list of str

    Examples
    --------
    >>> too_close_words([("A", "B")], 2000)
    ['A / B: too close to call with 2000 draws: take more draws']
    """
    named = [f"{first} / {second}" for first, second in pairs]
    return [f"{shortened(named)}: {draws_words(draws)}"] if named else []
