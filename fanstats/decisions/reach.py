"""Which models reach a noise level, how far the others are from it, what share on sale cannot."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from fanstats.asked import draws_of, finite
from fanstats.engine.answers import ask, values_of
from fanstats.engine.curves import add_room
from fanstats.engine.draws import Drawn, Still, draw_sources, root_from
from fanstats.engine.points import level_knots, mean_points, read_points, spreads_needed
from fanstats.engine.question import Background, Question, Target
from fanstats.engine.sittings import SPEED
from fanstats.face import earlier_of
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.engine.curves import CurveKind
    from fanstats.engine.points import Asked
    from fanstats.sources import Bench

__all__ = ["reach"]

_DRIVES: Final = (("drive_voltage", "V"), ("drive_duty", "%"))
Drive = Literal["drive_voltage", "drive_duty"]


def reach(
    readings: xr.Dataset,
    level: float,
    *,
    bench: Bench,
    draws: int = 10_000,
    rng: SeedLike = None,
    background: Background = "included",
    target: Target = "as read",
    curve: CurveKind = "smooth",
    room: str | float | None = None,
    pooled: Mapping[str, Any] | str | None = None,
) -> pd.DataFrame:
    """Say of every model whether it reaches a noise level, and how far it is from it.

    Parameters
    ----------
    readings : xarray.Dataset
        From `read_readings`.
    level : float
        The noise level, in the unit of the noise readings.
    bench : Bench
        What is stated about the instruments and the unit-to-unit spread.
    draws, rng, background, target, curve, room, pooled
        As in `equal_noise`.

    Returns
    -------
    pandas.DataFrame
        A row a model: ``model``; ``status``, why it cannot be read at the level, "" where it can;
        ``quietest`` and ``loudest``, the levels between which all its samples can be read, as they
        would be read in the reference room (without it for ``background="removed"``);
        ``distance``, how far the target lies outside, dB, 0 inside; ``highest_drive`` and
        ``drive_units``, the highest drive it was run at; ``share_short``, the share of samples on
        sale that do not reach the level at that drive, NaN where ``share_status`` says why it is
        not known; ``in_words``.

    Raises
    ------
    FanstatsError
        As `equal_noise`.

    Notes
    -----
    Speed luck cancels at equal noise, but not at full drive: a sample that spins more slowly runs
    out of drive first. So the share needs both spreads, of speed and of noise. It is a
    probability for the next sample, what was read of the tested ones and how sure that is
    included; where the highest drive tested is not the highest there is, it holds for that drive.

    Examples
    --------
    >>> import fanstats as fs
    >>> table = reach(fs.demo.readings(), 37, bench=fs.demo.bench(), draws=500, rng=1)
    >>> table.loc[table.model == "Varnost Lull", "in_words"].item().split(":")[0]
    'Varnost Lull cannot be read at 37 dBA'
    """
    number, root = draws_of(draws), root_from(rng)
    question = Question(
        kind="equal noise",
        at=(finite("level", level),),
        background=background,
        target=target,
        curve=curve,
        room=room,
        pooled=earlier_of(pooled),
    )
    asked = ask(readings, bench, question)[0]
    models = range(len(asked.layout.models))
    reasons = values_of(asked, {"speed": [""]}, models)[1]
    return pd.DataFrame([_row(asked, model, reasons[model], number, root) for model in models])


def _row(asked: Asked, model: int, status: str, draws: int, root: int) -> dict[str, Any]:
    quietest, loudest = _covered(asked, model)
    inside = max(0.0, asked.at - loudest, quietest - asked.at)
    kind, drive, units = _highest_drive(asked, model)
    share, why = np.nan, "no drive noted"
    if kind is not None:
        share, why = _share_short(asked, model, kind, drive, draws, root)
    row = {
        "model": asked.layout.models[model],
        "status": status,
        "quietest": quietest,
        "loudest": loudest,
        "distance": inside if np.isfinite([quietest, loudest]).all() else np.nan,
        "highest_drive": drive,
        "drive_units": units,
        "share_short": share,
        "share_status": why,
    }
    noise_units = asked.layout.sittings.units.get(asked.layout.noise[0], "dBA")
    return {**row, "in_words": _words(row, asked.at, noise_units)}


def _covered(asked: Asked, model: int) -> tuple[float, float]:
    """Quietest and loudest level that all samples were run at, in the reference room."""
    lows, highs = [], []
    layout = asked.layout
    for unit in layout.units[model]:
        for s in layout.noise_sittings(unit):
            if layout.problem[s]:
                continue
            curve = layout.level_curve(asked.ledger, s)
            level = level_knots(Still(asked.ledger), curve).level[:, 0, 0]
            if curve.room_kind == "read" and asked.included:
                level = add_room(level, np.full(level.shape, asked.room_level))
            lows.append(float(level.min()))
            highs.append(float(level.max()))
    return (max(lows), min(highs)) if lows else (np.nan, np.nan)


def _highest_drive(asked: Asked, model: int) -> tuple[Drive | None, float, str]:
    """Highest drive that every sample was run at."""
    sittings = asked.layout.sittings
    for name, units in _DRIVES:
        kind: Drive = "drive_voltage" if name == "drive_voltage" else "drive_duty"
        tops = [
            max(
                (_top(sittings[s].drives[kind], sittings[s].channels.get(SPEED))
                 for s in unit.sittings),
                default=np.nan,
            )
            for unit in asked.layout.units[model]
        ]  # fmt: skip
        if tops and np.isfinite(tops).all():
            return kind, float(min(tops)), units
    return None, np.nan, ""


def _top(drive: FloatArray, speed: Any) -> float:
    ran = np.isfinite(drive) & (speed.values > 0 if speed is not None else True)
    return float(drive[ran].max()) if ran.any() else -np.inf


def _share_short(
    asked: Asked, model: int, kind: Drive, drive: float, draws: int, root: int
) -> tuple[float, str]:
    """Give the share of next samples that stay below the level at a drive, or why it is unknown."""
    if asked.layout.abscissa[model] != "speed":
        return np.nan, "no speed readings: what the next sample does at this drive is not known"
    question = replace(asked.question, kind="equal drive", at=(drive,), drive=kind, fans={})
    at_drive = replace(asked, question=question, at=drive)
    unknown = [k for k in spreads_needed(question, "noise") if asked.ledger.spread.of(k) is None]
    if unknown:
        return np.nan, f"spread not stated: {', '.join(unknown)}"
    noise = _next_noise(at_drive, model, draws, root)
    if noise is None:
        return np.nan, "no noise sweep over the drive"
    return float(np.count_nonzero(noise < asked.at)) / draws, ""


def _words(row: Mapping[str, Any], level: float, units: str) -> str:
    target = f"{level:g} {units_label(units)}"
    if row["status"]:
        first = f"{row['model']} cannot be read at {target}: {row['status']}"
    else:
        first = f"{row['model']} can be read at {target}"
    share = row["share_short"]
    if np.isnan(share):
        return f"{first}."
    at = f"{row['highest_drive']:g} {row['drive_units']}"
    if share < 0.005:
        return f"{first}; nearly all of those on sale reach it at {at}."
    if share >= 0.995:
        return f"{first}; hardly any of those on sale reach it at {at}."
    often = f"{round(100 * share)} in 100"
    return f"{first}; {often} of those on sale do not reach it at {at}."


def _next_noise(asked: Asked, model: int, draws: int, root: int) -> FloatArray | None:
    """Draw the noise of the next unit of a model, shape (draw,); None where there is none."""
    block = asked.blocks([model])[0]
    parts = []
    for source in draw_sources(root, draws):
        found = read_points(Drawn(asked.ledger, source), asked, block, [("noise", "")])
        if not found["noise", ""]:
            return None
        points = mean_points([points for _, points in found["noise", ""]])
        parts.append(points.at[-1, 0])
    return np.concatenate(parts)
