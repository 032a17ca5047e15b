"""Large tables: time and memory grow with the rows, not faster."""

from __future__ import annotations

import io
import time
import tracemalloc

import numpy as np
import pandas as pd

import fanstats as fs

BENCH = fs.Bench(
    noise=fs.Instrument(shared=[fs.half_width(1.0)], reading=[fs.standard(0.15)]),
    speed=fs.Instrument(reading=[fs.standard(4.0)]),
    airflow=fs.Instrument(shared=[fs.half_width("3 %")], reading=[fs.standard(3.0)]),
    spread=fs.UnitSpread(noise=fs.standard(0.8), airflow=fs.standard("2 %")),
)


def text_of(models: int) -> str:
    """Sweeps of eight steps, as text, of so many models; twenty models a day."""
    rng = np.random.default_rng(5)
    rows = 8 * models
    place = np.arange(rows) // 8
    luck = np.repeat(rng.normal(size=(2, models)), 8, axis=1)
    drive = np.tile(np.linspace(5.0, 12.0, 8), models)
    speed = 110.0 * drive**0.95 * (1.0 + 0.05 * luck[0]) * rng.normal(1.0, 0.003, rows)
    fan = 33.0 + 50.0 * np.log10(speed / 900.0) + luck[1]
    table = {
        "model": [f"M{k}" for k in place],
        "session": [f"s{k // 20}" for k in place],
        "drive [V]": drive,
        "speed [rpm]": speed.round(),
        "noise [dBA]": (10 * np.log10(10 ** (fan / 10) + 10**2.2)).round(1),
        "background [dBA]": 22.0,
        "airflow none [fpm]": (0.5 * speed).round(),
        "airflow mesh [fpm]": (0.35 * speed * rng.normal(1.0, 0.005, rows)).round(),
    }
    return pd.DataFrame(table).to_csv(index=False)


def seconds_of(work, times=3):
    """Processor time of some work, the best of several."""
    spent = []
    for _ in range(times):
        started = time.process_time()
        work()
        spent.append(time.process_time() - started)
    return min(spent)


def peak_of(work):
    """Most memory that some work held at once, beyond what it returns to the system."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_of_reading_grows_with_the_rows():
    """Eight times the rows hold at most ten times the memory."""
    small, large = text_of(100), text_of(800)
    fs.read_readings(io.StringIO(small))  # what is loaded once is no part of it

    few = peak_of(lambda: fs.read_readings(io.StringIO(small)))
    many = peak_of(lambda: fs.read_readings(io.StringIO(large)))
    assert many < 10 * few


def test_time_of_estimates_grows_with_the_models():
    """Eight times the models take no more than some eight times as long."""
    small, large = (fs.read_readings(io.StringIO(text_of(models))) for models in (24, 192))

    def estimate(table):
        return lambda: fs.equal_noise(table, 33.0, bench=BENCH, draws=100, rng=1)

    assert seconds_of(estimate(large)) < 14 * seconds_of(estimate(small))


def test_many_readings_of_few_models_are_a_few_estimates():
    """Sixteen times the repeats of the same steps cost no draws: cells are averaged first."""
    rng = np.random.default_rng(3)
    once = pd.read_csv(io.StringIO(text_of(20)))
    often = pd.concat([once] * 16, ignore_index=True)
    often["noise [dBA]"] += rng.normal(0.0, 0.2, len(often)).round(1)
    few, many = fs.read_readings(once), fs.read_readings(often)

    def estimate(table):
        return lambda: fs.equal_noise(table, 33.0, bench=BENCH, draws=1000, rng=1)

    assert seconds_of(estimate(many)) < 4 * seconds_of(estimate(few))
