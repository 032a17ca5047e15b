"""How every plan shows itself: its sentence, its table, and both as text to be kept."""

from __future__ import annotations

import pandas as pd

from fanstats.exports import markdown_text
from fanstats.tabled import Tabled

__all__ = ["Shown", "at_most_words", "chance_words", "money_words", "plain_rows", "spent_words"]


class Shown(Tabled):
    """A plan with a sentence and a table."""

    __slots__ = ()

    def table(self) -> pd.DataFrame:
        """Give the numbers.

        Returns
        -------
        DataFrame
        """
        raise NotImplementedError

    def _rows(self) -> pd.DataFrame:
        return plain_rows(self.table())

    def _number(self, value: float) -> str:
        return _text(value)

    def to_markdown(self) -> str:
        """Give the table as Markdown text.

        Returns
        -------
        str
        """
        return markdown_text(self._rows().map(_text), numparse=False)


def _text(value: object) -> str:
    """Print a number to four digits, whole ones in full; other things as they are."""
    if not isinstance(value, float):
        return str(value)
    if value != value:  # NaN differs from itself
        return ""
    return f"{value:.0f}" if 1e4 <= abs(value) < 1e15 else f"{value:.4g}"


def plain_rows(table: pd.DataFrame) -> pd.DataFrame:
    """Give a table whose labelled index has become a column.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    DataFrame
    """
    return table if table.index.name is None else table.reset_index()


def money_words(money: float, currency: str) -> str:
    """Print money; nobody's currency is invented.

    Parameters
    ----------
    money : float
    currency : str
        "" where nobody stated one.

    Returns
    -------
    str

    Examples
    --------
    >>> money_words(120.0, "EUR"), money_words(37.5, "")
    ('120 EUR', '37.5 price units')
    """
    return f"{round(money, 2):,.10g} {currency or 'price units'}"


def chance_words(chance: float) -> str:
    """Print a chance to two digits, and never a certainty that is none.

    Parameters
    ----------
    chance : float

    Returns
    -------
    str

    Examples
    --------
    >>> chance_words(0.8012), chance_words(0.9999), chance_words(0.001)
    ('0.80', 'above 0.99', 'below 0.01')
    """
    if chance >= 0.995:
        return "above 0.99"
    return f"{chance:.2f}" if chance >= 0.005 or chance == 0 else "below 0.01"


def at_most_words(chance: float) -> str:
    """Print the most that a chance comes to.

    Parameters
    ----------
    chance : float

    Returns
    -------
    str

    Examples
    --------
    >>> at_most_words(0.29), at_most_words(0.001)
    ('of 0.29 at most', 'below 0.01')
    """
    words = chance_words(chance)
    return words if words.startswith("below") else f"of {words} at most"


def spent_words(money: float, currency: str, hours: float) -> str:
    """Print what a plan takes; what nobody stated is said to be so.

    Parameters
    ----------
    money, hours : float
        NaN where not stated.
    currency : str
        "" where nobody stated one.

    Returns
    -------
    str

    Examples
    --------
    >>> spent_words(120.0, "EUR", 2.5)
    '120 EUR and 2.5 h at the bench'
    >>> spent_words(120.0, "", float("nan"))
    '120 price units and bench hours not stated'
    """
    paid = "" if money != money else money_words(money, currency)  # NaN differs from itself
    took = "" if hours != hours else f"{hours:.1f} h at the bench"
    if not paid and not took:
        return "prices and bench hours not stated"
    return f"{paid or 'prices not stated'} and {took or 'bench hours not stated'}"
