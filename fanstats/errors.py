"""What the library raises and warns with."""

from __future__ import annotations

from collections.abc import Iterable


class FanstatsError(ValueError):
    """Input or a request that the library cannot honestly answer.

    The message names the place (file, row, column or argument), the rule, what was found and
    the mend. It is a `ValueError`, so code that knows nothing of fanstats can catch it.
    """


class FanstatsWarning(UserWarning):
    """Something was left out or assumed that the reader of a result should know about."""


def one_of(argument: str, value: object, allowed: Iterable[str]) -> str:
    """Return `value` if it is one of `allowed`, else raise with all of them listed in order.

    Parameters
    ----------
    argument : str
        The name of the argument, for the message.
    value : object
        What the caller passed.
    allowed : iterable of str
        The permitted values, in the order they are to be listed.

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
    msg = f"`{argument}` must be one of {listed}; got {value!r}."
    raise FanstatsError(msg)
