"""Numbers as a reader meets them: in one place, so that a number reads the same everywhere."""

from __future__ import annotations

import html
import math
from decimal import ROUND_HALF_UP, Context, Decimal, InvalidOperation
from typing import Any, Final, Literal

import numpy as np

from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import units_label

__all__ = [
    "chance",
    "interval",
    "number",
    "odds",
    "percentage",
    "round_together",
    "with_uncertainty",
]

Form = Literal["plain", "shorthand", "exponent", "html", "latex"]

MISSING: Final = "–"
_DIGITS_OF_A_FLOAT: Final = 15
_ROUND_OFF: Final = 1e-9
_WIDE: Final = Context(prec=700, rounding=ROUND_HALF_UP)  # from 1e-324 to 1e308
_SUPERSCRIPTS: Final = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")


def with_uncertainty(
    value: Any, u: Any, units: str = "", form: Form = "plain", *, digits: int = 2
) -> str:
    """Write a value with its standard uncertainty.

    Parameters
    ----------
    value : number
        int, float, Decimal or numpy scalar.
    u : number
        Standard uncertainty, at least 0. NaN where it is not known.
    units : str
        As in attributes; printed through `fanstats.quantities.units_label`.
    form : {"plain", "shorthand", "exponent", "html", "latex"}
        ``34.80 ± 0.12``, ``34.80(12)``, ``(3.480 ± 0.012)×10¹``; HTML with its own signs; or
        LaTeX to stand between dollar signs. Numbers that would need many zeros turn to powers of
        ten in every form.
    digits : int
        Significant digits of the uncertainty.

    Returns
    -------
    str
        A missing value is a dash. An uncertainty that is not known or not finite leaves nothing to
        round by: the value then has six significant digits at most.

    Raises
    ------
    FanstatsError
        If `u` is negative, or something is no number.

    Notes
    -----
    Value and uncertainty are rounded together, once, halves away from zero as spreadsheets do;
    every form shows that one result. Zero uncertainty is written as 0 and the value in full.

    References
    ----------
    JCGM 100:2008, 7.2.2 (forms) and 7.2.6 (two significant digits).

    Examples
    --------
    >>> with_uncertainty(34.8013, 0.1184, "dBA")
    '(34.80 ± 0.12) dBA'
    >>> with_uncertainty(34.8013, 0.1184, "dBA", form="shorthand")
    '34.80(12) dBA'
    >>> with_uncertainty(12345.6, 120, "rpm")
    '(12350 ± 120) rpm'
    """
    one_of("form", form, ["plain", "shorthand", "exponent", "html", "latex"])
    nominal, spread = _decimal("value", value), _decimal("u", u)
    if not spread.is_nan() and spread < 0:
        msg = f"`u` must be at least 0; got {u!r}."
        raise FanstatsError(msg)
    if nominal.is_nan():
        return MISSING
    if nominal.is_infinite() or not spread.is_finite() or spread == 0:
        return _unrounded(nominal, spread, units, form)
    return _join(_laid_out(*round_together(nominal, spread, digits), form), units, form)


def round_together(value: Any, u: Any, digits: int = 2) -> tuple[Decimal, Decimal]:
    """Round a value and its uncertainty to the same decimal place, once.

    Parameters
    ----------
    value, u : number
        Finite; `u` above 0.
    digits : int
        Significant digits of the uncertainty. Fewer where the value would need more than the 15
        digits that a float holds; the uncertainty is then at least one unit of the last place.

    Returns
    -------
    value, u : Decimal
        Both with as many decimals as are to be printed.

    Raises
    ------
    FanstatsError
        If something is not finite, `u` is not above 0, or `digits` is not 1 or more.

    Examples
    --------
    >>> round_together(35.0449, 0.0996)
    (Decimal('35.04'), Decimal('0.10'))
    """
    nominal, spread = _decimal("value", value), _decimal("u", u)
    if not (nominal.is_finite() and spread.is_finite() and spread > 0):
        msg = f"`value` and `u` must be finite and `u` above 0; got {value!r} and {u!r}."
        raise FanstatsError(msg)
    place = max(
        _place(spread, digits), nominal.adjusted() - _DIGITS_OF_A_FLOAT + 1 if nominal else -9999
    )
    smallest = Decimal((0, (1,), place))
    return _to_place(nominal, place), max(_to_place(spread, place), smallest)


