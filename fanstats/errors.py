"""What the library raises and warns with."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class FanstatsError(ValueError):
    """Input or a request that the library cannot honestly answer.

    The message names the place (file, row, column or argument), the rule, what was found and
    the mend. It is a `ValueError`, so code that knows nothing of fanstats can catch it.
    """


class FanstatsWarning(UserWarning):
    """Something was left out or assumed that the reader of a result should know about."""


def near_name(name: str, names: Iterable[str], *, cutoff: float = 0.6) -> str:
    """Give the one of some names that is spelt most alike, "" where none is like it.

    Parameters
    ----------
    name : str
        What was written.
    names : iterable of str
        What could have been meant.
    cutoff : float
        How much alike they must be, from 0 to 1. Capitals, blanks and underscores make no
        difference.

    Returns
    -------
    str

    Examples
    --------
    >>> near_name("varnost lul", ["Varnost Lull", "Ombrel Sill"])
    'Varnost Lull'
    """
    plain = {_plain(known): known for known in names}
    near = difflib.get_close_matches(_plain(name), plain, n=1, cutoff=cutoff)
    return plain[near[0]] if near else ""


def did_you_mean(value: object, names: Iterable[str]) -> str:
    """Say which of some names is spelt most like a value, for the end of a message.

    Parameters
    ----------
    value : object
        What the caller passed.
    names : iterable of str
        What could have been meant.

    Returns
    -------
    str
        With a space before it; "" where no name is like the value, see `near_name`.

    Examples
    --------
    >>> did_you_mean("Next_Unit", ["model", "next unit"])
    " Did you mean 'next unit'?"
    """
    near = near_name(value, names) if isinstance(value, str) else ""
    return f" Did you mean {near!r}?" if near else ""


def _plain(name: str) -> str:
    return "".join(name.casefold().replace("_", " ").split())


def one_of(argument: str, value: object, allowed: Iterable[str], *, mend: str = "") -> str:
    """Return `value` if it is one of `allowed`, else raise with all of them listed in order.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    value : object
        What the caller passed.
    allowed : iterable of str
        The permitted values, in the order they are to be listed.
    mend : str
        A sentence that says what they mean, or what to do instead.

    Returns
    -------
    str
        `value`, unchanged.

    Raises
    ------
    FanstatsError
        If `value` is none of them.

    Examples
    --------
    >>> one_of("curve", "smooth", ["smooth", "straight"])
    'smooth'
    """
    choices = list(allowed)
    if isinstance(value, str) and value in choices:
        return value
    listed = ", ".join(repr(choice) for choice in choices)
    hints = did_you_mean(value, choices) + (f" {mend}" if mend else "")
    msg = f"`{argument}` must be one of {listed}; got {value!r}.{hints}"
    raise FanstatsError(msg)
