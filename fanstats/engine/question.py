"""What is asked: at which noise level, drive or speed every model is to be read off, and how."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from fanstats.engine.curves import CURVES, CurveKind
from fanstats.errors import FanstatsError, one_of

if TYPE_CHECKING:
    from fanstats.engine.sittings import Channel

__all__ = ["Background", "Question", "Slope", "Target"]

Background = Literal["included", "removed"]
Target = Literal["as read", "true"]
Drive = Literal["drive_voltage", "drive_duty"]


class Slope(NamedTuple):
    """How the level of the fan alone rises with speed, where a curve is a single point."""

    value: float  # dB a decade
    uncertainty: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Question:
    """What every model is to be read off at.

    Attributes
    ----------
    kind : {"equal noise", "equal drive", "equal speed"}
        What is held equal.
    at : tuple of float
        Noise levels, or the one drive or speed.
    drive : {"drive_voltage", "drive_duty"}
        Which drive, for equal drive.
    background, target, curve, room, noise_obstruction, fans, slope, pooled
        As in `equal_noise`.
    """

    kind: str
    at: tuple[float, ...]
    drive: Drive = "drive_voltage"
    background: Background = "included"
    target: Target = "true"
    curve: CurveKind = "smooth"
    room: str | float | None = None
    noise_obstruction: str | None = None
    fans: Mapping[str, int] = field(default_factory=dict)
    slope: Slope | None = None
    pooled: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        one_of("curve", self.curve, CURVES)
        one_of("background", self.background, ["included", "removed"])
        one_of("target", self.target, ["as read", "true"])
        unknown = set(self.pooled) - {"room", "curve"}
        if unknown:
            msg = f"`pooled` holds 'room' and 'curve'; got {', '.join(sorted(unknown))}."
            raise FanstatsError(msg)

    @property
    def noise(self) -> Channel:
        """Channel that noise is read from."""
        if self.noise_obstruction is None:
            return ("noise", "")
        return ("noise_obstructed", self.noise_obstruction)

    @property
    def omit_shared(self) -> bool:
        """Whether the meter's shared error is left out: held as read, it moves nothing."""
        return self.target == "as read"
