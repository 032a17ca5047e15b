"""Five workbooks as five testers might keep them, each with habits of its own.

Everything is invented: fans, rooms, days, readings. The fans keep to exact power laws, rounded to
what a display shows, so that what comes out of a workbook has a known truth.
"""

# ruff: noqa: PERF401 - rows are written the way a tester types them
from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import openpyxl
from openpyxl.workbook import Workbook

MESH = 0.72  # what a wire mesh leaves of the airflow


@dataclass(frozen=True, kw_only=True)
class Fan:
    """A fan by its laws: speed over drive, level over speed, airflow over speed."""

    name: str
    rpm_at_12: float
    level_at_900: float
    airflow_at_900: float

    def speed(self, volts):
        """Speed in rpm, displayed whole."""
        return round(self.rpm_at_12 * (volts / 12.0) ** 0.9)

    def noise(self, volts, room):
        """Level in dBA above a room, displayed with one decimal."""
        alone = self.level_at_900 + 50.0 * np.log10(self.speed(volts) / 900.0)
        if room is None:
            return round(float(alone), 1)
        return round(float(10 * np.log10(10 ** (alone / 10) + 10 ** (room / 10))), 1)

    def airflow(self, volts, factor=1.0):
        """Air velocity in fpm, displayed whole."""
        return round(factor * self.airflow_at_900 * self.speed(volts) / 900.0)

    def rise(self, volts):
        """Temperature rise in K, displayed with one decimal."""
        return round(34.0 * (self.airflow(volts) / 500.0) ** -0.6, 1)

    def airflow_at(self, level, room=None, factor=1.0):
        """Airflow at equal noise: the level of the fan alone, turned into a speed."""
        alone = level if room is None else 10 * np.log10(10 ** (level / 10) - 10 ** (room / 10))
        return factor * self.airflow_at_900 * 10 ** ((alone - self.level_at_900) / 50.0)


BRINDLE = Fan(name="Brindle 12", rpm_at_12=1500.0, level_at_900=30.0, airflow_at_900=410.0)
CALLOW = Fan(name="Callow Hush", rpm_at_12=1250.0, level_at_900=31.5, airflow_at_900=470.0)
DROSERA = Fan(name="Drosera 9", rpm_at_12=1900.0, level_at_900=28.0, airflow_at_900=330.0)
STEPS = (5.0, 6.0, 7.0, 9.0, 12.0)


def _book(sheets: dict[str, list[list[object]]]) -> Workbook:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    return book


def one_sheet_a_fan(path: Path) -> Path:
    """A sheet a fan, named after it, under a banner; days and prices on sheets of their own.

    Sessions are real dates. Each fan is swept up and down through its start and stop; below the
    steps stand an average and a remark.
    """
    days = {BRINDLE: datetime.datetime(2025, 3, 8), CALLOW: datetime.datetime(2025, 3, 9)}
    sheets: dict[str, list[list[object]]] = {}
    for fan, day in days.items():
        rows: list[list[object]] = [
            [f"{fan.name}, bought in a shop"], ["all by hand, door shut"], [],
            ["Session", "Sitting", "Drive [V]", "Speed [rpm]", "Noise [dBA]",
             "Airflow none [fpm]", "Airflow wire mesh [fpm]", "Note"],
        ]  # fmt: skip
        for sitting, steps in (("up", (3.0, *STEPS)), ("down", (*STEPS[::-1], 3.0))):
            for volts in steps:
                if volts == 3.0:
                    rows.append([day, sitting, volts, 0, None, None, None, "does not turn"])
                else:
                    rows.append([day, sitting, volts, fan.speed(volts), fan.noise(volts, 22.0),
                                 fan.airflow(volts), fan.airflow(volts, MESH), None])  # fmt: skip
        mean = float(np.mean([fan.noise(volts, 22.0) for volts in STEPS]))
        rows += [["Average", "average", None, None, mean], [], ["blades dusty, wiped before"]]
        sheets[fan.name] = rows
    sheets["Days"] = [
        ["Session", "Rig", "Background [dBA]", "Ambient [degC]", "Load [W]", "Note"],
        [days[BRINDLE], None, 22.0, 20.5, 65, "fridge off"],
        [days[CALLOW], None, 22.0, 21.0, 65, None],
    ]
    sheets["Shop"] = [["Model", "Price [EUR]", "Pack"], [BRINDLE.name, 14.9, 1],
                      [CALLOW.name, 39.0, 3]]  # fmt: skip
    sheets["Thoughts"] = [["build a quieter box"], ["ask for a third sample"]]
    book = _book(sheets)
    book.save(path)
    return path


