"""Limits of a data sheet of which nobody knows how much all models share."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.sources.bench import INSTRUMENTS, Bench
from fanstats.sources.instrument import LEVELS_OF_SHARING, Instrument

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fanstats.sources.source import Source

__all__ = ["BothWays", "Unsplit", "split", "split_both_ways", "unsplit_limits"]


class BothWays(NamedTuple):
    """A bench with its unsplit limits taken either way.

    Attributes
    ----------
    shared : Bench
        All of every unsplit limit is common to all models: it widens ranges and cancels from
        gaps.
    model : Bench
        All of it is each model's own: nothing of it cancels.
    """

    shared: Bench
    model: Bench


class Unsplit(NamedTuple):
    """A limit of which nobody knows how much all models share.

    Attributes
    ----------
    quantity : str
        What the instrument reads.
    rig : str
        The rig whose instrument it is, "" where it reads on all.
    source : Source
        The limit.
    """

    quantity: str
    rig: str
    source: Source


def unsplit_limits(bench: Bench) -> dict[str, Unsplit]:
    """List the limits that nobody has split.

    Parameters
    ----------
    bench : Bench
        What is stated about the instruments.

    Returns
    -------
    dict
        By name, such as ``"noise: class 2 limit"``.

    Examples
    --------
    >>> from fanstats.instruments import sound_meter, vane
    >>> list(unsplit_limits(Bench(noise=sound_meter(class_=2), airflow=vane("3 %"))))
    ['noise: class 2 limit', 'airflow: data sheet limit']
    """
    found: dict[str, Unsplit] = {}
    for rig, instruments in _all_instruments(bench).items():
        for quantity, instrument in instruments.items():
            for level, place, source in instrument:
                if source.unsplit:
                    name = _limit_name(rig, quantity, level, place, source)
                    found[name] = Unsplit(quantity, rig, source)
    return found


def _all_instruments(bench: Bench) -> dict[str, dict[str, Instrument]]:
    own = {quantity: getattr(bench, quantity) for quantity in INSTRUMENTS}
    given = {quantity: each for quantity, each in own.items() if each is not None}
    return {"": given} | {rig: dict(each) for rig, each in bench.rigs.items()}


def _limit_name(rig: str, quantity: str, level: str, place: int, source: Source) -> str:
    called = source.name if source.name is not None else f"{level} {place + 1}"
    return f"{rig} {quantity}: {called}".strip()


def split(bench: Bench, own: Mapping[str, float]) -> Bench:
    """Split limits between what all models share and what each has for itself.

    Parameters
    ----------
    bench : Bench
        With sources whose `unsplit` is True.
    own : mapping of str to float
        By the names of `unsplit_limits`, the share of the limit's variance that is each model's
        own, from 0 to 1; 0 for those that are not named.

    Returns
    -------
    Bench
        Without unsplit sources. Sources without a name are given their place as one, so that no
        other source changes its draws.

    Raises
    ------
    FanstatsError
        If a name is none of the bench's, or a share is beyond 0 to 1.

    Examples
    --------
    >>> from fanstats.instruments import vane
    >>> bench = split(Bench(airflow=vane("3 %")), {"airflow: data sheet limit": 0.36})
    >>> [round(bench.airflow.at(level)[0].relative * 3**0.5, 3) for level in ("shared", "model")]
    [0.024, 0.018]
    """
    known = unsplit_limits(bench)
    for name, share in own.items():
        one_of("own", name, list(known))
        number(f"own[{name!r}]", share, above=-1e-12)
        if share > 1:
            msg = f"`own` must hold shares from 0 to 1; got {share!r} for {name!r}."
            raise FanstatsError(msg)
    made = {
        rig: {name: _split(each, rig, name, own) for name, each in instruments.items()}
        for rig, instruments in _all_instruments(bench).items()
    }
    fields: dict[str, Any] = {**made.pop(""), "rigs": made}
    return replace(bench, **fields)


def split_both_ways(bench: Bench) -> BothWays:
    """Take the limits that nobody has split wholly as shared and wholly as each model's own.

    A limit on a data sheet covers what an instrument does to all models alike and what it does to
    each by itself, and nothing says how much of which. Results are then made twice, and a verdict
    stands only if both agree: `fanstats.both_ways` does it.

    Parameters
    ----------
    bench : Bench
        With sources whose `unsplit` is True.

    Returns
    -------
    BothWays
        Two benches without unsplit sources; equal to each other where `bench` has none. Sources
        without a name are given their place as one, so that no other source changes its draws.

    Examples
    --------
    >>> from fanstats.instruments import sound_meter
    >>> both = split_both_ways(Bench(noise=sound_meter(class_=2)))
    >>> [len(both.shared.noise.at(level)) for level in ("shared", "model")]
    [1, 0]
    >>> [len(both.model.noise.at(level)) for level in ("shared", "model")]
    [0, 1]
    """
    return BothWays(split(bench, {}), split(bench, dict.fromkeys(unsplit_limits(bench), 1.0)))


def _split(instrument: Instrument, rig: str, quantity: str, own: Mapping[str, float]) -> Instrument:
    kept: dict[str, list[Source] | None] = {}
    moved: dict[str, list[Source]] = {"shared": [], "model": []}
    for level in LEVELS_OF_SHARING:
        stated = getattr(instrument, level)
        kept[level] = None if stated is None else []
        for place, source in enumerate(stated or ()):
            called = source if source.name is not None else replace(source, name=str(place + 1))
            if not source.unsplit:
                kept[level] = [*(kept[level] or []), called]
                continue
            share = own.get(_limit_name(rig, quantity, level, place, source), 0.0)
            for to, part in _parts(called, share).items():
                moved[to].append(part)
    for to, parts in moved.items():
        if parts:
            kept[to] = [*(kept[to] or []), *parts]
    fields: dict[str, Any] = dict(kept)
    return replace(instrument, **fields)


def _parts(source: Source, share: float) -> dict[str, Source]:
    """Give what of a limit all models share, with its correction, and what is each model's own."""
    known = source.without_correction()
    how = {0.0: "all of it shared", 1.0: "all of it each model's own"}.get(
        share, f"{100 * share:.2g} % of its variance each model's own"
    )
    about = f"nobody has split it; taken as {how}"
    parts: dict[str, Source] = {}
    if share < 1 or source.correction is not None:
        part = source.scaled(math.sqrt(1.0 - share))
        parts["shared"] = replace(part, unsplit=False, about=about)
    if share > 0:
        part = known.scaled(math.sqrt(share))
        parts["model"] = replace(part, unsplit=False, about=about)
    return parts
