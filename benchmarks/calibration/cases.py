"""One scenario of the study, and how its benches are counted."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

# To be raised when what a case does changes: results of before are then done again.
VERSION = 2

# What one bench gives: by figure, how many came true, of how many, and how many should have.
Figures = dict[str, tuple[float, float, float]]


@dataclass(frozen=True, kw_only=True)
class Case:
    """A scenario: `run` simulates the bench of a seed and judges it.

    `quick` benches are enough for a first look; `inherent` says why a target cannot be met.
    """

    study: str
    name: str
    run: Callable[[Case, int], Figures]
    benches: int
    quick: int
    given: tuple[object, ...] = ()  # whatever `run` needs
    inherent: str = ""

    def generator(self, seed: int) -> np.random.Generator:
        """Give numbers that no other case and no other bench has."""
        return np.random.default_rng([zlib.crc32(f"{self.study}/{self.name}".encode()), seed])

    @property
    def stamp(self) -> str:
        """Tell one definition of a case from another."""
        return f"{zlib.crc32(repr((self.run.__qualname__, self.given, VERSION)).encode()):08x}"


class Share(NamedTuple):
    """How many came true, in points, with its Monte Carlo error; how many should have."""

    share: float
    error: float
    stated: float
    trials: int
    benches: int

    def __str__(self) -> str:
        """Print in points."""
        return "-" if self.trials == 0 else f"{100 * self.share:.1f} ± {100 * self.error:.1f}"

    def beyond(self, low: float, high: float) -> float:
        """Say how far outside given limits, in Monte Carlo errors."""
        away = max(low - self.share, self.share - high, 0.0)
        return away / self.error if away else 0.0


def share_of(found: Iterable[tuple[float, float, float]]) -> Share:
    """Pool one figure over benches, the bench being the unit of counting.

    A ratio estimator: the error is the root of the summed squares of ``hits - share * trials``.
    Where hardly anything failed, that of a binomial with half a failure more.
    """
    counts = np.array(list(found), dtype=float).reshape(-1, 3)
    counts = counts[counts[:, 1] > 0]
    benches, (hits, trials, stated) = len(counts), counts.sum(axis=0)
    if not trials:
        return Share(math.nan, math.nan, math.nan, 0, 0)
    share = hits / trials
    spread = math.sqrt(float(np.square(counts[:, 0] - share * counts[:, 1]).sum())) / trials
    spread *= math.sqrt(benches / max(1, benches - 1))
    floored = (hits + 0.5) / (trials + 1)
    least = math.sqrt(floored * (1 - floored) / trials)
    if min(hits, trials - hits) < 5 or benches < 5:
        spread = max(spread, least)
    return Share(share, spread, stated / trials, round(trials), benches)


def held(low: np.ndarray, high: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Whether ranges hold the truth; an end that is missing claims nothing on its side."""
    return ((low <= true) | np.isnan(low)) & ((true <= high) | np.isnan(high))