def interval(
    low: Any,
    high: Any,
    units: str = "",
    *,
    digits_of: Any = None,
    digits: int = 2,
    standard_error: float | None = None,
) -> str:
    """Write an interval as from one number to another.

    Parameters
    ----------
    low, high : number
        Its ends. An infinite end is no limit; NaN is an end that nothing is known of.
    units : str
        As in attributes.
    digits_of : number, optional
        Uncertainty whose significant digits set the last decimal; by default the width.
    digits : int
        Significant digits of that.
    standard_error : float, optional
        Monte Carlo standard error of the ends: they are rounded to steps of 1, 2 or 5 units that
        are twice as large at least, but for the first digit of an end that would become 0.

    Returns
    -------
    str

    Raises
    ------
    FanstatsError
        If `low` lies above `high`.

    Examples
    --------
    >>> interval(34.118, 35.602, "dBA")
    '34.1 to 35.6 dBA'
    >>> interval(-math.inf, 28.02, "dBA", digits_of=0.7, digits=1)
    'up to 28.0 dBA'
    >>> interval(-48.2, 257.3, "fpm", standard_error=8.0)
    '-40 to 260 fpm'
    """
    ends = (_decimal("low", low), _decimal("high", high))
    if ends[0].is_nan() and ends[1].is_nan():
        return MISSING
    if not any(end.is_nan() for end in ends) and ends[0] > ends[1]:
        msg = f"`low` must not lie above `high`; got {low!r} and {high!r}."
        raise FanstatsError(msg)
    scale = _scale(ends, digits_of)
    texts = [_at_scale(end, scale, digits, standard_error) for end in ends]
    if ends[0] == -math.inf and ends[1] == math.inf:
        return "no limits"
    if ends[0] == -math.inf:
        return _join(f"up to {texts[1]}", units, "plain")
    if ends[1] == math.inf:
        return _join(f"from {texts[0]}", units, "plain")
    return _join(f"{texts[0]} to {texts[1]}", units, "plain")


def number(
    value: Any,
    resolution: float | None = None,
    *,
    units: str = "",
    standard_error: float | None = None,
) -> str:
    """Write a lone number, no finer than its resolution and its Monte Carlo error allow.

    Parameters
    ----------
    value : number
        What to write.
    resolution : float, optional
        Smallest step worth printing; the last decimal is that of its first digit.
    units : str
        As in attributes.
    standard_error : float, optional
        Monte Carlo standard error: half a unit of the last place printed is at least as large.

    Returns
    -------
    str
        Four significant digits where neither is given.

    Raises
    ------
    FanstatsError
        If `resolution` is not above 0 or `standard_error` is negative.

    References
    ----------
    JCGM 101:2008, 7.9.2 (numerical tolerance of half a unit of the last significant digit).

    Examples
    --------
    >>> number(34.8013, 0.1, units="dBA"), number(34.8013, standard_error=0.004)
    ('34.8 dBA', '34.80')
    """
    given = _decimal("value", value)
    if resolution is not None and not (math.isfinite(resolution) and resolution > 0):
        msg = f"`resolution` must be a finite number above 0; got {resolution!r}."
        raise FanstatsError(msg)
    if not given.is_finite():
        return _join(_special(given), units, "plain") if given.is_infinite() else MISSING
    places = [_place(_decimal("resolution", resolution), 1, carry=False)] if resolution else []
    places += _error_place(standard_error)
    if not places:
        places = [_place(given, 4) if given else 0]
    return _join(_fixed(_to_place(given, max(places))), units, "plain")


