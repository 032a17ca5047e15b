"""Figures of many benches are those held in `tests/pins`; `moved.md` says why one was changed."""

from __future__ import annotations

import functools
import math
from typing import Any

import pytest

from tests.pins.cases import BENCHES, pinned
from tests.pins.figures import FILES, Figures
from tests.pins.record import load

# Relative tolerance, and the size below which a number counts as 0.
ALMOST = (1e-9, 1e-12)
DRAWN = (1e-12, 1e-15)
# What was recorded has fewer digits in two places. Effects were found by differences that end at
# 5e-13 of a value, so small rows of a budget hold fewer than nine. A floor was fitted until a step
# fell below 1e-9, and differences of such a fit end at 2e-5: seen with other steps of the
# differences, and with a fit that went on to 1e-12.
DIFFERENCED = (1e-9, 1e-9)
FITTED, FITTED_AND_DIFFERENCED = (1e-7, 1e-12), (2e-4, 1e-12)
FLOOR_FITTED = "curves of each kind, room unread/"

made = functools.cache(pinned)
held = functools.cache(load)


def of_bench(file: str, bench: str) -> dict[str, Any]:
    """What a file holds of one bench."""
    return {key: value for key, value in held(file).items() if key.split("/")[0] == bench}


def differing(old: Any, new: Any, close: tuple[float, float], at: str = "") -> list[str]:
    """Where two figures differ, each place with old and new."""
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = enumerate(zip(old, new, strict=True))
        return [told for k, (a, b) in pairs for told in differing(a, b, close, f"{at}[{k}]")]
    numbers = [isinstance(x, (int, float)) and not isinstance(x, bool) for x in (old, new)]
    if all(numbers):
        same = math.isclose(old, new, rel_tol=close[0], abs_tol=close[1])
    else:
        same = type(old) is type(new) and old == new
    return [] if same else [f"{at}: {old!r} -> {new!r}".removeprefix(": ")]


def tolerance(file: str, key: str) -> tuple[float, float]:
    """How close a figure must stay."""
    if key.startswith(FLOOR_FITTED) and "power law" in key:
        return FITTED_AND_DIFFERENCED if "first order" in key else FITTED
    if "/budget of " in key:
        return DIFFERENCED
    return DRAWN if file == "draws" else ALMOST


def moved(file: str, old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """Every key that differs, with what was and what is."""
    told = [f"{key}: gone, was {old[key]!r}" for key in old if key not in new]
    told += [f"{key}: new, is {new[key]!r}" for key in new if key not in old]
    for key in old:
        if key in new:
            places = differing(old[key], new[key], tolerance(file, key))
            told += [f"{key}: {'; '.join(places)}"] if places else []
    return told


def cases() -> list[Any]:
    """Every bench with each file that holds some of it."""
    known = {file: dict.fromkeys(key.split("/")[0] for key in held(file)) for file in FILES}
    return [
        pytest.param(file, bench, id=f"{bench}-{file}")
        for bench in dict.fromkeys(
            [*BENCHES, *(name for names in known.values() for name in names)]
        )
        for file in FILES
        if bench not in BENCHES or bench in known[file]
    ]


@pytest.mark.parametrize(("file", "bench"), cases())
def test_figures_are_those_held(file: str, bench: str) -> None:
    """Numbers to nine digits, draws to twelve, words as they stand."""
    assert bench in BENCHES, f"{file}.json holds figures of {bench!r}, and no such bench is made"
    told = moved(file, of_bench(file, bench), made(bench).found[file])

    assert not told, f"{len(told)} figures of {file}.json moved:\n" + "\n".join(told)


@pytest.mark.parametrize("bench", BENCHES)
def test_every_figure_is_held_and_what_nobody_read_is_said(bench: str) -> None:
    """No bench lacks in a file; what rests on unread rooms and ends stands in one of its own."""
    figures: Figures = made(bench)
    lacking = [file for file in FILES if figures.found[file] and not of_bench(file, bench)]

    assert lacking == []
    assert figures.unread == []


def test_a_figure_that_moves_is_named_with_what_was_and_what_is() -> None:
    """Every one that differs is told, by place; what lies within the tolerance is not."""
    old = {"b/q/one": [1.0, [2.0, "nan"]], "b/q/two": "ahead", "b/q/three": 3.0, "b/q/gone": None}
    new = {"b/q/one": [1.0, [2.000001, 0.5]], "b/q/two": "open", "b/q/three": 3.0 + 1e-10,
           "b/q/more": True}  # fmt: skip

    assert moved("values", old, new) == [
        "b/q/gone: gone, was None",
        "b/q/more: new, is True",
        "b/q/one: [1][0]: 2.0 -> 2.000001; [1][1]: 'nan' -> 0.5",
        "b/q/two: 'ahead' -> 'open'",
    ]
    assert moved("draws", {"b/q/three": 3.0}, {"b/q/three": 3.0 + 1e-10}) != []
