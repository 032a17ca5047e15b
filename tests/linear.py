"""Published worked examples written over labelled errors, for the engine's first-order formulas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fanstats.engine.first_order import dof_by_source


class Errors:
    """Hands out zero errors and remembers whose; the one that is moved has a step of its own."""

    size = 1

    def __init__(self, moved=None, step=0.0):
        self.moved, self.step = moved, step
        self.shapes, self.dof = {}, {}

    def standard(self, label, shape):
        self.shapes[label] = shape
        return np.array([self.step if label == self.moved else 0.0])

    def scale(self, label, dof):
        self.dof[label] = dof
        return np.ones(1)


@dataclass
class Linear:
    """Values, and what one standard uncertainty of each error moves them by."""

    labels: tuple
    shapes: tuple
    value: np.ndarray
    effects: np.ndarray
    dof: np.ndarray

    @property
    def standard_uncertainty(self):
        return np.sqrt(np.sum(np.square(self.effects), axis=-1))

    @property
    def covariance(self):
        return self.effects @ self.effects.T


def linearise(function):
    """Differentiate a function of labelled errors by complex steps; one estimate is one source."""
    known = Errors()
    value = np.asarray(function(known))[..., 0]
    step = 1e-30
    moved = [np.asarray(function(Errors(label, 1j * step)))[..., 0] for label in known.shapes]
    effects = np.imag(np.stack(moved, axis=-1)) / step
    sources = [
        max((front for front in known.dof if label[: len(front)] == front), key=len, default=label)
        for label in known.shapes
    ]
    names = list(dict.fromkeys(sources))
    place = np.array([names.index(source) for source in sources])
    limits = [known.dof.get(name, np.inf) for name in names]
    return Linear(
        labels=tuple(known.shapes),
        shapes=tuple(known.shapes.values()),
        value=value,
        effects=effects,
        dof=dof_by_source(effects, place, limits),
    )
