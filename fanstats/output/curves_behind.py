"""The curves behind estimates: drawn with their own root, room, target and kind of curve."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from fanstats.decisions.curve_bands import noise_airflow_band

if TYPE_CHECKING:
    from collections.abc import Sequence

    import xarray as xr

    from fanstats.sources import Bench

__all__ = ["curves_behind"]

_DRAWS: Final = 1000


def curves_behind(
    estimates: xr.Dataset,
    readings: xr.Dataset,
    bench: Bench,
    models: Sequence[str],
    obstruction: str | None,
    probability: float = 0.95,
) -> xr.Dataset:
    """Give the airflow of some models over noise level, as the estimates were made.

    Parameters
    ----------
    estimates : Dataset
        From `equal_noise`.
    readings, bench
        What they were made of.
    models : sequence of str
        Which.
    obstruction : str or None
        None where airflow names none.
    probability : float
        Of the ranges.

    Returns
    -------
    Dataset
        From `noise_airflow_band`.

    Raises
    ------
    FanstatsError
        If the readings do not hold the models.
    """
    attrs = estimates.attrs
    return noise_airflow_band(
        readings,
        bench=bench,
        models=list(models),
        obstruction=obstruction,
        probability=probability,
        draws=_DRAWS,
        rng=int(estimates["root"].item()),
        background=attrs["background"],
        target=attrs["target"],
        curve=attrs["curve"],
        pooled=attrs["pooled"],
    )
