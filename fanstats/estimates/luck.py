"""Luck of units, and of the fans somebody buys next.

Luck belongs to the fan alone: it shifts a level or scales an airflow of the unit, never a reading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fanstats._typing import FloatArray
from fanstats.estimates.perturbation import luck_draws
from fanstats.levels.kernels import energy_level

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fanstats.estimates.draws import Draws, Label
    from fanstats.estimates.request import Request, SpreadKind

__all__ = ["Luck", "stacked"]


class Luck:
    """Luck of units, and of the fans somebody buys next, drawn when first asked for.

    Parameters
    ----------
    draws : Draws
        Where draws come from.
    request : Request
        Holds the stated spread, and how many fans of a model run together.
    models, units : sequence of str
        Whose luck: one unit of each model, all with equally many fans.
    """

    def __init__(
        self, draws: Draws, request: Request, models: Sequence[str], units: Sequence[str]
    ) -> None:
        self._draws, self._bench = draws, request.bench
        self._models, self._units = models, units
        self.fans = request.fans.get(models[0], 1)

    def own(self, kind: SpreadKind) -> FloatArray:
        """Draw how the tested units differ from their models, shape (model, draw)."""
        pairs = zip(self._models, self._units, strict=True)
        return self._draw(kind, [("unit", model, unit) for model, unit in pairs])

    def new(self, kind: SpreadKind, fan: int = 1) -> FloatArray:
        """Draw how one of the fans bought next differs from its model, shape (model, draw)."""
        more = () if fan == 1 else (str(fan),)
        return self._draw(kind, [("next unit", model, *more) for model in self._models])

    def _draw(self, kind: SpreadKind, labels: Sequence[Label]) -> FloatArray:
        spread = self._bench.spread
        drawn = [luck_draws(self._draws, spread, kind, label) for label in labels]
        return np.stack([np.zeros(1) if luck is None else luck for luck in drawn])

    def shift(self, kind: SpreadKind, scopes: int) -> FloatArray:
        """Give what is to be added for each scope to undo the unit's luck: 0, -own, new - own.

        Parameters
        ----------
        kind : {"noise", "temperature"}
            An absolute spread.
        scopes : int
            1 or 3.

        Returns
        -------
        ndarray, shape (scope, model, draw) or (1, 1, 1)
        """
        if scopes == 1:
            return np.zeros((1, 1, 1))
        own, new = self.own(kind), self.new(kind)
        return stacked(np.zeros(1), -own, new - own)

    def factor(self, kind: SpreadKind, scopes: int) -> FloatArray:
        """Give the factor for each scope: 1, 1/(1+own) and (1+new)/(1+own).

        Parameters
        ----------
        kind : {"speed", "airflow"}
            A relative spread.
        scopes : int
            1 or 3.

        Returns
        -------
        ndarray, shape (scope, model, draw) or (1, 1, 1)
        """
        if scopes == 1:
            return np.ones((1, 1, 1))
        own = np.maximum(1.0 + self.own(kind), 0.05)
        new = np.maximum(1.0 + self.new(kind), 0.05)
        return stacked(np.ones(1), 1.0 / own, new / own)

    def louder_together(self, scopes: int, slope: FloatArray) -> FloatArray:
        """Give how much louder each scope's fans together are than the tested unit alone.

        The fans bought next run on one drive: one that spins faster is louder by the slope.

        Parameters
        ----------
        scopes : int
            1 or 3.
        slope : ndarray, shape (model, draw) or (1, 1)
            dB a unit of ln speed; 0 where the curve runs over drive.

        Returns
        -------
        ndarray, shape (scope, model, draw) or (1, 1, 1)
            dB.
        """
        equal: FloatArray = 10.0 * np.log10(np.array([float(self.fans)]))
        if scopes == 1:
            return equal[:, None, None]
        own = self.own("noise")
        if self.fans == 1:
            return stacked(np.zeros(1), -own, self.new("noise") - own)
        members = [
            self.new("noise", fan) + slope * np.log1p(self.new("speed", fan))
            for fan in range(1, self.fans + 1)
        ]
        together = energy_level(np.stack(np.broadcast_arrays(*members)), axis=0, mean=False)
        return stacked(equal, equal - own, together - own)

    def airflow_together(self, scopes: int, over_speed: bool) -> FloatArray:
        """Give the factor that turns the tested unit's airflow into that of each scope's fans.

        Parameters
        ----------
        scopes : int
            1 or 3.
        over_speed : bool
            Whether fans on one drive differ in speed here.

        Returns
        -------
        ndarray, shape (scope, model, draw) or (1, 1, 1)
        """
        if self.fans == 1:
            return self.factor("airflow", scopes)
        count = np.array([float(self.fans)])
        if scopes == 1:
            return count[:, None, None]
        own = np.maximum(1.0 + self.own("airflow"), 0.05)
        total: FloatArray = np.zeros(1)
        for fan in range(1, self.fans + 1):
            faster = self.new("speed", fan) if over_speed else np.zeros(1)
            total = total + np.maximum(1.0 + self.new("airflow", fan), 0.05) * (1.0 + faster)
        return stacked(count, count / own, total / own)


def stacked(*parts: FloatArray) -> FloatArray:
    """Stack parts of one shape, or broadcast to it, along a new first axis."""
    stacked: FloatArray = np.stack(np.broadcast_arrays(*parts))
    return stacked