def percentage(p: float, draws: int | None = None) -> str:
    """Write a share or probability in percent, never 0 or 100 of something estimated.

    Parameters
    ----------
    p : float
        Fraction from 0 to 1.
    draws : int, optional
        Number of draws it was counted in: sets the step that can be told.

    Returns
    -------
    str

    Raises
    ------
    FanstatsError
        If `p` is not from 0 to 1.

    Examples
    --------
    >>> percentage(0.0787), percentage(0.99994), percentage(0.43, draws=100)
    ('8 %', 'more than 99 %', '40 %')
    """
    steps = _in_steps(p, draws, (100, 20, 10, 5, 4, 2))
    if not isinstance(steps, tuple):
        return steps
    k, of = steps
    if k in (0, of):
        return f"less than {100 // of} %" if k == 0 else f"more than {100 - 100 // of} %"
    return f"{100 * k // of} %"


def chance(p: float, draws: int | None = None, *, of: int | None = None) -> str:
    """Write a probability as so many in so many, never as none or all.

    Parameters
    ----------
    p : float
        Fraction from 0 to 1.
    draws : int, optional
        Number of draws it was counted in: few draws give coarse steps.
    of : int, optional
        Always so many in this number (for a column); otherwise 95 in 100 is 19 in 20.

    Returns
    -------
    str
        A dash for NaN.

    Raises
    ------
    FanstatsError
        If `p` is not from 0 to 1, or `draws` or `of` is too small.

    Notes
    -----
    The step between two sayings is at least twice the Monte Carlo standard error, and at the ends,
    where a claim of "better than" is made, four times; of draws that all agree the standard error
    is taken from (k + 1) / (n + 2).

    Examples
    --------
    >>> chance(0.95), chance(0.76), chance(0.9999, draws=10_000), chance(0.003)
    ('19 in 20', '76 in 100', 'better than 99 in 100', 'less than 1 in 100')
    """
    if of is not None and of < 2:
        msg = f"`of` must be at least 2; got {of!r}."
        raise FanstatsError(msg)
    steps = _in_steps(p, draws, (100, 20, 10, 5, 4, 2) if of is None else (of,))
    if not isinstance(steps, tuple):
        return steps
    k, out_of = steps
    if k == 0:
        return f"less than 1 in {out_of}"
    if k == out_of:
        return f"better than {out_of - 1} in {out_of}"
    if of is None:
        simple = [small for small in (2, 4, 5, 10, 20) if k * small % out_of == 0]
        if simple:
            k, out_of = k * simple[0] // out_of, simple[0]
    return f"{k} in {out_of}"


_LADDER: Final = (
    *((1, 1), (6, 5), (4, 3), (3, 2), (2, 1), (5, 2)),
    *((n, 1) for n in (3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 19, 25, 30, 40, 50, 75, 99)),
)


def odds(p: float, draws: int | None = None) -> str:
    """Write a probability as odds, for : against, towards even where they fall between.

    Parameters
    ----------
    p : float
        Fraction from 0 to 1.
    draws : int, optional
        Number of draws it was counted in: n draws that all agree are odds of n + 1 to 1 at most.

    Returns
    -------
    str
        "3 to 1" means 3 to 1 or better, so that a rule that starts at 3 to 1 and the print agree.
        Past 99 to 1 it is "better than 99 to 1". A dash for NaN.

    Raises
    ------
    FanstatsError
        If `p` is not from 0 to 1.

    Examples
    --------
    >>> odds(0.75), odds(0.5), odds(0.2), odds(1.0, draws=10_000)
    ('3 to 1', 'even', '1 to 4', 'better than 99 to 1')
    """
    p = _probability(p)
    if math.isnan(p):
        return MISSING
    if draws is not None:
        p = min(max(p, 1 / (_count(draws) + 2)), (draws + 1) / (draws + 2))
    likely, unlikely = max(p, 1 - p), min(p, 1 - p)
    ratio = likely / unlikely if unlikely > 0 else math.inf
    reached = [step for step in _LADDER if step[0] / step[1] <= ratio * (1 + 1e-9)]
    for_, against = reached[-1]
    if reached[-1] == (1, 1):
        return "even"
    past = ratio > 99 * (1 + 1e-9)
    if p >= 0.5:
        return f"{'better than ' if past else ''}{for_} to {against}"
    return f"{'worse than ' if past else ''}{against} to {for_}"


