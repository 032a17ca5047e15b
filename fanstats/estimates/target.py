"""What a noise target means: the reference room and the level of the fan alone behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

import numpy as np

from fanstats._typing import BoolArray, FloatArray
from fanstats.errors import FanstatsError
from fanstats.estimates.knots import ABOVE_ROOM
from fanstats.estimates.level_curve import HELD_ABOVE_ROOM, remove_room
from fanstats.estimates.perturbation import room_error

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.estimates.draws import Draws
    from fanstats.estimates.sittings import Sitting
    from fanstats.sources import Bench

__all__ = ["NoiseTarget", "ReferenceRoom", "Target", "reference_room"]

Background = Literal["included", "removed"]
Target = Literal["as read", "true"]

# Policy: rooms that move the fan-alone target by more than this are reported.
_ROOMS_DIFFER: Final = 0.2
# With no room known, the typical and the next unit need a target this far above any plausible room.
CLEAR_OF_ROOM: Final = 10.0
_LN10_OVER_10: Final = float(np.log(10.0) / 10.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReferenceRoom:
    """The one room that a level including background is meant in.

    Attributes
    ----------
    level : float
        dB.
    sitting : Sitting or None
        The sitting whose reading of the room it is; None for a level given by the caller, which
        is then exact.
    """

    level: float
    sitting: Sitting | None

    @property
    def name(self) -> str:
        """The room in words."""
        if self.sitting is None:
            return f"{self.level:g} dB as given"
        session = self.sitting.session or self.sitting.place
        return f"{self.level:.1f} dB, read in session {session!r}"

    def draws(self, draws: Draws, bench: Bench, *, omit_shared: bool) -> FloatArray:
        """Draw the level of the room.

        Parameters
        ----------
        draws : Draws
            Where draws come from.
        bench : Bench
            What is stated about the instruments.
        omit_shared : bool
            Leave the noise instrument's shared error out.

        Returns
        -------
        ndarray, shape (draw,)
            dB.
        """
        if self.sitting is None:
            return np.full(draws.size, self.level)
        return self.level + room_error(draws, bench, self.sitting, omit_shared=omit_shared)


def reference_room(
    sittings: Sequence[Sitting], room: str | float | None = None
) -> ReferenceRoom | None:
    """Choose the room that every model is read off in.

    Parameters
    ----------
    sittings : sequence of Sitting
        Sittings that read noise.
    room : str or float, optional
        A session's name, or a level on this meter in dB. By default the reading of the room that
        is the lower median of those there are.

    Returns
    -------
    ReferenceRoom or None
        None where no sitting read its room.

    Raises
    ------
    FanstatsError
        If a named session does not exist or has no room reading, or a level is not finite.
    """
    if isinstance(room, (int, float)) and not isinstance(room, bool):
        if not np.isfinite(room):
            msg = f"`room` as a level must be finite; got {room!r}."
            raise FanstatsError(msg)
        return ReferenceRoom(level=float(room), sitting=None)
    known = {
        (sitting.rig, *sitting.background_reading): sitting
        for sitting in reversed(sittings)
        if np.isfinite(sitting.background)
    }
    if room is not None:
        known = {key: sitting for key, sitting in known.items() if sitting.session == room}
        if not known:
            names = sorted({sitting.session for sitting in sittings if sitting.session})
            msg = (
                f"`room` must be a level in dB or a session with a background reading; got "
                f"{room!r}. Sessions: {', '.join(names) or 'none recorded'}."
            )
            raise FanstatsError(msg)
    if not known:
        return None
    ranked = sorted(known, key=lambda key: (known[key].background, key))
    chosen = known[ranked[(len(ranked) - 1) // 2]]
    return ReferenceRoom(level=chosen.background, sitting=chosen)


class TargetDraws(NamedTuple):
    """The fan-alone level that the target means, drawn.

    Attributes
    ----------
    level : ndarray, shape (draw,)
        dB.
    below : ndarray of bool, shape (draw,)
        Draws in which the target stands less than 0.2 dB above the room.
    """

    level: FloatArray
    below: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseTarget:
    """A noise target in one reference room.

    Attributes
    ----------
    level : float
        The level asked for, dB.
    background : {"included", "removed"}
        Whether the level includes the room.
    target : {"as read", "true"}
        Whether it is held on this meter or in truth.
    room : ReferenceRoom or None
        The room; None where nobody read one.
    """

    level: float
    background: Background
    target: Target
    room: ReferenceRoom | None

    @property
    def omit_shared(self) -> bool:
        """Whether the meter's shared error is left out: held as read, it moves nothing."""
        return self.target == "as read"

    @property
    def problem(self) -> str:
        """Why nothing can be read off at this target, "" where something can."""
        if self.background == "included" and self.room is not None:
            clear = self.level - self.room.level
            if clear < ABOVE_ROOM:
                side = "above" if clear >= 0 else "below"
                return (
                    f"at the room's floor: the target is {abs(clear):.1f} dB {side} the room "
                    f"({self.room.level:.1f} dB), and at least {ABOVE_ROOM:g} dB above it "
                    "is needed"
                )
        return ""

    def fan_level(self, draws: Draws, bench: Bench) -> TargetDraws:
        """Draw the fan-alone level that the target means.

        Parameters
        ----------
        draws : Draws
            Where draws come from.
        bench : Bench
            What is stated about the instruments.

        Returns
        -------
        TargetDraws
        """
        if self.background == "removed" or self.room is None:
            return TargetDraws(
                np.full(draws.size, self.level), np.zeros(draws.size, dtype=np.bool_)
            )
        room = self.room.draws(draws, bench, omit_shared=self.omit_shared)
        below = self.level < room + HELD_ABOVE_ROOM
        return TargetDraws(remove_room(np.full(draws.size, self.level), room), below)

    def room_unknown_limit(self, sitting: Sitting) -> float:
        """Bound what an unknown room may hide in the level of the fan alone.

        Parameters
        ----------
        sitting : Sitting
            A sitting that did not read its room.

        Returns
        -------
        float
            dB; NaN where the target is not 10 dB above the lowest noise of the session.
        """
        clear = self.level - sitting.lowest_noise
        if not clear >= CLEAR_OF_ROOM:
            return float("nan")
        return float(-np.log(-np.expm1(-clear * _LN10_OVER_10)) / _LN10_OVER_10)

    def rooms_that_differ(self, sittings: Sequence[Sitting]) -> list[str]:
        """Name sittings whose own room would move the fan-alone target by more than 0.2 dB.

        Parameters
        ----------
        sittings : sequence of Sitting
            Sittings that read noise.

        Returns
        -------
        list of str
        """
        if self.background == "removed" or self.room is None or self.problem:
            return []
        level = np.array([self.level])
        meant = remove_room(level, np.array([self.room.level]))[0]
        told: dict[str, list[str]] = {}
        for sitting in sittings:
            if np.isfinite(sitting.background):
                own = remove_room(level, np.array([sitting.background]))[0]
                if abs(own - meant) > _ROOMS_DIFFER:
                    told.setdefault(_room_words(sitting.background, own - meant), []).append(
                        sitting.place
                    )
        return [f"{_first(places)}: {words}" for words, places in told.items()]


def _first(places: Sequence[str]) -> str:
    return places[0] if len(places) == 1 else f"{len(places)} sittings, first {places[0]}"


def _room_words(room: float, change: float) -> str:
    way = "louder" if change > 0 else "quieter"
    return (
        f"with the room as read there ({room:.1f} dB) the target would be a fan {abs(change):.1f} "
        f"dB {way} by itself; the reference room is used"
    )
