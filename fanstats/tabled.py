"""How a result shows itself: its sentence, its table, and both as text to be kept."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, ClassVar

from fanstats.exports import csv_text, markdown_text, write_csv

if TYPE_CHECKING:
    import os

    import pandas as pd

__all__ = ["Tabled", "Told"]


class Told:
    """A result that is a sentence."""

    __slots__ = ()

    def sentence(self) -> str:
        """Say it in words that can stand under a chart.

        Returns
        -------
        str
        """
        raise NotImplementedError

    def __repr__(self) -> str:
        """Show the sentence."""
        return self.sentence()


class Tabled(Told):
    """A result that is a sentence and a table.

    Whoever inherits says what the sentence is and, in `_rows`, which table is shown and written.
    What is written is safe to open elsewhere: see `fanstats.exports`.
    """

    __slots__ = ()
    _DIGITS: ClassVar[int] = 4

    def _rows(self) -> pd.DataFrame:
        raise NotImplementedError

    def _number(self, value: float) -> str:
        return f"{value:.{self._DIGITS}g}"

    def to_csv(self, path: str | os.PathLike[str] | None = None) -> str | None:
        """Write the table as comma-separated values that open safely in a spreadsheet.

        Parameters
        ----------
        path : str or Path, optional
            Where to; without one the text is returned.

        Returns
        -------
        str or None
        """
        if path is None:
            return csv_text(self._rows())
        write_csv(self._rows(), path)
        return None

    def to_markdown(self) -> str:
        """Give the table as Markdown text.

        Returns
        -------
        str
        """
        return markdown_text(self._rows(), floatfmt=f".{self._DIGITS}g")

    def __repr__(self) -> str:
        """Show the sentence and the table."""
        rows = self._rows().to_string(index=False, float_format=self._number)
        return f"{self.sentence()}\n{rows}"

    def _repr_html_(self) -> str:
        rows = self._rows().to_html(index=False, float_format=self._number, border=0)
        return f"<p>{html.escape(self.sentence())}</p>{rows}"
