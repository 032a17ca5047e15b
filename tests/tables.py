"""Small tables with a known truth, as a tester would write them."""

from __future__ import annotations

import numpy as np
import pandas as pd

import fanstats as fs


def power_law_rows(
    model="A",
    *,
    unit="1",
    session="day",
    speeds=(500.0, 700.0, 900.0, 1200.0, 1500.0),
    slope=50.0,
    level_at_900=33.0,
    room=30.0,
    airflow_at_900=450.0,
    mesh=0.7,
    **more,
):
    """Rows of one sitting whose fan obeys exact power laws in level and airflow."""
    rows = []
    for place, speed in enumerate(speeds):
        fan = level_at_900 + slope * np.log10(speed / 900.0)
        read = fan if room is None else 10 * np.log10(10 ** (fan / 10) + 10 ** (room / 10))
        rows.append(
            {
                "model": model,
                "unit": unit,
                "session": session,
                "drive [V]": 5.0 + place,
                "speed [rpm]": speed,
                "noise [dBA]": read,
                "background [dBA]": np.nan if room is None else room,
                "airflow none [fpm]": airflow_at_900 * speed / 900.0,
                "airflow wire mesh [fpm]": mesh * airflow_at_900 * speed / 900.0,
                **more,
            }
        )
    return rows


def readings(*groups):
    """Read groups of rows as one table."""
    table = pd.DataFrame([row for group in groups for row in group])
    return fs.read_readings(table.dropna(axis=1, how="all"))


def airflow(estimates, scope="model", model="A", obstruction="none"):
    """Draws of one airflow."""
    return estimates["airflow"].sel(scope=scope, model=model, obstruction=obstruction).to_numpy()
