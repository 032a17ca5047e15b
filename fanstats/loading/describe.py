"""A bench read back in plain sentences, the shakiest guess on top."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fanstats.quantities import units_label
from fanstats.sources import INSTRUMENTS, LEVELS_OF_SHARING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fanstats.sources import Bench, Instrument, Source

__all__ = ["describe"]

_TITLES: Final[Mapping[str, str]] = {
    "noise": "Noise",
    "background": "Room noise",
    "speed": "Speed",
    "airflow": "Airflow",
    "temperature": "Temperature",
    "ambient": "Ambient temperature",
}
_SHARED_BY: Final[Mapping[str, str]] = {
    "shared": "everything read with this instrument has in common",
    "session": "all readings of one session have in common",
    "sitting": "all readings of one sitting have in common",
    "model": "all readings of one model have in common, however often it is read",
    "reading": "each reading has for itself",
}
_FEW_DOF: Final = 10.0
# What 1 % of airflow is worth in each spread or unit, to put guesses in one order: with 50 lg of
# speed for noise (a prior of the fan laws), 1 dB is 4.7 % of speed and so of airflow.
_PERCENT_PER_DB: Final = 100.0 * (10.0 ** (1.0 / 50.0) - 1.0)
_PERCENT_PER_KELVIN: Final = 2.0  # against a rise of some 50 K

_KINDS: Final[Mapping[str, str]] = {
    "noise": "how much noisier a sample is at a given speed",
    "airflow": "how much more air it moves at a given speed",
    "speed": "how much faster it runs at a given drive",
    "temperature": "how much hotter it leaves the part at a given speed",
}
_NEEDED_FOR: Final[Mapping[str, str]] = {
    "noise": "no statement about the typical sample or the one you would buy at equal noise",
    "airflow": "no statement about the airflow of the typical sample or the one you would buy",
    "speed": "no such statement at equal drive",
    "temperature": "no such statement about temperature",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Guess:
    """One figure that rests on little, with how much it may matter."""

    about: str
    source: Source
    why: str
    rank: int
    size: float


def describe(bench: Bench) -> str:
    """Read a bench back in plain sentences, for the tester to check.

    Parameters
    ----------
    bench : Bench
        What was stated.

    Returns
    -------
    str
        One statement a line: the shakiest guess, what is stated of each instrument, sample luck,
        what was not considered.

    Examples
    --------
    >>> from fanstats.sources import Bench, UnitSpread, standard
    >>> bench = Bench(spread=UnitSpread(noise=standard("0.8 dB", dof=4)))
    >>> print(describe(bench).splitlines()[0])
    Shakiest guess: sample luck in noise, s = 0.8 dB (4 degrees of freedom): so few samples.
    """
    mapped = ", ".join(f"{theirs!r} is {ours!r}" for theirs, ours in bench.columns.items())
    blocks = [
        _shakiest(bench),
        [line for quantity in INSTRUMENTS for line in _instrument_lines(bench, quantity)],
        *(_rig_lines(rig, instruments) for rig, instruments in bench.rigs.items()),
        _corrections(bench),
        _unsplit(bench),
        _spread_lines(bench),
        _not_considered(bench),
        [f"Headers of the readings table: {mapped}."] if mapped else [],
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block)


# The shakiest guess ----------------------------------------------------------------------------


def _shakiest(bench: Bench) -> list[str]:
    guesses = sorted(_guesses(bench), key=lambda guess: (guess.rank, -guess.size))
    if not guesses:
        return ["Shakiest guess: none to name, for no error and no sample luck is stated."]
    first = guesses[0]
    lines = [f"Shakiest guess: {first.about}, {_stated(first.source)}: {first.why}."]
    others = [f"{guess.about} ({_stated(guess.source)})" for guess in guesses[1:3]]
    if others:
        lines.append(f"Next to it: {' and '.join(others)}.")
    return lines


def _guesses(bench: Bench) -> list[_Guess]:
    guesses = [
        _Guess(
            about=f"sample luck in {kind}",
            source=source,
            why=_why_spread(source),
            rank=_rank_spread(source),
            # A faster sample ends up on the same point at equal noise: the last of these to doubt.
            size=0.0 if kind == "speed" else _size(source, kind),
        )
        for kind in _KINDS
        if (source := bench.spread.of(kind)) is not None and not source.is_zero
    ]
    guesses += [
        _guess(rig, quantity, level, source)
        for rig, quantity, level, source in bench.stated()
        if not source.is_zero
    ]
    return guesses


def _why_spread(source: Source) -> str:
    if math.isinf(source.dof):
        return "assumed, no degrees of freedom say how many samples stand behind it"
    return "so few samples" if source.dof < _FEW_DOF else "estimated from samples"


def _rank_spread(source: Source) -> int:
    if math.isinf(source.dof):
        return 0
    return 1 if source.dof < _FEW_DOF else 3


def _guess(rig: str, quantity: str, level: str, source: Source) -> _Guess:
    if source.kind == "half width":
        why, rank = "limits from a box or data sheet, anything within them is as likely", 2
        if source.shape != "rectangular":
            why = "limits from a box or data sheet"
    elif math.isinf(source.dof):
        why, rank = "stated without degrees of freedom", 3
    else:
        rank = 1 if source.dof < _FEW_DOF else 4
        why = "so few repeats" if rank == 1 else "estimated from repeats"
    name = f", {source.name!r}" if source.name else ""
    where = f" on rig {rig}" if rig else ""
    about = f"the {level} error of {_TITLES[quantity].lower()}{where}{name}"
    return _Guess(about=about, source=source, why=why, rank=rank, size=_size(source, quantity))


def _size(source: Source, quantity: str) -> float:
    """Give roughly how many per cent of airflow a source is worth."""
    percent = 100.0 * source.relative
    if quantity in ("noise", "background"):
        return source.absolute * _PERCENT_PER_DB
    if quantity in ("temperature", "ambient"):
        return percent + source.absolute * _PERCENT_PER_KELVIN
    return percent  # an absolute figure weighs what the readings make of it, unknown here


# Instruments -----------------------------------------------------------------------------------


def _instrument_lines(bench: Bench, quantity: str) -> list[str]:
    instrument: Instrument | None = getattr(bench, quantity)
    title = _TITLES[quantity]
    if instrument is None:
        fallback = {"background": "noise", "ambient": "temperature"}.get(quantity)
        if fallback and getattr(bench, fallback) is not None:
            return [f"{title}: read with the instrument for {fallback}, with the same errors."]
        return []
    return _stated_lines(title, instrument)


def _rig_lines(rig: str, instruments: Mapping[str, Instrument]) -> list[str]:
    lines = [f"On rig {rig}, in place of what is stated for the others:"] if instruments else []
    for quantity, instrument in instruments.items():
        lines += [f"  {line}" for line in _stated_lines(_TITLES[quantity], instrument)]
    return lines


def _stated_lines(title: str, instrument: Instrument) -> list[str]:
    called = f" (read with {instrument.name})" if instrument.name else ""
    if instrument.carried:
        called += ", one and the same on every rig"
    lines = [f"{title}{called}:"]
    for level in LEVELS_OF_SHARING:
        sources: Sequence[Source] | None = getattr(instrument, level)
        if sources is not None:
            lines.append(f"  What {_SHARED_BY[level]}: {_listed(sources)}.")
    if len(lines) == 1:
        lines[0] = f"{title}{called}: nothing stated about its errors."
    return lines


def _corrections(bench: Bench) -> list[str]:
    parts = []
    for rig, quantity, _, source in bench.stated():
        if source.correction is not None:
            follows = {"noise": "background", "temperature": "ambient"}.get(quantity)
            names = [_TITLES[quantity].lower()]
            if follows is not None and getattr(bench.on(rig), follows) is None:
                names.append(_TITLES[follows].lower())
            where = [rig] if rig else list(source.rigs)
            on = f" on rig {' and '.join(where)}" if where else ""
            parts.append(f"{' and '.join(names)}{on} by {_shown(source.correction.text)}")
    return [f"Corrected before anything else: {'; '.join(parts)}."] if parts else []


def _unsplit(bench: Bench) -> list[str]:
    limits = [source.stated for _, _, _, source in bench.stated() if source.unsplit]
    if not limits:
        return []
    return [
        f"Not split ({', '.join(map(_shown, limits))}): a data sheet says how far off a reading "
        "may be, not how much of that is alike for all models. Make results both ways "
        "(fanstats.both_ways): a verdict stands only if it is the same either way."
    ]


def _listed(sources: Sequence[Source]) -> str:
    if not sources:
        return "no error, checked"
    return "; ".join(_stated(source, named=True) for source in sources)


def _stated(source: Source, *, named: bool = False) -> str:
    text = _shown(source.stated or _computed(source))
    if source.is_zero:
        known = source.correction
        exact = "" if known is None else f"correction {_shown(known.text)}, exact as written"
        text = exact or "zero, as written"
    if named and source.name:
        text = f"{source.name} {text}"
    if source.acts_on is not None:
        where = "the level of the fan alone" if source.acts_on == "fan" else "the reading"
        text += f" (acting on {where})"
    if source.unsplit:
        text += " (nobody knows how much of it all models share)"
    if source.about:
        text += f" ({source.about})"
    if source.rigs:
        text += f" (on rig {' and '.join(source.rigs)} only)"
    return text


def _shown(text: str) -> str:
    for units in ("degC", "degF", "m3/h", "m3/s"):
        text = text.replace(units, units_label(units))
    return text


def _computed(source: Source) -> str:
    parts = [f"{100.0 * source.relative:.3g} %"] if source.relative else []
    if source.absolute or not parts:
        parts.append(f"{source.absolute:.3g} {source.units or ''}".rstrip())
    return f"s = {' + '.join(parts)}"


# Sample luck -----------------------------------------------------------------------------------


def _spread_lines(bench: Bench) -> list[str]:
    lines: list[str] = []
    for kind, words in _KINDS.items():
        source = bench.spread.of(kind)
        if source is None:
            lines.append(f"Sample luck in {kind}: not stated, so {_NEEDED_FOR[kind]}.")
        elif source.is_zero:
            lines.append(f"Sample luck in {kind} ({words}): zero, as written.")
        else:
            lines.append(f"Sample luck in {kind} ({words}): {_stated(source)}.")
    if bench.spread.correlation:
        more = "more" if bench.spread.correlation > 0 else "less"
        lines.append(
            f"Noisier samples move {more} air at a given speed: correlation "
            f"{bench.spread.correlation:+.2f}."
        )
    if bench.spread.speed is not None and bench.spread.noise is None:
        lines.append(
            "The spread of speed does not stand in for noise: at equal noise a sample that only "
            "spins faster ends up on the same point."
        )
    return lines


def _not_considered(bench: Bench) -> list[str]:
    lines = ["Not considered, because nothing was said about it:"]
    for quantity in INSTRUMENTS:
        if bench.instrument(quantity) is None:
            if quantity in ("noise", "speed", "airflow", "temperature"):
                lines.append(f"  {_TITLES[quantity]}: all errors of reading it.")
            continue
        own: Instrument | None = getattr(bench, quantity)
        if own is not None and own.unstated:
            lines.append(f"  {_TITLES[quantity]}: {_missing(own)}.")
    for rig, instruments in bench.rigs.items():
        for quantity, instrument in instruments.items():
            if instrument.unstated:
                lines.append(f"  {_TITLES[quantity]} on rig {rig}: {_missing(instrument)}.")
    mounting = bench.mounting_unstated()
    if mounting:
        lines.append(f"  {mounting[0].upper()}{mounting[1:]}.")
    return lines if len(lines) > 1 else ["Nothing was left unstated about the instruments."]


def _missing(instrument: Instrument) -> str:
    return "; ".join(f"what {_SHARED_BY[level]}" for level in instrument.unstated)
