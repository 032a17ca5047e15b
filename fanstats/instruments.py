"""Ready-made instruments, in the words on the box: what a data sheet or standard says of them."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any, Final, Literal

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.quantities import QUANTITIES
from fanstats.sources import Instrument, Source, half_width
from fanstats.sources.splitting import BothWays, split_both_ways

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

__all__ = [
    "BothWays",
    "from_words",
    "named",
    "sound_meter",
    "split_both_ways",
    "tachometer",
    "thermocouple",
    "vane",
]

# IEC 61672-1, limits at 1 kHz in dB by edition and class. The 2002 edition printed them with the
# laboratory's largest permitted uncertainty (0.4 dB) added, the 2013 edition without.
_SOUND_LIMITS: Final[Mapping[tuple[int, int], float]] = {
    (2013, 1): 0.7,
    (2013, 2): 1.0,
    (2002, 1): 1.1,
    (2002, 2): 1.4,
}
# IEC 60584: limit in K and, as a fraction of the temperature in degC, the one that takes over
# above their quotient.
_THERMOCOUPLES: Final[Mapping[tuple[str, int], tuple[float, float]]] = {
    ("K", 1): (1.5, 0.004),
    ("K", 2): (2.5, 0.0075),
    ("T", 1): (0.5, 0.004),
    ("T", 2): (1.0, 0.0075),
}
_DISPLAY: Final = "display"


def sound_meter(
    class_: Literal[1, 2] = 2,
    display: float | None = 0.1,
    edition: Literal[2002, 2013] = 2013,
) -> Instrument:
    """Make a sound level meter from its class.

    Parameters
    ----------
    class_ : {1, 2}
        Class on the box.
    display : float or None
        Step of the display in dB; None leaves the reading errors unstated.
    edition : {2013, 2002}
        Edition of IEC 61672-1 that the class refers to: the same meter has two numbers.

    Returns
    -------
    Instrument
        ``shared``: the limit at 1 kHz as a half width (2013: 0.7 dB in class 1, 1.0 dB in class
        2; 2002: 1.1 and 1.4 dB), *unsplit*: it covers both the calibration, which all fans share,
        and the answer to each fan's own tone. ``reading``: half a step of the display either way.
        ``session``, ``sitting`` and ``model`` stay unstated: the box says nothing of drift, of
        where the microphone stands, or of limits away from 1 kHz, which are wider (class 2: 1.5
        dB from 100 Hz on, 2 dB at 2 kHz, 3 dB at 4 kHz).

    Raises
    ------
    FanstatsError
        If there is no such class or edition.

    Notes
    -----
    Meters sold without a class, or as "accuracy 1.5 dB", are stated by `half_width` instead. Many
    stop near 30 dBA: what they show there is no level.

    References
    ----------
    IEC 61672-1:2013, Table 3 (acceptance limits at 1 kHz); those of the 2002 edition by adding
    its 0.4 dB of permitted uncertainty.

    Examples
    --------
    >>> meter = sound_meter(class_=2)
    >>> meter.shared[0].stated, meter.unstated
    ('±1 dB', ('session', 'sitting', 'model'))
    """
    key = (edition, class_)
    if isinstance(class_, bool) or key not in _SOUND_LIMITS:
        msg = (
            "`class_` must be 1 or 2 and `edition` 2013 or 2002; got class "
            f"{class_!r} of {edition!r}."
        )
        raise FanstatsError(msg)
    limit = half_width(f"{_SOUND_LIMITS[key]:g} dB", name=f"class {class_} limit", unsplit=True)
    return Instrument(shared=[limit], reading=_display(display, "dB"))


def vane(limit: float | str, display: float | str | None = None) -> Instrument:
    """Make an anemometer from the limit on its data sheet.

    Parameters
    ----------
    limit : str or float
        Such as ``"3 % + 0.2 m/s"`` or ``"3 %"``; a bare number is in the unit of the readings.
    display : float or str, optional
        Step of the display, such as ``"0.01 m/s"`` or a number in the unit of the readings. None
        leaves the reading errors unstated.

    Returns
    -------
    Instrument
        ``shared``: the limit as a half width, *unsplit*: it covers both the scale, which all fans
        share, and the answer to each fan's own swirl and jets. ``reading``: half a step of the
        display either way. The rest stays unstated.

    Raises
    ------
    FanstatsError
        If the limit cannot be read.

    Notes
    -----
    A constant part rules at low speeds: 0.2 m/s is 82 % of 50 fpm together with 3 %, 11 % of 500
    fpm. Below about 0.2 m/s a vane does not turn reliably at all. A hot wire reads mass flow and
    follows the density of the air; a vane hardly does.

    References
    ----------
    JCGM 100:2008, 4.3.7; limits are the data sheet's.

    Examples
    --------
    >>> vane("3 % + 0.2 m/s").shared[0].stated
    '±(3 % + 0.2 m/s)'
    """
    source = half_width(limit, name="data sheet limit", unsplit=True)
    if source.is_zero:
        msg = f"`limit` must be above 0; got {limit!r}. State [] where there is none."
        raise FanstatsError(msg)
    if source.units is not None and source.units not in QUANTITIES["airflow"].units:
        allowed = ", ".join(QUANTITIES["airflow"].units)
        msg = f"`limit` must be in a unit of airflow ({allowed}); got {limit!r}."
        raise FanstatsError(msg)
    return Instrument(shared=[source], reading=_display(display, None))


def tachometer(pulses: int = 2, seconds: float = 1.0) -> Instrument:
    """Make a tachometer from how it counts.

    Parameters
    ----------
    pulses : int
        Pulses a revolution; two on most computer fans.
    seconds : float
        How long it counts.

    Returns
    -------
    Instrument
        ``reading``: one count either way, ``60 / (pulses * seconds)`` rpm, as a half width. The
        rest stays unstated: clocks are good to a hundredth of a per cent, but nobody printed it.

    Raises
    ------
    FanstatsError
        If a number is not above 0.

    References
    ----------
    JCGM 100:2008, 4.3.7 and F.2.2.1 (resolution of a digital reading).

    Examples
    --------
    >>> tachometer(pulses=2, seconds=1).reading[0].stated
    '±30 rpm'
    """
    count = 60.0 / (number("pulses", pulses, above=0) * number("seconds", seconds, above=0))
    return Instrument(reading=[half_width(f"{count:.6g} rpm", name="one count")])


def thermocouple(
    kind: Literal["K", "T"] = "K", class_: Literal[1, 2] = 2, display: float | None = 0.1
) -> Instrument:
    """Make a thermocouple thermometer from its type and class.

    Parameters
    ----------
    kind : {"K", "T"}
        Type of the wire.
    class_ : {1, 2}
        Tolerance class.
    display : float or None
        Step of the display in degC; None leaves the reading errors unstated.

    Returns
    -------
    Instrument
        ``shared``: the limit as a half width (K: 1.5 K in class 1, 2.5 K in class 2; T: 0.5 and
        1.0 K). It is split: one sensor reads every fan at about one temperature, so its offset is
        the same for all. ``reading``: half a step of the display either way. The rest, such as
        how the sensor is stuck on, stays unstated.

    Raises
    ------
    FanstatsError
        If there is no such type or class.

    Notes
    -----
    For new wire. The limit is the greater of this and a fraction of the temperature (0.4 % in
    class 1, 0.75 % in class 2), which takes over at 375 degC (K, class 1), 333 degC (K, class 2),
    125 degC (T, class 1) and 133 degC (T, class 2). An ambient read with the same sensor shares
    its error, and the rise is rid of it; give a second sensor as ``Bench(ambient=...)``, and the
    two are independent.

    References
    ----------
    IEC 60584 (tolerances of thermocouples).

    Examples
    --------
    >>> thermocouple("K", class_=2).shared[0].stated
    '±2.5 K'
    """
    key = (kind, class_)
    if isinstance(class_, bool) or key not in _THERMOCOUPLES:
        msg = f"`kind` must be 'K' or 'T' and `class_` 1 or 2; got {kind!r}, class {class_!r}."
        raise FanstatsError(msg)
    limit = half_width(f"{_THERMOCOUPLES[key][0]:g} K", name=f"type {kind} class {class_} limit")
    return Instrument(shared=[limit], reading=_display(display, "K"))


def _display(step: float | str | None, units: str | None) -> list[Source] | None:
    """Half a step of a display, either way."""
    if step is None:
        return None
    if isinstance(step, str):
        whole = half_width(step, name=_DISPLAY)
        text, unit = whole.stated.removeprefix("±"), whole.units
        if whole.relative or whole.is_zero:
            msg = f"`display` must be a step such as '0.01 m/s', above 0; got {text!r}."
            raise FanstatsError(msg)
        size = whole.absolute * math.sqrt(3.0)
    else:
        size, unit = number("display", step, above=0), units
    return [half_width(f"{size / 2.0:.6g} {unit or ''}".strip(), name=_DISPLAY)]


# By the words on the box --------------------------------------------------------------------------

_NUMBER: Final = r"[0-9]*\.?[0-9]+"
_OPTIONS: Final = {
    "display": re.compile(rf"\bdisplay\s+(?P<value>{_NUMBER}(?:\s*[^\s,]+)?)", re.IGNORECASE),
    "edition": re.compile(r"\b(?:edition\s+|61672[-:1\s]*)(?P<value>\d{4})\b", re.IGNORECASE),
    "class": re.compile(r"\bclass\s*(?P<value>\d+)\b", re.IGNORECASE),
    "pulses": re.compile(rf"(?P<value>{_NUMBER})\s*pulses?\b", re.IGNORECASE),
    "seconds": re.compile(rf"(?P<value>{_NUMBER})\s*s(?:econds?)?\b", re.IGNORECASE),
    "type": re.compile(r"\btype\s+(?P<value>[a-z])\b|\b(?P<bare>[KT])\b", re.IGNORECASE),
}
_KNOWN: Final = (
    "'class 2' (sound meter; also 'class 2, edition 2002, display 0.1'), "
    "'vane 3 % + 0.2 m/s, display 0.01 m/s', 'tachometer 2 pulses, 1 s', 'thermocouple K class 2'"
)
_TAKES: Final[Mapping[str, tuple[str, ...]]] = {
    "sound meter": ("class", "edition", "display"),
    "vane": ("display",),
    "tachometer": ("pulses", "seconds"),
    "thermocouple": ("type", "class", "display"),
}
_FOR: Final[Mapping[str, str]] = {
    "noise": "sound meter",
    "background": "sound meter",
    "speed": "tachometer",
    "airflow": "vane",
    "temperature": "thermocouple",
    "ambient": "thermocouple",
}


def named(text: str) -> Instrument:
    """Make the instrument that words on a box describe.

    Parameters
    ----------
    text : str
        Such as ``"class 2"``, ``"sound meter class 1, edition 2002, display 0.1"``, ``"vane 3 % +
        0.2 m/s, display 0.01 m/s"``, ``"tachometer 2 pulses, 1 s"``, ``"thermocouple K class 2"``.

    Returns
    -------
    Instrument

    Raises
    ------
    FanstatsError
        If the words fit no ready-made instrument, or something in them has no meaning.

    Examples
    --------
    >>> named("class 2") == sound_meter(class_=2)
    True
    >>> named("vane 3 % + 0.2 m/s") == vane("3 % + 0.2 m/s")
    True
    """
    words = _text(text)
    kinds = {
        "thermocouple": r"\bthermocouple\b|\btype\s+[a-z]\b",
        "tachometer": r"\btacho(?:meter)?\b|\bpulses?\b",
        "vane": r"\bvane\b|\banemometer\b|%",
        "sound meter": r"\bsound\b|\bnoise\b|\bclass\b",
    }
    for kind, pattern in kinds.items():
        if re.search(pattern, words, re.IGNORECASE):
            return _made(kind, words)
    msg = f"no ready-made instrument is called {text!r}. Known: {_KNOWN}."
    raise FanstatsError(msg)


def from_words(quantity: str, words: str) -> Instrument:
    """Make the instrument that reads a quantity from the words on its box.

    Parameters
    ----------
    quantity : {"noise", "background", "speed", "airflow", "temperature", "ambient"}
        What it reads; its kind need then not be named: ``"K class 2"``, ``"2 pulses, 1 s"``.
    words : str
        As in `named`.

    Returns
    -------
    Instrument

    Raises
    ------
    FanstatsError
        If the words describe another kind of instrument, or something in them has no meaning.

    Examples
    --------
    >>> from_words("temperature", "K class 1") == thermocouple("K", class_=1)
    True
    """
    kind = _FOR[one_of("quantity", quantity, _FOR)]
    text = _text(words)
    for other in _TAKES:
        if other != kind and re.search(rf"\b{other}\b", text, re.IGNORECASE):
            msg = f"{quantity} is read with a {kind}; got {words!r}."
            raise FanstatsError(msg)
    return _made(kind, text)


def _text(text: object) -> str:
    if isinstance(text, str) and text.strip():
        return text.strip()
    msg = f"an instrument is named by a text such as 'class 2'; got {text!r}. Known: {_KNOWN}."
    raise FanstatsError(msg)


def _made(kind: str, text: str) -> Instrument:
    rest = re.sub(
        r"\bsound\s+(?:level\s+)?meter\b|\btacho(?:meter)?\b|\bthermocouple\b|\bvane\b"
        r"(?:\s+anemometer)?|\banemometer\b|\biec\b",
        " ",
        text,
        flags=re.IGNORECASE,
    )
    found: dict[str, str] = {}
    for option in _TAKES[kind]:
        match = _OPTIONS[option].search(rest)
        if match:
            value = match["value"] or match.groupdict().get("bare") or ""
            found[option] = value.strip()
            rest = rest[: match.start()] + " " + rest[match.end() :]
    rest = rest.strip(" ,;:()")
    makers: dict[str, Callable[[dict[str, str], str], Instrument]] = {
        "sound meter": _made_sound_meter,
        "vane": _made_vane,
        "tachometer": _made_tachometer,
        "thermocouple": _made_thermocouple,
    }
    if kind != "vane" and rest:
        msg = f"a {kind} takes {', '.join(_TAKES[kind])}; {rest!r} in {text!r} has no meaning."
        raise FanstatsError(msg)
    try:
        return makers[kind](found, rest)
    except FanstatsError as error:
        msg = f"{text!r}: {error}"
        raise FanstatsError(msg) from error


def _made_sound_meter(found: dict[str, str], _: str) -> Instrument:
    if "class" not in found:
        msg = "a sound meter is named by its class: 'class 1' or 'class 2'."
        raise FanstatsError(msg)
    class_: Any = int(found["class"])
    edition: Any = int(found.get("edition", "2013"))
    return sound_meter(class_, _step(found.get("display", "0.1"), ("dB", "dBA")), edition)


def _made_vane(found: dict[str, str], limit: str) -> Instrument:
    if not limit:
        msg = "a vane is named by the limit on its data sheet: 'vane 3 % + 0.2 m/s'."
        raise FanstatsError(msg)
    return vane(limit.removeprefix("±").removeprefix("+/-"), found.get("display"))


def _made_tachometer(found: dict[str, str], _: str) -> Instrument:
    pulses: Any = float(found.get("pulses", "2"))
    return tachometer(pulses, float(found.get("seconds", "1")))


def _made_thermocouple(found: dict[str, str], _: str) -> Instrument:
    if "type" not in found:
        msg = "a thermocouple is named by its type: 'thermocouple K class 2'."
        raise FanstatsError(msg)
    kind: Any = found["type"].upper()
    class_: Any = int(found.get("class", "2"))
    return thermocouple(kind, class_, _step(found.get("display", "0.1"), ("K", "degC", "°C", "C")))


def _step(text: str, units: tuple[str, ...]) -> float:
    match = re.fullmatch(rf"(?P<number>{_NUMBER})\s*(?P<unit>.*)", text)
    if match is None or match["unit"] not in ("", *units):
        msg = f"the step of its display is a number of {units[0]}; got {text!r}."
        raise FanstatsError(msg)
    return float(match["number"])
