"""What every model is to be read off at."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fanstats.estimates.target import NoiseTarget
    from fanstats.sources import Bench, Source

__all__ = ["Request", "SpreadKind"]

SpreadKind = Literal["noise", "airflow", "speed", "temperature"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Request:
    """What every model is to be read off at.

    Attributes
    ----------
    kind : {"equal noise", "equal drive", "equal speed"}
        What is held equal.
    bench : Bench
        What is stated about the instruments and the spread.
    target : NoiseTarget
        For equal noise the level; for the others only its room counts.
    at : float
        Drive or speed held; NaN for equal noise.
    drive : {"drive_voltage", "drive_duty"}
        Which drive, for equal drive.
    curve_uncertainty : float
        Relative standard uncertainty of a speed from the choice of curve.
    fans : mapping of str to int
        How many fans of a model run together; 1 where it is not named.
    """

    kind: str
    bench: Bench
    target: NoiseTarget
    at: float = np.nan
    drive: Literal["drive_voltage", "drive_duty"] = "drive_voltage"
    curve_uncertainty: float = 0.0
    fans: Mapping[str, int] = field(default_factory=dict)

    def spread(self, kind: SpreadKind) -> Source | None:
        """Give the stated spread of one kind, None where unknown."""
        return self.bench.spread.of(kind)
