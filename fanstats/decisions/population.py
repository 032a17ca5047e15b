"""Which models of a chart are one population, and draws of their true values."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence

import numpy as np

from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.decisions.effects import (
    FEWEST_FOR_CHANCES,
    RandomEffects,
    effects_draws,
    random_effects,
)
from fanstats.decisions.said import counted, shortened
from fanstats.decisions.selection import Selection
from fanstats.engine.draws import LabelledDraws

__all__ = [
    "effects_numbers",
    "fans_together",
    "outsiders_words",
    "population",
    "value_draws",
]


def fans_together(picked: Selection) -> dict[str, int]:
    """Give how many fans of a model run together in these estimates, where it is more than one.

    Parameters
    ----------
    picked : Selection

    Returns
    -------
    dict of str to int
    """
    try:
        found = json.loads(picked.attrs.get("fans", "{}"))
    except (TypeError, ValueError):
        return {}
    return {str(name): int(count) for name, count in found.items()}


def population(picked: Selection, members: Sequence[int] | IntArray) -> BoolArray:
    """Say which models can be taken as draws from one population.

    Parameters
    ----------
    picked : Selection
    members : sequence of int
        The models.

    Returns
    -------
    ndarray of bool, shape (members,)
        Those of which equally many fans run together: the commonest number, the smaller of two
        that are as common. Three fans together move about twice the air of one at equal noise;
        that says nothing of how widely single fans scatter.
    """
    together = fans_together(picked)
    fans = np.array([together.get(picked.models[k], 1) for k in members], dtype=np.intp)
    if not fans.size:
        return np.zeros(0, dtype=bool)
    numbers, counts = np.unique(fans, return_counts=True)
    return np.asarray(fans == numbers[counts.argmax()])


def outsiders_words(picked: Selection, members: Sequence[int] | IntArray) -> list[str]:
    """Say which models were left out of the population, as a note; none if none were.

    Parameters
    ----------
    picked : Selection
    members : sequence of int
        Models that were judged.

    Returns
    -------
    list of str
    """
    alike = population(picked, members)
    if alike.all() or alike.sum() < FEWEST_FOR_CHANCES:
        return []
    together = fans_together(picked)
    named = [
        f"{picked.models[k]} ({counted(together.get(picked.models[k], 1), 'fan')} together)"
        for k, inside in zip(members, alike, strict=True)
        if not inside
    ]
    return [
        f"{shortened(named)}: not of one population with the other models, so its chances are "
        "confidence, no hit rates"
    ]


def value_draws(
    picked: Selection, members: IntArray, values: FloatArray, own: FloatArray
) -> tuple[FloatArray, RandomEffects]:
    """Draws of the true values of some models, from random effects of those that are alike.

    Parameters
    ----------
    picked : Selection
    members : ndarray of int
        At least `FEWEST_FOR_CHANCES` of them of one population.
    values, own : ndarray, shape (members,)
        Their estimates and own variances, on the scale models are compared on.

    Returns
    -------
    draws : ndarray, shape (members, draws)
        What all models share is left out. A model outside the population keeps its own estimate.
    effects : RandomEffects
        Of the population.
    """
    alike = population(picked, members)
    order, centre, streams = effects_numbers(picked, members)
    effects = random_effects(values[alike], own[alike])
    if alike.all():
        return effects_draws(effects, order, centre, streams), effects
    streams[alike] = effects_draws(effects, order, centre, streams[alike])
    others = ~alike
    streams[others] *= np.sqrt(own[others])[:, np.newaxis]
    streams[others] += values[others, np.newaxis]
    return streams, effects


def effects_numbers(
    picked: Selection, members: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give random numbers that depend on the root and the names alone, not on their order."""
    size = picked.draws.shape[-1]
    root = picked.root or ""
    number = int(root) if root.isdecimal() else zlib.crc32(root.encode())
    source = LabelledDraws(number % 2**128, size)
    label = ("random effects", picked.name, picked.obstruction or "")
    streams = np.empty((len(members), size))
    for row, member in enumerate(members):
        streams[row] = source.standard((*label, "model", picked.models[member]), "normal")
    order = source.standard((*label, "tau"), "normal")
    return order, source.standard((*label, "centre"), "normal"), streams