# Decimals ----------------------------------------------------------------------------------------


def _decimal(argument: str, given: Any) -> Decimal:
    """Read a number by its shortest decimal text, which is what its owner sees; None is NaN."""
    if given is None:
        return Decimal("NaN")
    if not isinstance(given, np.generic) and hasattr(given, "item") and np.size(given) == 1:
        given = given.item()
    if isinstance(given, str | bytes | bool | np.bool_ | complex) or hasattr(given, "std_dev"):
        return _refuse(argument, given)
    try:
        return Decimal(str(given))
    except InvalidOperation:
        return _refuse(argument, given)


def _refuse(argument: str, given: Any) -> Decimal:
    msg = f"`{argument}` must be a plain number; got {given!r}."
    raise FanstatsError(msg)


def _place(amount: Decimal, digits: int, *, carry: bool = True) -> int:
    """Power of ten of the last of `digits` significant digits, also where rounding carries."""
    if digits < 1:
        msg = f"`digits` must be 1 or more; got {digits!r}."
        raise FanstatsError(msg)
    place = amount.adjusted() - digits + 1
    if carry:
        place = _to_place(amount, place).adjusted() - digits + 1
    return place


def _to_place(amount: Decimal, place: int) -> Decimal:
    rounded = amount.quantize(Decimal((0, (1,), place)), context=_WIDE)
    return rounded.copy_abs() if rounded == 0 else rounded  # never "-0.0"


def _fixed(amount: Decimal) -> str:
    return f"{amount:f}" if -7 <= amount.adjusted() < _DIGITS_OF_A_FLOAT else f"{amount:g}"


def _error_place(standard_error: float | None) -> list[int]:
    """Place whose half unit is no smaller than the Monte Carlo standard error."""
    twice = _twice(standard_error)
    return [math.ceil(math.log10(twice) - _ROUND_OFF)] if twice else []


def _error_step(standard_error: float | None) -> Decimal:
    """Give the step of 1, 2 or 5 units whose half is no smaller than the standard error; else 0."""
    twice = _twice(standard_error)
    if not twice:
        return Decimal(0)
    place = math.floor(math.log10(twice) + _ROUND_OFF)
    units = next(n for n in (1, 2, 5, 10) if n * 10.0**place >= twice * (1.0 - _ROUND_OFF))
    return Decimal(units).scaleb(place)


def _twice(standard_error: float | None) -> float:
    """Give twice a Monte Carlo standard error; 0 where there is none."""
    if standard_error is None or math.isnan(standard_error):
        return 0.0
    if not (math.isfinite(standard_error) and standard_error >= 0):
        msg = f"`standard_error` must be a finite number of at least 0; got {standard_error!r}."
        raise FanstatsError(msg)
    return 2.0 * standard_error


def _scale(ends: tuple[Decimal, Decimal], digits_of: Any) -> Decimal | None:
    """Amount whose digits set the decimals of an interval's ends; None where there is none."""
    if digits_of is not None:
        scale = abs(_decimal("digits_of", digits_of))
    elif all(end.is_finite() for end in ends):
        scale = _WIDE.subtract(ends[1], ends[0])
    else:
        return None
    return scale if scale.is_finite() and scale > 0 else None


def _at_scale(
    end: Decimal, scale: Decimal | None, digits: int, standard_error: float | None
) -> str:
    if not end.is_finite():
        return _special(end)
    step = _error_step(standard_error)
    if scale is not None:
        step = max(step, Decimal(1).scaleb(_place(scale, digits)))
    if not step:
        step = Decimal(1).scaleb(_place(end, 4) if end else 0)
    steps = _WIDE.divide(end, step).to_integral_value(rounding=ROUND_HALF_UP)
    rounded = _to_place(_WIDE.multiply(steps, step), step.adjusted())
    if scale is not None and rounded == 0 and end != 0:
        # Which side of 0 an end lies on is what it is read for: the draws do not round that away.
        rounded = _to_place(end, max(_place(scale, digits), _place(end, 1)))
    return _fixed(rounded)


