"""Benches that are simulated, and what is stated of them."""

from __future__ import annotations

import math

import fanstats as fs
from tests.simulated import SimulatedBench

DRAWS = 2_000
SCOPES = ("tested unit", "model", "next unit")

# Curves that are no exact power laws, and slopes that differ from model to model.
TYPICAL = SimulatedBench(slopes_apart=4.0, bend=15.0, airflow_shared=0.005)


def stated(
    bench: SimulatedBench,
    *,
    factor: float = 1.0,
    noise: fs.Source | None = None,
    airflow: fs.Source | None = None,
) -> fs.Bench:
    """State the simulator's own errors; the spread times a factor, or another one."""

    def relative(size: float) -> fs.Source:
        return fs.standard(size, relative=True)

    return fs.Bench(
        noise=fs.Instrument(
            shared=fs.standard(bench.meter_shared),
            session=[],
            sitting=fs.standard(bench.noise_sitting),
            model=fs.standard(bench.noise_model),
            reading=fs.standard(bench.noise_reading),
        ),
        background=fs.Instrument(
            shared=fs.standard(bench.meter_shared), reading=fs.standard(bench.room_reading)
        )
        if bench.room_reading != bench.noise_reading
        else None,
        speed=fs.Instrument(
            shared=[], session=[], sitting=[], model=[], reading=fs.standard(bench.speed_reading)
        ),
        airflow=fs.Instrument(
            shared=relative(bench.airflow_shared),
            session=[],
            sitting=[],
            model=[],
            reading=relative(bench.airflow_reading),
        ),
        spread=fs.UnitSpread(
            noise=noise or fs.standard(factor * bench.noise_spread),
            airflow=airflow or relative(factor * bench.airflow_spread),
            speed=relative(bench.speed_spread),
        ),
    )


def luck_of_one(bench: SimulatedBench) -> float:
    """Sample luck of one unit in airflow at equal noise, relative, on a power law."""
    return math.hypot(bench.noise_spread * math.log(10) / bench.slope, bench.airflow_spread)


def measuring_of_one(bench: SimulatedBench) -> float:
    """Give what reading and mounting one unit adds, likewise, without the meter's answer to it.

    Reading errors are larger on the fan alone than on the total; between two steps they average
    to about 0.8 of one.
    """
    alone = 1.0 / (1.0 - 10 ** (-bench.above_room / 10))
    level = math.hypot(bench.noise_sitting, 0.8 * alone * bench.noise_reading)
    return math.hypot(level * math.log(10) / bench.slope, 0.8 * bench.airflow_reading)


def floor_of_one(bench: SimulatedBench) -> float:
    """Give what the meter's answer to a model's tone adds, likewise."""
    return bench.noise_model * math.log(10) / bench.slope


def uncertainty_of_one(bench: SimulatedBench) -> float:
    """Relative uncertainty of a model tested once, without what all models share."""
    return math.hypot(luck_of_one(bench), measuring_of_one(bench), floor_of_one(bench))
