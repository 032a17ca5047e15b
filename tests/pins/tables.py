"""Tables of readings of invented fans: power laws with small bends, rounded as displays show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

OPEN, SCREEN, PAD, DOOR = "open", "insect screen", "dust pad", "slotted door"
EVENING = "first evening"
# What an obstruction leaves of the airflow.
LEFT = {OPEN: 1.0, SCREEN: 0.74, PAD: 0.52, DOOR: 0.44}
VOLTS = (10.0, 13.0, 16.5, 20.0, 24.0)


@dataclass(frozen=True, kw_only=True)
class Fan:
    """A model by its laws: level and airflow at 1,500 rpm, speed at 24 V, bends of its own."""

    name: str
    level: float
    airflow: float
    top: float = 2400.0
    slope: float = 50.0
    bend: float = 0.0


ALDWICK = Fan(name="Aldwick 80", level=31.2, airflow=1.92, bend=0.3)
BREMMEL = Fan(name="Bremmel Low", level=30.6, airflow=1.78, top=2350.0, slope=52.0, bend=1.9)
CORROW = Fan(name="Corrow 24", level=31.9, airflow=1.86, top=2300.0, slope=49.0, bend=3.1)
DUNLIT = Fan(name="Dunlit Mild", level=30.1, airflow=1.61, top=2500.0, slope=51.0, bend=4.4)
ESKER = Fan(name="Esker Vane", level=32.4, airflow=1.69, top=2250.0, slope=50.0, bend=5.6)
FIVE = (ALDWICK, BREMMEL, CORROW, DUNLIT, ESKER)


def sum_of_levels(one: float, other: float) -> float:
    """Add two levels by energy."""
    return 10.0 * math.log10(10.0 ** (one / 10.0) + 10.0 ** (other / 10.0))


def sweep(
    fan: Fan,
    *,
    drives: Sequence[float] = VOLTS,
    drive: str = "V",
    room: float | None = 23.0,
    luck: tuple[float, float, float] = (0.0, 0.0, 0.0),
    read_wrong: tuple[float, float] = (0.0, 0.0),
    behind: Sequence[str] = (OPEN, SCREEN),
    ambient: float | None = None,
    bend: float = 0.0,
    without: Sequence[str] = (),
    **labels: Any,
) -> list[dict[str, Any]]:
    """Give the rows of one sitting.

    `luck` is what this sample has more of in noise (dB), airflow and speed (fractions);
    `read_wrong` what the instruments add in noise (dB) and airflow (fraction).
    """
    rows = []
    for place, volts in enumerate(drives):
        share = volts / (24.0 if drive == "V" else 100.0)
        speed = round(fan.top * share**0.9 * (1.0 + luck[2]))
        wave = math.sin(2.3 * place + fan.bend + bend)
        alone = fan.level + fan.slope * math.log10(speed / 1500.0) + luck[0] + 0.2 * wave
        read = alone if room is None else sum_of_levels(alone, room)
        moved = fan.airflow * (speed / 1500.0) * (1.0 + luck[1] + read_wrong[1])
        row: dict[str, Any] = {"model": fan.name, "session": EVENING, **labels}
        row |= {
            f"drive [{drive}]": volts,
            "speed [rpm]": float(speed),
            "noise [dBA]": round(read + read_wrong[0], 1),
        }
        if room is not None:
            row["background [dBA]"] = round(room + read_wrong[0], 1)
        for number, name in enumerate(behind):
            bent = 1.0 + 0.01 * math.sin(1.7 * place + fan.bend + bend + number)
            row[f"airflow {name} [m/s]"] = round(moved * LEFT[name] * bent, 2)
        if ambient is not None:
            row["temperature [degC]"] = round(ambient + 52.0 * moved**-0.55 + 0.2 * wave, 1)
            row["ambient [degC]"] = ambient
        rows.append({name: cell for name, cell in row.items() if name not in without})
    return rows


def table(*groups: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Put groups of rows into one table, without columns in which nothing stands."""
    return pd.DataFrame([row for group in groups for row in group]).dropna(axis=1, how="all")


def sweeps(fans: Sequence[Fan], **more: Any) -> pd.DataFrame:
    """Give one sitting of each of some models."""
    return table(*(sweep(fan, **more) for fan in fans))
