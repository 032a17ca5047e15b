"""How the packaged demo data were invented: run it to write them again.

Everything here is made up: makers, models, rooms, readings. The scenario is a cupboard with a
battery inverter in a garden shed, cooled by 80 mm fans on 24 V through its openings.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

DATA = Path(__file__).parent.parent / "fanstats" / "data"
STEPS = (9.0, 12.0, 15.0, 18.0, 21.0, 24.0)
OPENINGS = {"open": 1.0, "insect screen": 0.74, "dust pad": 0.52, "slotted door": 0.43}
ROOMS = {"first evening": 23.4, "second evening": 24.1}
AMBIENT = {"first evening": 18.6, "second evening": 19.4}

# model: (rpm at 24 V, dBA of the fan alone at 24 V, dB a decade, m/s at 24 V, samples, session)
MODELS = {
    "Pellwick 80 Mild": (2450, 38.6, 52.0, 3.05, 1, "first evening"),
    "Ombrel Sill": (2700, 39.9, 50.0, 3.24, 3, "first evening"),
    "Tamberly Drift 8": (3100, 43.2, 54.0, 3.69, 1, "first evening"),
    "Varnost Lull": (2200, 35.8, 51.0, 3.02, 2, "first evening"),
    "Quenhurst 24P": (3500, 46.5, 55.0, 4.10, 1, "first evening"),
    "Sorrelby N1": (2900, 41.8, 49.0, 3.09, 1, "second evening"),
    "Fennimoor Gust": (4600, 56.0, 50.0, 5.20, 1, "second evening"),
    "Hadderly Eighty": (2600, 40.2, 53.0, 3.16, 1, "second evening"),
    "Ostwick Mono": (2000, 34.6, 50.0, 2.22, 1, "second evening"),
    "Wexcombe Pale": (2750, 41.2, 50.0, 3.02, 1, "second evening"),
}
DIFFERS = {"insect screen": 0.02, "dust pad": 0.05, "slotted door": 0.04}


def _add(a: float, b: float) -> float:
    return float(10 * np.log10(10 ** (a / 10) + 10 ** (b / 10)))


def make() -> pd.DataFrame:
    """Invent the readings."""
    rng = np.random.default_rng(80_24)
    meter, vane = rng.normal() * 0.4, 1 + rng.normal() * 0.012
    rows = []
    for model, (rpm, level, slope, flow, samples, session) in MODELS.items():
        behind = {
            name: factor * (1 + rng.normal() * DIFFERS.get(name, 0.0))
            for name, factor in OPENINGS.items()
        }
        swirl = {name: 1 + rng.normal() * 0.008 for name in OPENINGS}
        tone = rng.normal() * 0.2
        for sample in range(samples):
            e, f, s = rng.normal() * 0.7, rng.normal() * 0.018, rng.normal() * 0.03
            for sitting in range(2 if (model, sample) == ("Ombrel Sill", 0) else 1):
                place = rng.normal() * 0.2
                for volts in STEPS:
                    n = rpm * (volts / 24) ** 0.88 * (1 + s)
                    fan = level + slope * np.log10(n / rpm) + e
                    noise = _add(fan + place + tone, ROOMS[session]) + meter
                    row = {
                        "model": model,
                        "sample": chr(ord("A") + sample),
                        "session": session,
                        "sitting": str(sitting + 1),
                        "drive [V]": volts,
                        "speed [rpm]": round(n + rng.normal() * 4),
                        "noise [dBA]": round(noise + rng.normal() * 0.08, 1),
                        "background [dBA]": round(ROOMS[session] + meter, 1),
                    }
                    for name, factor in behind.items():
                        v = flow * n / rpm * (1 + f) * factor
                        v *= vane * swirl[name] * (1 + rng.normal() * 0.008)
                        row[f"airflow {name} [m/s]"] = round(v, 2)
                    moved = flow * n / rpm * (1 + f) * behind["insect screen"]
                    rise = 52.0 * moved**-0.62
                    ambient = AMBIENT[session] + rng.normal() * 0.1
                    row["temperature [degC]"] = round(ambient + rise + rng.normal() * 0.2, 1)
                    row["ambient [degC]"] = round(ambient, 1)
                    row["note"] = ""
                    rows.append(row)
    return pd.DataFrame(rows)


if __name__ == "__main__":
    table = make()
    table.to_csv(DATA / "demo_readings.csv", index=False)
