"""Aliases for the types that array kernels pass around."""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
BoolArray: TypeAlias = NDArray[np.bool_]
IntArray: TypeAlias = NDArray[np.intp]

Scope: TypeAlias = Literal["tested unit", "model", "next unit"]
Shape: TypeAlias = Literal["normal", "rectangular", "triangular", "u-shaped"]
SeedLike: TypeAlias = int | np.random.Generator | np.random.SeedSequence | None
