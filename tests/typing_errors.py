"""Invented benches whose fans keep to the fan laws roughly, and slips of the person who types."""

from __future__ import annotations

import numpy as np

VOLTS = np.arange(4.0, 12.0, 0.5)
DUTIES = np.arange(20.0, 100.0, 5.0)
OBSTRUCTIONS = {"none": 1.0, "mesh": 0.75, "front": 0.35}


def sweep(rng, model, *, duty=False, room_known=True):
    """Rows of one sitting: slopes, resonances, a vane's start and a room that no law knows of."""
    top = 100.0 if duty else 12.0
    steps = rng.choice(DUTIES if duty else VOLTS, rng.integers(3, 8), replace=False)
    drive = np.unique([*steps, top])
    at_rest = rng.uniform(-20.0, 10.0) if duty else rng.uniform(0.0, 2.0)
    share = np.maximum((drive - at_rest) / (top - at_rest), rng.uniform(0.15, 0.3))
    speed = rng.uniform(800, 3000) * share ** rng.uniform(0.75, 1.0)
    speed = speed * rng.normal(1.0, 0.004, drive.size)
    level = rng.uniform(28, 45) + rng.uniform(42, 62) * np.log10(speed / speed.max())
    if rng.random() < 0.4:
        level[rng.integers(drive.size)] += rng.uniform(0, 3)
    room = rng.uniform(18, 32)
    noise = 10 * np.log10(10 ** (level / 10) + 10 ** (room / 10)) + rng.normal(0, 0.25, drive.size)
    flow = rng.uniform(0.25, 0.6) * speed
    air = {}
    for name, factor in OBSTRUCTIONS.items():
        part = factor * flow * (speed / speed.max()) ** rng.uniform(-0.05, 0.15)
        part = part * rng.normal(1, 0.02, drive.size) + rng.normal(0, 5, drive.size)
        air[name] = np.maximum(np.where(part < 60, part - 15, part), 1.0)
    rise = rng.uniform(20, 50) * (speed / speed.max()) ** -rng.uniform(0.4, 0.7)
    return [
        {
            "model": model,
            f"drive [{'%' if duty else 'V'}]": float(drive[step]),
            "speed [rpm]": float(round(speed[step])),
            "noise [dBA]": round(float(noise[step]), 1),
            **({"background [dBA]": round(float(room), 1)} if room_known else {}),
            **{f"airflow {name} [fpm]": float(round(air[name][step])) for name in air},
            "temperature [degC]": round(float(21 + rise[step]), 1),
            "ambient [degC]": 21.0,
        }
        for step in range(drive.size)
    ]


def bench(rng, fans=10):
    """Rows of several fans; one in three sweeps the duty, one in three of no known room."""
    return [
        row
        for number in range(fans)
        for row in sweep(
            rng, f"M{number}", duty=rng.random() < 0.35, room_known=rng.random() > 0.35
        )
    ]


def _times(column, factor):
    def slip(rows, at):
        rows[at][column] = round(rows[at][column] * factor, 2)

    return slip


def _swapped(rows, at):
    row = rows[at]
    row["speed [rpm]"], row["airflow none [fpm]"] = row["airflow none [fpm]"], row["speed [rpm]"]


SLIPS = {
    "decimal point of a speed lost": ("speed [rpm]", _times("speed [rpm]", 10.0)),
    "digit of a speed lost": ("speed [rpm]", _times("speed [rpm]", 0.1)),
    "decimal point of an airflow lost": ("airflow mesh [fpm]", _times("airflow mesh [fpm]", 10.0)),
    "digit of a level lost": ("noise [dBA]", _times("noise [dBA]", 0.1)),
    "speed and airflow swapped": ("speed [rpm]", _swapped),
    "m/s among fpm": ("airflow none [fpm]", _times("airflow none [fpm]", 0.00508)),
}
