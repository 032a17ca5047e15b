"""Which models reach a noise level, how far the others are from it, what share on sale cannot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from fanstats.estimates.case import Case, gather_case
from fanstats.estimates.draws import Unperturbed, root_from
from fanstats.estimates.filling import check_draws, draw_sources
from fanstats.estimates.level_curve import level_knots
from fanstats.estimates.matching import equal_noise
from fanstats.estimates.operating import model_points, noise_values, spreads_needed
from fanstats.estimates.request import Request
from fanstats.estimates.target import Background, NoiseTarget, Target
from fanstats.levels.kernels import add_levels
from fanstats.quantities import units_label

if TYPE_CHECKING:
    from collections.abc import Mapping

    import xarray as xr

    from fanstats._typing import FloatArray, SeedLike
    from fanstats.estimates.curves import CurveKind
    from fanstats.estimates.layout import ModelLayout
    from fanstats.sources import Bench

__all__ = ["reach"]

_FEWEST_DRAWS: Final = 100
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
    check_draws(draws)
    root = root_from(rng)
    found = equal_noise(
        readings, level, bench=bench, draws=_FEWEST_DRAWS, rng=root, background=background,
        target=target, curve=curve, room=room, pooled=pooled,
    )  # fmt: skip
    case = gather_case(
        readings, bench, curve=curve, background=background, target=target, room=room,
        pooled=pooled, needs_noise=True, level=level,
    )  # fmt: skip
    wanted = NoiseTarget(level=level, background=background, target=target, room=case.room)
    layouts = case.layouts(omit_shared=wanted.omit_shared)
    status = dict(zip(map(str, found["model"].to_numpy()), found["status"].to_numpy(), strict=True))
    rows = [
        _row(case, layout, wanted, str(status[layout.model]), draws, root) for layout in layouts
    ]
    return pd.DataFrame(rows)


def _row(
    case: Case, layout: ModelLayout, wanted: NoiseTarget, status: str, draws: int, root: int
) -> dict[str, Any]:
    quietest, loudest = _covered(case, layout, wanted)
    inside = max(0.0, wanted.level - loudest, quietest - wanted.level)
    kind, drive, units = _highest_drive(layout)
    share, why = np.nan, "no drive noted"
    if kind is not None:
        request = Request(
            kind="equal drive",
            bench=case.bench,
            target=NoiseTarget(
                level=np.nan, background=wanted.background, target=wanted.target, room=case.room
            ),
            at=drive,
            drive=kind,
        )
        share, why = _share_short(request, layout, wanted.level, draws, root)
    row = {
        "model": layout.model,
        "status": status,
        "quietest": quietest,
        "loudest": loudest,
        "distance": inside if np.isfinite([quietest, loudest]).all() else np.nan,
        "highest_drive": drive,
        "drive_units": units,
        "share_short": share,
        "share_status": why,
    }
    return {**row, "in_words": _words(row, wanted.level, case.noise_units)}


def _covered(case: Case, layout: ModelLayout, wanted: NoiseTarget) -> tuple[float, float]:
    """Quietest and loudest level that all samples were run at, in the reference room."""
    lows, highs = [], []
    for unit in layout.units:
        for curve in unit.noise:
            if curve.problem:
                continue
            level = level_knots(Unperturbed(), case.bench, curve).level[:, 0]
            if curve.room == "read" and wanted.background == "included" and case.room is not None:
                level = add_levels(level, np.full(level.shape, case.room.level))
            lows.append(float(level.min()))
            highs.append(float(level.max()))
    return (max(lows), min(highs)) if lows else (np.nan, np.nan)


def _highest_drive(layout: ModelLayout) -> tuple[Drive | None, float, str]:
    """Highest drive that every sample was run at."""
    for name, units in _DRIVES:
        kind: Drive = "drive_voltage" if name == "drive_voltage" else "drive_duty"
        tops = [
            max(
                (_top(s.drive(kind), s.channels.get(("speed", ""))) for s in unit.sittings),
                default=np.nan,
            )
            for unit in layout.units
        ]
        if tops and np.isfinite(tops).all():
            return kind, float(min(tops)), units
    return None, np.nan, ""


def _top(drive: FloatArray, speed: Any) -> float:
    ran = np.isfinite(drive) & (speed.values > 0 if speed is not None else True)
    return float(drive[ran].max()) if ran.any() else -np.inf


def _share_short(
    request: Request, layout: ModelLayout, level: float, draws: int, root: int
) -> tuple[float, str]:
    """Give the share of next samples that stay below the level at a drive, or why it is unknown."""
    if layout.abscissa != "speed":
        return np.nan, "no speed readings: what the next sample does at this drive is not known"
    unknown = [kind for kind in spreads_needed(request, "noise") if request.spread(kind) is None]
    if unknown:
        return np.nan, f"spread not stated: {', '.join(unknown)}"
    short = 0
    for source in draw_sources(root, draws):
        points = model_points(source, request, [layout])
        noise = noise_values(source, request, layout, points) if points else None
        if noise is None:
            return np.nan, "no noise sweep over the drive"
        short += int(np.count_nonzero(noise.at[-1, 0] < level))
    return short / draws, ""


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
