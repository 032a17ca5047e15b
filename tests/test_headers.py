"""Headers: a quantity, an optional obstruction, the unit in brackets."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fanstats.loading.headers import parse_header
from fanstats.quantities import QUANTITIES


@pytest.mark.parametrize(
    ("text", "role", "obstruction", "units"),
    [
        ("noise [dBA]", "noise", None, "dBA"),
        ("Noise (dBA)", "noise", None, "dBA"),
        ("noise[dB(A)]", "noise", None, "dBA"),
        ("noise (dB(A))", "noise", None, "dBA"),
        ("  NOISE   [ dBA ] ", "noise", None, "dBA"),
        ("noise none [dBA]", "noise", None, "dBA"),
        ("noise filter [dBA]", "noise_obstructed", "filter", "dBA"),
        ("drive [V]", "drive_voltage", None, "V"),
        ("drive [%]", "drive_duty", None, "%"),
        ("PWM [%]", "drive_duty", None, "%"),
        ("speed [U/min]", "speed", None, "rpm"),
        ("speed none [rpm]", "speed", None, "rpm"),
        ("airflow none [fpm]", "airflow", "none", "fpm"),
        ("Airflow wire mesh (ft/min)", "airflow", "wire mesh", "fpm"),
        ("airflow (wire mesh) [m/s]", "airflow", "wire mesh", "m/s"),
        ("air flow - mesh 2 mm [m³/h]", "airflow", "mesh 2 mm", "m3/h"),
        ("temperature solid front [°C]", "temperature", "solid front", "degC"),
        ("room noise [dBA]", "background", None, "dBA"),
        ("load [W]", "load", None, "W"),
        ("price [EUR]", "price", None, "EUR"),
    ],
)
def test_header_grammar(text: str, role: str, obstruction: str | None, units: str) -> None:
    """Case, spaces and brackets are the user's choice; quantity, obstruction and unit are read."""
    header = parse_header(text)

    assert header.kind == "number"
    assert not header.problem
    assert (header.role, header.obstruction, header.units) == (role, obstruction, units)


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("noise", "noise [dBA]"),
        ("rpm", "speed [rpm]"),
        ("drive", "drive [V] or drive [%]"),
        ("airflow wire mesh", "airflow wire mesh [fpm]"),
        ("noise dBA", "noise [dBA]"),
        ("noise_dBA", "noise [dBA]"),
        ("noise dB(A)", "noise [dBA]"),
        ("airflow mesh m/s", "airflow mesh [m/s]"),
        ("airflow [gal/min]", "airflow [fpm]"),
        ("drive [mV]", "drive [V]"),
    ],
)
def test_missing_or_strange_unit_names_the_header_to_write(text: str, written: str) -> None:
    """A quantity without a unit in brackets is a problem, and the problem says what to write."""
    header = parse_header(text)

    assert header.kind == "number"
    assert f"write {written}" in header.problem


@pytest.mark.parametrize(
    ("text", "suggestion"),
    [
        ("ambient [dBA]", "background [dBA]"),
        ("ambient noise [dBA]", "background [dBA]"),
        ("nose [dBA]", "noise [dBA]"),
        ("airflw wire mesh [fpm]", "airflow wire mesh [fpm]"),
        ("Arflow_Filter (m/s)", "airflow Filter [m/s]"),
        ("airflw mean [fpm]", "airflow [fpm]"),
        ("airflw mesh fpm [fpm]", "airflow [fpm]"),
        ("spead mesh [rpm]", "speed [rpm]"),
        ("_ [fpm]", "airflow [fpm]"),
        ("speed [m/s]", "airflow [m/s]"),
        ("speed mesh [rpm]", "speed [rpm]"),
        ("temperature ambient [degC]", "ambient [degC]"),
        ("noise average [dBA]", "noise [dBA]"),
        ("noise 2 [dBA]", "noise [dBA]"),
        ("noise @ 1 m [dBA]", "noise [dBA]"),
        ("Modle", "model"),
        ("Fan", "model"),
        ("wire mesh airflow (fpm)", "airflow wire mesh [fpm]"),
        ("average noise [dBA]", "noise [dBA]"),
        ("Comments", "note"),
        ("dB(A)", "noise [dBA]"),
        ("ft/min", "airflow [fpm]"),
        ("°C", "temperature [degC]"),
        ("colour", ""),
    ],
)
def test_unknown_header_suggests_the_nearest_known_one(text: str, suggestion: str) -> None:
    """An unknown header is not read; the nearest known one is suggested, if one is near."""
    header = parse_header(text)

    assert header.kind == "unknown"
    assert header.suggestion == suggestion


def test_a_unit_of_a_column_header_is_one_the_quantity_has() -> None:
    """Every usual header of every quantity is read back as that quantity."""
    for name, quantity in QUANTITIES.items():
        if name == "price":
            continue
        head = "drive" if name.startswith("drive") else name.replace("_", " ")
        for unit in quantity.units:
            header = parse_header(f"{head} [{unit}]")

            assert (header.role, header.units) == (name, unit)


@given(st.one_of(st.text(max_size=60), st.none(), st.floats(), st.integers()))
def test_any_cell_is_a_header_or_not_one(cell: object) -> None:
    """Whatever stands in a header row is parsed to a header of one of three kinds."""
    header = parse_header(cell)

    assert header.kind in ("label", "number", "unknown")
    assert header.kind != "unknown" or not header.role
