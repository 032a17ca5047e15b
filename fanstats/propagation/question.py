"""What is asked of the first-order road: one noise level, one drive or one speed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fanstats.errors import FanstatsError
from fanstats.estimates.matching import Asked, ask_drive, ask_noise, ask_speed

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from fanstats.estimates.curves import CurveKind
    from fanstats.estimates.target import Background, Target
    from fanstats.sources import Bench

__all__ = ["ask"]


def ask(
    readings: xr.Dataset,
    bench: Bench,
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
) -> Asked:
    """Put the question of `equal_noise`, `equal_drive` or `equal_speed`.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    level, drive, speed : float or None
        What is held equal: exactly one of them.
    drive_units, background, target, curve, room, noise_obstruction, fans, slope, pooled
        As in those.

    Returns
    -------
    Asked

    Raises
    ------
    FanstatsError
        If not exactly one is held, or an option belongs to another question.
    """
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
    if given[0] == "level":
        return ask_noise(
            readings,
            level,
            bench,
            background=background,
            target=target,
            curve=curve,
            room=room,
            noise_obstruction=noise_obstruction,
            fans=fans,
            slope=slope,
            pooled=pooled,
        )
    if given[0] == "drive":
        return ask_drive(
            readings,
            drive,
            bench,
            units=drive_units,
            background=background,
            curve=curve,
            room=room,
            slope=slope,
            pooled=pooled,
        )
    return ask_speed(
        readings,
        speed,
        bench,
        background=background,
        curve=curve,
        room=room,
        slope=slope,
        pooled=pooled,
    )
