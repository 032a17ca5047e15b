"""A progress bar for long work: on a terminal only, never in a log or a notebook."""

from __future__ import annotations

import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Step", "progress"]

# Seconds before the bar is shown: short work needs none.
_DELAY: Final = 1.0


class Step(Protocol):
    """Says that so many parts of the work are done; may be called from several threads."""

    def __call__(self, parts: int = 1, /) -> None:
        """Count `parts` more as done."""


def _nothing(_: int = 1, /) -> None:
    """Count nothing."""


@contextmanager
def progress(total: int, what: str, *, delay: float = _DELAY) -> Iterator[Step]:
    """Show on the terminal how far long work has got.

    Parameters
    ----------
    total : int
        Parts of the work.
    what : str
        What is being done, in a word or two.
    delay : float
        Seconds before anything is shown.

    Yields
    ------
    callable
        To be called with the number of parts done since the last call (1 by default), from any
        thread. Where standard error is no terminal it does nothing, and nothing is imported.

    Notes
    -----
    The bar goes to standard error and is wiped when the work ends or fails, so that what a program
    prints is the same with and without it.

    Examples
    --------
    >>> with progress(2, "drawing") as step:
    ...     step()
    ...     step()
    """
    if not _on_a_terminal():
        yield _nothing
        return
    from tqdm import tqdm

    lock = threading.Lock()
    bar = tqdm(total=total, desc=what, file=sys.stderr, leave=False, delay=delay, ascii=" .:")

    def step(parts: int = 1, /) -> None:
        with lock:
            bar.update(parts)

    try:
        yield step
    finally:
        bar.close()


def _on_a_terminal() -> bool:
    """Say whether standard error is there, open, and a terminal."""
    stream = sys.stderr
    return stream is not None and not stream.closed and stream.isatty()
