"""What is asked of the first-order road: one noise level, one drive or one speed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fanstats.asked import finite, levels_of, slope_of
from fanstats.engine.question import Question
from fanstats.errors import FanstatsError
from fanstats.face import drive_kind, earlier_of, fans_in

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from fanstats.engine.curves import CurveKind
    from fanstats.engine.question import Background, Target

__all__ = ["question_of"]


def question_of(
    readings: xr.Dataset,
    *,
    level: object,
    drive: object,
    speed: object,
    drive_units: str | None,
    background: Background,
    target: Target,
    curve: CurveKind,
    room: str | float | None,
    noise_obstruction: str | None,
    fans: Mapping[str, int] | None,
    slope: float | tuple[float, float] | None,
    pooled: Mapping[str, Any] | str | None,
) -> Question:
    """Put the question of `equal_noise`, `equal_drive` or `equal_speed`: exactly one is held."""
    held = {"level": level, "drive": drive, "speed": speed}
    given = [name for name, value in held.items() if value is not None]
    if len(given) != 1:
        found = " and ".join(f"`{name}`" for name in given) or "none"
        msg = f"exactly one of `level`, `drive` and `speed` says what is held equal; got {found}."
        raise FanstatsError(msg)
    belongs = {"noise_obstruction": ("level", noise_obstruction), "fans": ("level", fans),
               "drive_units": ("drive", drive_units)}  # fmt: skip
    for name, (owner, value) in belongs.items():
        if value is not None and owner != given[0]:
            msg = f"`{name}` goes with `{owner}`; got it with `{given[0]}`. Leave it out."
            raise FanstatsError(msg)
    if given[0] == "speed" and finite("speed", speed) <= 0:
        msg = f"`speed` must be above 0 rpm; got {speed!r}."
        raise FanstatsError(msg)
    at_noise = given[0] == "level"
    return Question(
        kind={"level": "equal noise", "drive": "equal drive", "speed": "equal speed"}[given[0]],
        at=levels_of(level)[:1] if at_noise else (finite(given[0], held[given[0]]),),
        drive=drive_kind(readings, drive_units) if given[0] == "drive" else "drive_voltage",
        background=background,
        target=target if at_noise else "true",
        curve=curve,
        room=room,
        noise_obstruction=noise_obstruction,
        fans=fans_in(fans, readings),
        slope=slope_of(slope),
        pooled=earlier_of(pooled),
    )
