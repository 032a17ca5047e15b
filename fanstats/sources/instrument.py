"""What is known of one instrument's errors, grouped by how widely each is shared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from fanstats.errors import FanstatsError, one_of
from fanstats.sources.source import Source

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

__all__ = ["LEVELS_OF_SHARING", "Instrument"]

LEVELS_OF_SHARING: Final = ("shared", "session", "sitting", "model", "reading")


def _as_sources(
    argument: str, given: Source | Sequence[Source] | None
) -> tuple[Source, ...] | None:
    if given is None:
        return None
    if isinstance(given, Source):
        return (given,)
    entries: Iterable[object] = given if isinstance(given, (list, tuple)) else (given,)
    sources: list[Source] = []
    for position, entry in enumerate(entries):
        if not isinstance(entry, Source):
            msg = (
                f"`{argument}` must hold sources made by half_width, expanded or standard; "
                f"got {entry!r} at place {position + 1}."
            )
            raise FanstatsError(msg)
        sources.append(entry)
    return tuple(sources)


def _check_uncorrected(level: str, sources: Sequence[Source]) -> None:
    for source in sources:
        if source.correction is not None:
            msg = (
                f"a correction is one for everything read with the instrument: state it under "
                f"`shared`; got {source.stated!r} under `{level}`."
            )
            raise FanstatsError(msg)


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """What is known of one instrument's errors, grouped by how widely each error is shared.

    A level of sharing left out is *unstated* and listed as "not considered"; an empty list
    means "none, checked".

    Parameters
    ----------
    shared : Source or sequence of Source, optional
        One draw for everything read with this instrument: calibration, scale. A known correction
        stands here, with its uncertainty: ``expanded(0.2, correction=-0.4)``.
    session : Source or sequence of Source, optional
        One draw a session.
    sitting : Source or sequence of Source, optional
        One draw a sitting: mounting, microphone position.
    model : Source or sequence of Source, optional
        One draw a model and quantity: the answer to that model's tone or swirl.
    reading : Source or sequence of Source, optional
        One draw a reading: display, flicker.
    name : str, optional
        Name of the instrument; two quantities read with one named instrument share its errors.
    carried : bool
        Whether it is one and the same instrument on every rig of the readings. Its ``shared``,
        ``session`` and ``model`` errors are then the same on all of them; by default two rigs
        share nothing.

    Examples
    --------
    >>> from fanstats.sources import half_width, standard
    >>> meter = Instrument(shared=half_width(1.0), reading=[half_width(0.05), standard(0.15)])
    >>> meter.unstated
    ('session', 'sitting', 'model')
    """

    shared: Source | Sequence[Source] | None = None
    session: Source | Sequence[Source] | None = None
    sitting: Source | Sequence[Source] | None = None
    model: Source | Sequence[Source] | None = None
    reading: Source | Sequence[Source] | None = None
    name: str | None = None
    carried: bool = False

    def __post_init__(self) -> None:
        for level in LEVELS_OF_SHARING:
            sources = _as_sources(level, getattr(self, level))
            object.__setattr__(self, level, sources)
            if level != "shared":
                _check_uncorrected(level, sources or ())

    def at(self, level: str) -> tuple[Source, ...]:
        """Give the sources stated at one level of sharing; none where the level is unstated.

        Parameters
        ----------
        level : {"shared", "session", "sitting", "model", "reading"}
            Level of sharing.

        Returns
        -------
        tuple of Source
        """
        sources: tuple[Source, ...] | None = getattr(
            self, one_of("level", level, LEVELS_OF_SHARING)
        )
        return sources or ()

    @property
    def unstated(self) -> tuple[str, ...]:
        """Levels of sharing about which nothing was said."""
        return tuple(level for level in LEVELS_OF_SHARING if getattr(self, level) is None)

    def __iter__(self) -> Iterator[tuple[str, int, Source]]:
        """Go through (level of sharing, place in its list, source)."""
        for level in LEVELS_OF_SHARING:
            sources: tuple[Source, ...] | None = getattr(self, level)
            for place, source in enumerate(sources or ()):
                yield level, place, source