# Forms -------------------------------------------------------------------------------------------


def _laid_out(value: Decimal, u: Decimal, form: Form) -> str:
    """Have the `uncertainties` package set a pair that is already rounded.

    Given rounded numbers it has nothing left to round; given raw ones it rounds each form for
    itself, and fixed and exponent form can differ in the last digit.
    """
    from uncertainties import ufloat

    place = int(u.as_tuple().exponent)
    largest = max(value.adjusted() if value else u.adjusted(), u.adjusted())
    powers = form == "exponent" or largest >= 7 or place < -7
    digits = u.adjusted() - place + 1
    kind = {"shorthand": "S", "latex": "L"}.get(form, "P")
    text = f"{ufloat(float(value), float(u)):.{digits}u{'e' if powers else 'f'}{kind}}"
    return text.replace("±", " ± ")


def _unrounded(value: Decimal, u: Decimal, units: str, form: Form) -> str:
    """Write what there is no uncertainty to round by: none, unknown or infinite."""
    whole = _special(value) if value.is_infinite() else _in_full(value, exact=u == 0)
    spread = "0" if u == 0 else _special(u) if not u.is_finite() else _in_full(u, exact=False)
    text = f"{whole}({spread})" if form == "shorthand" else f"{whole} ± {spread}"
    if form == "latex":
        text = text.replace("±", r"\pm").replace("∞", r"\infty").replace(MISSING, r"\text{–}")
    return _join(text, units, form)


def _in_full(value: Decimal, *, exact: bool) -> str:
    return f"{float(value):.{_DIGITS_OF_A_FLOAT if exact else 6}g}"


def _special(value: Decimal) -> str:
    if value.is_nan():
        return MISSING
    return "∞" if value > 0 else "-∞"


def _join(text: str, units: str, form: Form) -> str:
    """Put the unit behind, with brackets where it belongs to two numbers."""
    label = units_label(units)
    paired = "±" in text or r"\pm" in text
    if label and paired and not text.startswith(("(", r"\left(")):
        text = rf"\left({text}\right)" if form == "latex" else f"({text})"
    if form == "latex":
        return rf"{text}\ {_latex_units(label)}" if label else text
    joined = f"{text} {label}" if label else text
    return _as_html(text, label) if form == "html" else joined


def _latex_units(label: str) -> str:
    signs = {"%": r"\%", "°": r"{}^\circ ", "³": "^3", "€": r"\text{€}"}
    return rf"\mathrm{{{''.join(signs.get(sign, sign) for sign in label)}}}"


def _as_html(text: str, label: str) -> str:
    head, power, tail = text.partition("×10")
    if power:
        raised = tail.translate(_SUPERSCRIPTS)
        text = f"{head} × 10<sup>{raised}</sup>"
    text = text.replace("-", "−").replace(" ", "&nbsp;")
    return f"{text}&nbsp;{html.escape(label)}" if label else text


# Probabilities -----------------------------------------------------------------------------------


def _probability(p: float) -> float:
    share = float(_decimal("p", p))
    if not (math.isnan(share) or 0 <= share <= 1):
        msg = f"`p` must be a fraction from 0 to 1; got {p!r}."
        raise FanstatsError(msg)
    return share


def _count(draws: int) -> int:
    if draws < 1:
        msg = f"`draws` must be at least 1; got {draws!r}."
        raise FanstatsError(msg)
    return draws


def _in_steps(p: float, draws: int | None, steps: tuple[int, ...]) -> tuple[int, int] | str:
    """Count a probability in the finest steps that its draws allow, or say that none does."""
    share = _probability(p)
    if math.isnan(share):
        return MISSING
    error = 0.0
    if draws is not None:
        shrunk = (share * _count(draws) + 1) / (draws + 2)
        error = math.sqrt(shrunk * (1 - shrunk) / draws)
    for of in steps:
        k = math.floor(share * of + 0.5)
        needed = 2 * error if k in (0, of) else error
        if needed <= 1 / (2 * of):
            return k, of
    return "too few draws to tell"