def commas_and_suffixes(path: Path) -> Path:
    """All cells typed as text, with decimal commas, points between thousands, units and limits."""

    def text(number: float, decimals: int = 0) -> str:
        plain = f"{number:,.{decimals}f}"
        return plain.replace(",", " ").replace(".", ",").replace(" ", ".")

    rows: list[list[object]] = [
        [" Model ", "Session", "Drive (V)", "Speed (U/min)", "Noise (dB(A))",
         "Background (dB(A))", "Airflow (ft/min)", "Temperature (°C)", "Ambient (°C)"],
    ]  # fmt: skip
    for fan, day in ((BRINDLE, "3.4.2025"), (DROSERA, "14.4.2025")):
        for volts in STEPS:
            rows.append([
                f"{fan.name}\u00a0", day, text(volts, 1), text(fan.speed(volts)),
                f"{text(fan.noise(volts, 21.0), 1)} dB(A)", "21,0", f"{fan.airflow(volts)} fpm",
                text(20.4 + fan.rise(volts), 1), "20,4",
            ])  # fmt: skip
    rows[1][4], rows[2][4], rows[6][4] = "Lo", "<30", "#DIV/0!"
    rows[5][7] = "see photo"
    rows.append(["drosera 9", "14.4.2025", "8,0", text(DROSERA.speed(8.0)),
                 text(DROSERA.noise(8.0, 21.0), 1), "21,0", None, None, "20,4"])  # fmt: skip
    book = _book({"Messwerte": rows})
    book.save(path)
    return path


def merged_blocks(path: Path) -> Path:
    """A block a fan: the model merged over it, the evening written once; a skip column; no rpm.

    The obstruction is a column. The room's noise stands under `ambient [dBA]`.
    """
    rows: list[list[object]] = [
        ["model", "session", "obstruction", "drive [V]", "noise [dBA]", "airflow [fpm]",
         "ambient [dBA]", "skip"],
    ]  # fmt: skip
    merges = []
    for fan, evening in ((CALLOW, "first evening"), (DROSERA, "second evening")):
        first = len(rows) + 1
        for volts in STEPS:
            rows.append([None, None, "free air", volts, fan.noise(volts, 20.0),
                         fan.airflow(volts), 20.0, None])  # fmt: skip
            rows.append([None, None, "wire mesh", volts, None, fan.airflow(volts, MESH),
                         None, None])  # fmt: skip
        rows[first - 1][0], rows[first - 1][1] = fan.name, evening
        merges.append(f"A{first}:A{len(rows)}")
    rows[4][7] = "lorry outside"
    book = _book({"Two-wire fans": rows})
    for reference in merges:
        book["Two-wire fans"].merge_cells(reference)
    book.save(path)
    return path


HEADINGS = {
    "Fan": "model",
    "Date": "session",
    "SPL": "noise [dBA]",
    "RPM": "speed [rpm]",
    "Volts": "drive [V]",
    "PWM": "drive [%]",
    "Air (open)": "airflow none [fpm]",
    "Air (mesh)": "airflow wire mesh [fpm]",
}


