"""A simulator of whole curves with a known truth. Shares no code with the engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

import fanstats as fs


def _add(*levels):
    return 10 * np.log10(sum(10 ** (np.asarray(level) / 10) for level in levels))


@dataclass(kw_only=True)
class SimulatedCurves:
    """Models with one sample each, on power laws in level and airflow, a rise linear in speed.

    Levels are in dB, relative spreads and errors as fractions; all are standard deviations.
    """

    models: int = 12
    speeds: tuple[float, ...] = (500.0, 640.0, 800.0, 1000.0, 1250.0, 1600.0)
    room: float = 26.0
    level_at_900: float = 33.0
    slopes: tuple[float, ...] = (52.0,)  # dB a decade, one model after the other
    flows: tuple[float, ...] = ()  # airflow at 900 rpm, likewise; at random where there are none
    apart: float = 1.0  # dB, how far levels at 900 rpm lie from the middle at most
    noise_spread: float = 0.7
    airflow_spread: float = 0.02
    temperature_spread: float = 0.5
    meter_shared: float = 0.4
    noise_reading: float = 0.15
    speed_reading: float = 4.0
    airflow_reading: float = 0.01
    temperature_reading: float = 0.2

    def bench(self) -> fs.Bench:
        """State all of it, as it is."""
        return fs.Bench(
            noise=fs.Instrument(
                shared=[fs.standard(self.meter_shared)], reading=[fs.standard(self.noise_reading)]
            ),
            speed=fs.Instrument(reading=[fs.standard(self.speed_reading)]),
            airflow=fs.Instrument(reading=[fs.standard(self.airflow_reading, relative=True)]),
            temperature=fs.Instrument(reading=[fs.standard(self.temperature_reading)]),
            ambient=fs.Instrument(reading=[fs.standard(0.0)]),
            spread=fs.UnitSpread(
                noise=fs.standard(self.noise_spread),
                airflow=fs.standard(self.airflow_spread, relative=True),
                temperature=fs.standard(self.temperature_spread),
                speed=fs.standard(0.0),
            ),
        )

    def simulate(self, rng, levels, speeds):
        """Give the table a tester would write, and the truth behind it.

        The truth is an array (scope, model, point) by (of, over).
        """
        levels, speeds = np.asarray(levels, float), np.asarray(speeds, float)
        meter = rng.normal() * self.meter_shared
        room_read = self.room + meter
        rows, truth = [], {key: [] for key in _PAIRS}
        for m in range(self.models):
            slope = self.slopes[m % len(self.slopes)]
            at_900 = self.level_at_900 + rng.uniform(-1, 1) * self.apart
            flow = self.flows[m % len(self.flows)] if self.flows else rng.uniform(300, 500)
            luck = rng.normal(size=(2, 3)) * (
                self.noise_spread, self.airflow_spread, self.temperature_spread)  # fmt: skip
            own, new = luck

            def level(n, e, slope=slope, at_900=at_900):
                return at_900 + slope * np.log10(n / 900) + e

            # As read on this meter, in this room: levels hold the meter's own error.
            fan = 10 * np.log10(10 ** ((levels - meter) / 10) - 10 ** (self.room / 10))
            at = {e: 900 * 10 ** ((fan - at_900 - e) / slope) for e in (own[0], 0.0, new[0])}
            lucks = (own, np.zeros(3), new)
            truth["airflow", "noise"].append(
                [flow * at[e] / 900 * (1 + f) for e, f, _ in lucks])  # fmt: skip
            truth["temperature_rise", "noise"].append(
                [60 - 0.02 * at[e] + t for e, _, t in lucks])  # fmt: skip
            truth["noise", "speed"].append(
                [_add(level(speeds, e), self.room) for e, _, _ in lucks])  # fmt: skip
            truth["airflow", "speed"].append(
                [flow * speeds / 900 * (1 + f) for _, f, _ in lucks])  # fmt: skip
            n = np.array(self.speeds) * rng.uniform(0.97, 1.03)
            errors = rng.normal(size=(4, n.size))
            rows += [
                {
                    "model": f"M{m:02d}",
                    "session": "day",
                    "drive [V]": 5.0 + k,
                    "speed [rpm]": n[k] + errors[0, k] * self.speed_reading,
                    "noise [dBA]": _add(level(n[k], own[0]), self.room)
                    + meter
                    + errors[1, k] * self.noise_reading,
                    "background [dBA]": room_read,
                    "airflow [fpm]": flow * n[k] / 900 * (1 + own[1])
                    * (1 + errors[2, k] * self.airflow_reading),
                    "temperature [degC]": 80 - 0.02 * n[k] + own[2]
                    + errors[3, k] * self.temperature_reading,
                    "ambient [degC]": 20.0,
                }
                for k in range(n.size)
            ]  # fmt: skip
        found = {key: np.array(values).swapaxes(0, 1) for key, values in truth.items()}
        return pd.DataFrame(rows), found


_PAIRS = (
    ("airflow", "noise"),
    ("temperature_rise", "noise"),
    ("noise", "speed"),
    ("airflow", "speed"),
)
