"""A simulator of benches with a known truth. Shares no code with the engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


def _add(*levels):
    return 10 * np.log10(sum(10 ** (np.asarray(level) / 10) for level in levels))


@dataclass(kw_only=True)
class Truth:
    """What the simulated models are in truth, at the target."""

    tested: np.ndarray  # airflow of the units on the bench, averaged over a model's units
    model: np.ndarray  # airflow of the typical unit
    next_unit: np.ndarray  # airflow of one more unit of each model


@dataclass(kw_only=True)
class SimulatedBench:
    """One bench day: fans on a power law in level and airflow, a room, a meter, an anemometer.

    Levels are in dB, spreads of airflow and speed relative; errors are standard deviations.
    """

    models: int = 10
    units: int = 1
    above_room: float = 6.0
    target: float = 36.0
    steps: tuple[float, ...] = (5.0, 6.0, 7.0, 8.5, 10.0, 12.0)
    slope: float = 52.0
    noise_spread: float = 0.8
    airflow_spread: float = 0.02
    speed_spread: float = 0.04
    meter_shared: float = 0.5
    noise_sitting: float = 0.15
    noise_model: float = 0.2
    noise_reading: float = 0.1
    room_reading: float = 0.1
    speed_reading: float = 4.0
    airflow_shared: float = 0.015
    airflow_reading: float = 0.01
    resonance: float = 0.0  # dB of a bump on the level, a tenth of a decade wide, at the target
    luck: str = "normal"  # shape of the luck: "normal", "rectangular" or "skewed"
    alike: bool = False  # all models equal in truth, up to `truth_spread`
    truth_spread: float = 0.0  # relative, of the models' airflow at the target

    def _luck(self, rng: np.random.Generator, size: float) -> float:
        if self.luck == "rectangular":
            return float(rng.uniform(-1, 1) * np.sqrt(3) * size)
        if self.luck == "skewed":
            return float((rng.exponential() - 1) * size)
        return float(rng.normal() * size)

    def _level(self, n, n_mid, level_mid):
        """Level of the typical fan alone: a power law, with a bump where one is asked for."""
        decades = np.log10(n / n_mid)
        return level_mid + self.slope * decades + self.resonance * np.exp(-((decades / 0.05) ** 2))

    def _speed_at(self, level, n_mid, level_mid):
        """Speed at which the typical fan makes a level: the highest one that rises through it."""
        if not self.resonance:
            return n_mid * 10 ** ((level - level_mid) / self.slope)
        grid = n_mid * 10 ** np.linspace(-0.5, 0.5, 20001)
        levels = self._level(grid, n_mid, level_mid)
        k = np.flatnonzero((levels[:-1] < level) & (level <= levels[1:]))[-1]
        share = (level - levels[k]) / (levels[k + 1] - levels[k])
        return grid[k] + share * (grid[k + 1] - grid[k])

    def simulate(self, rng: np.random.Generator) -> tuple[pd.DataFrame, Truth]:
        """Give the table a tester would write, and the truth behind it."""
        room = self.target - self.above_room
        b_meter = rng.normal() * self.meter_shared
        b_air = rng.normal() * self.airflow_shared
        room_read = room + b_meter + rng.normal() * self.room_reading
        # As read on this meter: the fan must bring the true total to target - b_meter.
        fan_target = 10 * np.log10(10 ** ((self.target - b_meter) / 10) - 10 ** (room / 10))
        rows, tested, typical, coming = [], [], [], []
        for m in range(self.models):
            # Speed at mid drive and level there such that the target is met inside the sweep.
            n_mid = rng.uniform(700, 1100)
            level_mid = fan_target + rng.uniform(-1.0, 1.0)
            flow_mid = rng.uniform(300, 500)
            if self.alike:
                n_mid, level_mid = 900.0, fan_target + 0.3
                flow_mid = 400.0 * (1 + rng.normal() * self.truth_spread)
            e_model = rng.normal() * self.noise_model

            def flow_at_target(e, f, n_mid=n_mid, level_mid=level_mid, flow_mid=flow_mid):
                n = self._speed_at(fan_target - e, n_mid, level_mid)
                return flow_mid * n / n_mid * (1 + f)

            typical.append(flow_at_target(0.0, 0.0))
            coming.append(
                flow_at_target(rng.normal() * self.noise_spread, rng.normal() * self.airflow_spread)
            )
            own = []
            for u in range(self.units):
                e, f = self._luck(rng, self.noise_spread), self._luck(rng, self.airflow_spread)
                s = rng.normal() * self.speed_spread
                own.append(flow_at_target(e, f))
                e_sitting = rng.normal() * self.noise_sitting
                for v in self.steps:
                    n = n_mid * (v / 8.0) ** 0.9 * (1 + s)
                    level = self._level(n, n_mid, level_mid) + e
                    read = _add(level + e_sitting + e_model, room) + b_meter
                    rows.append(
                        {
                            "model": f"M{m:03d}",
                            "unit": f"u{u}",
                            "session": "day",
                            "drive [V]": v,
                            "speed [rpm]": n + rng.normal() * self.speed_reading,
                            "noise [dBA]": read + rng.normal() * self.noise_reading,
                            "background [dBA]": room_read,
                            "airflow [fpm]": flow_mid
                            * (n / n_mid)
                            * (1 + f)
                            * (1 + b_air)
                            * (1 + rng.normal() * self.airflow_reading),
                        }
                    )
            tested.append(np.mean(own))
        truth = Truth(tested=np.array(tested), model=np.array(typical), next_unit=np.array(coming))
        return pd.DataFrame(rows), truth