def own_headings(path: Path) -> Path:
    """Headings of the tester's own, a legend above them, volts and percent side by side.

    The meter shows nothing below 30. Four cells were typed wrong: a decimal point, a swap, m/s
    among fpm, and a row copied down.
    """
    rows: list[list[object]] = [
        ["model", "noise [dBA]", "is what the charts call SPL", "all in one room"],
        [],
        [*HEADINGS, "Colour"],
    ]
    for fan in (BRINDLE, CALLOW):
        for volts in STEPS:
            rows.append([fan.name, "2025-05-01", max(30.0, fan.noise(volts, None)),
                         fan.speed(volts), volts, None, fan.airflow(volts),
                         fan.airflow(volts, MESH), "black"])  # fmt: skip
    for volts in STEPS:
        rows.append([DROSERA.name, "2025-05-02", max(30.0, DROSERA.noise(volts, None)),
                     DROSERA.speed(volts), None, round(100 * volts / 12), DROSERA.airflow(volts),
                     DROSERA.airflow(volts, MESH), "beige"])  # fmt: skip
    rows[6][3] *= 10  # a decimal point, row 7
    rows[10][3], rows[10][6] = rows[10][6], rows[10][3]  # a swap, row 11
    rows[16][7] = round(rows[16][7] * 0.00508, 2)  # m/s, row 17
    rows.insert(8, list(rows[7]))  # row 8 copied down to row 9; the rest moves by one
    book = _book({"All fans": rows})
    book.save(path)
    return path


RETEST_ROOM = 18.5


def different_days(path: Path) -> Path:
    """Noise, airflow and temperature on different days, on a sheet each, then a new rig.

    Noise was swept in other steps than airflow. Two fans were tested again on a new rig in a
    quieter room; there the third was only dialled in at 33 dBA.
    """
    noise: list[list[object]] = [["model", "rig", "session", "drive [V]", "speed [rpm]",
                                  "noise [dBA]"]]  # fmt: skip
    air: list[list[object]] = [["model", "rig", "session", "speed [rpm]", "airflow none [m/s]",
                                "airflow wire mesh [m/s]"]]  # fmt: skip
    warm: list[list[object]] = [["model", "rig", "session", "speed [rpm]", "temperature [degC]"]]
    again: list[list[object]] = [["model", "rig", "session", "speed [rpm]", "noise [dBA]",
                                  "airflow none [m/s]"]]  # fmt: skip
    for fan in (BRINDLE, CALLOW, DROSERA):
        for volts in STEPS:
            noise.append([fan.name, "shelf", "d1", volts, fan.speed(volts),
                          fan.noise(volts, 22.0)])  # fmt: skip
        for volts in (4.5, 5.5, 6.5, 8.0, 10.0, 12.0):
            air.append([fan.name, "shelf", "d2", fan.speed(volts),
                        round(fan.airflow(volts) * 0.00508, 2),
                        round(fan.airflow(volts, MESH) * 0.00508, 2)])  # fmt: skip
            warm.append([fan.name, "shelf", "d3", fan.speed(volts), 19.8 + fan.rise(volts)])
    for fan in (BRINDLE, CALLOW):
        for volts in STEPS:
            again.append([fan.name, "box", "d4", fan.speed(volts), fan.noise(volts, RETEST_ROOM),
                          round(fan.airflow(volts) * 0.00508, 2)])  # fmt: skip
    dialled = DROSERA.airflow_at(33.0, RETEST_ROOM)
    again.append([DROSERA.name, "box", "d4", round(900 * dialled / DROSERA.airflow_at_900), 33.0,
                  round(dialled * 0.00508, 2)])  # fmt: skip
    facts: list[list[object]] = [
        ["session", "rig", "background [dBA]", "ambient [degC]", "load [W]", "note"],
        ["d1", "shelf", 22.0, None, None, "still"], ["d2", "shelf", None, None, None, None],
        ["d3", "shelf", None, 19.8, 65, "heater on"],
        ["d4", "box", RETEST_ROOM, None, None, "new rig"],
    ]  # fmt: skip
    book = _book({"Noise": noise, "Air": air, "Warm": warm, "Re-test": again, "Facts": facts})
    book.save(path)
    return path
