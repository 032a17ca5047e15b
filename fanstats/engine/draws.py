"""Labelled random draws: what a source draws depends on the root seed and its label alone."""

from __future__ import annotations

import hashlib
import math
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np

from fanstats._typing import BoolArray, FloatArray, IntArray, SeedLike, Shape
from fanstats.engine.ledger import correlation_draws
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping, Sequence

    from fanstats.engine.ledger import Ledger
    from fanstats.engine.sittings import Label

__all__ = [
    "CHUNK",
    "Drawn",
    "LabelledDraws",
    "Moved",
    "Stepped",
    "Still",
    "draw_sources",
    "is_whole",
    "root_from",
]

_Made = TypeVar("_Made")
_ALL: Final = slice(None)
STEP: Final = 1e-30  # of the complex step

# Numbers kept of the labels used last: what many sittings share stays, a single reading's goes.
_KEPT_NUMBERS: Final = 2**21
_LARGEST_ROOT: Final = 2**128
# Stands between the parts of a label: the unit separator of ASCII, which no table's label holds.
_SEPARATOR: Final = "\x1f"
# Draws of one label come in chunks of this many, each a stream of its own: it bounds the memory
# of a large run and is part of what a root means, so it never changes with block or machine.
CHUNK: Final = 2**16


def is_whole(number: object) -> bool:
    """Say whether something is a whole number, and no truth value."""
    return isinstance(number, (int, np.integer)) and not isinstance(number, bool)


def root_from(rng: SeedLike) -> int:
    """Turn what the caller passed as `rng` into the root seed of a result.

    An integer is the root itself, a generator or seed sequence gives a root drawn from it, None
    draws a fresh one.

    References
    ----------
    Scientific Python SPEC 7, "Seeding pseudo-random number generation".

    Examples
    --------
    >>> root_from(7)
    7
    """
    if isinstance(rng, (int, np.integer)) and not isinstance(rng, bool):
        if 0 <= rng < _LARGEST_ROOT:
            return int(rng)
        msg = f"`rng` as an integer must be at least 0 and below 2**128; got {rng!r}."
        raise FanstatsError(msg)
    if rng is None or isinstance(rng, (np.random.Generator, np.random.SeedSequence)):
        return int(np.random.default_rng(rng).integers(2**63))
    msg = f"`rng` must be an integer, a numpy Generator, a SeedSequence or None; got {rng!r}."
    raise FanstatsError(msg)


def draw_sources(root: int, draws: int) -> list[LabelledDraws]:
    """Give where draws come from, chunk by chunk."""
    return [
        LabelledDraws(root, min(CHUNK, draws - start), chunk)
        for chunk, start in enumerate(range(0, draws, CHUNK))
    ]


class LabelledDraws:
    """Monte Carlo draws, one independent stream a label.

    A label is hashed to 192 bits together with the root; adding or reordering labels therefore
    changes nobody else's draws, and two results of one root stay correlated through whatever
    they share.

    Examples
    --------
    >>> draws = LabelledDraws(root=7, size=4)
    >>> bool((draws.standard(("meter",), "normal") == draws.standard(("meter",), "normal")).all())
    True
    """

    def __init__(self, root: int, size: int, chunk: int = 0) -> None:
        self.root = root
        self.size = size
        self.chunk = chunk
        self._key = root.to_bytes(16, "little")
        self._bits = np.random.SFC64(0)
        self._stream = np.random.Generator(self._bits)
        self._words = np.zeros(4, dtype=np.uint64)
        self._state: Any = {
            "bit_generator": "SFC64",
            "state": {"state": self._words},
            "has_uint32": 0,
            "uinteger": 0,
        }
        self._kept: dict[tuple[Label, str], FloatArray] = {}

    def standard(self, label: Label, shape: Shape) -> FloatArray:
        """Give draws of mean 0 and standard deviation 1, read-only, shape (size,)."""
        return self._remember(
            label, shape, lambda: _shaped(self._generator(label), shape, self.size)
        )

    def scale(self, label: Label, dof: float) -> FloatArray:
        """Give draws of ``sqrt(dof / chi2_dof)``: how wrong an estimated scatter may be."""
        full = (*label, "scale")
        return self._remember(
            full,
            f"{dof!r}",
            lambda: np.sqrt(dof / self._generator(full).chisquare(dof, self.size)),
        )

    def _remember(self, label: Label, kind: str, make: Callable[[], FloatArray]) -> FloatArray:
        key = (label, kind)
        values = self._kept.pop(key, None)
        if values is None:
            values = make()
            values.setflags(write=False)
            if len(self._kept) * self.size >= _KEPT_NUMBERS:
                self._kept.pop(next(iter(self._kept)), None)
        self._kept[key] = values  # last used, last to go
        return values

    def _generator(self, label: Label) -> np.random.Generator:
        """Give a generator at the start of the label's own stream, until the next is asked for.

        The hash itself is the state: 192 random bits need no further mixing, and setting them is
        ten times faster than seeding a generator anew.
        """
        text = _SEPARATOR.join(label)
        if text.count(_SEPARATOR) != len(label) - 1:  # then lengths tell the parts apart
            text = "".join(f"{len(part)}:{part}" for part in label)
        if self.chunk:
            text += f"{_SEPARATOR}#{self.chunk}"
        digest = hashlib.blake2b(text.encode(), digest_size=24, key=self._key).digest()
        self._words[:3] = np.frombuffer(digest, "<u8")
        self._words[3] = 1
        self._bits.state = self._state
        return self._stream


def _shaped(generator: np.random.Generator, shape: Shape, size: int) -> FloatArray:
    if shape == "normal":
        return generator.standard_normal(size)
    if shape == "rectangular":
        return (2.0 * generator.random(size) - 1.0) * math.sqrt(3.0)
    if shape == "triangular":
        return (generator.random(size) - generator.random(size)) * math.sqrt(6.0)
    return np.cos(math.pi * generator.random(size)) * math.sqrt(2.0)


# Four ways to move the inputs of a ledger --------------------------------------------------------


class Still:
    """Nothing is moved: every input at its value, one column."""

    size = 1

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self._made: dict[Hashable, Any] = {}
        self._noted: dict[Hashable, Any] = {}

    def __call__(self, ids: IntArray, part: slice = _ALL) -> FloatArray:
        """Give inputs, shape (..., column)."""
        return self.ledger.value[ids[part]][..., np.newaxis]

    def noted(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """Give what `make` makes, made once for this ledger."""
        if key not in self._noted:
            self._noted[key] = make()
        made: _Made = self._noted[key]
        return made

    def remembered(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """Give what `make` makes of inputs that no parameter touches, made once."""
        if key not in self._made:
            self._made[key] = make()
        made: _Made = self._made[key]
        return made


class Drawn(Still):
    """Monte Carlo: every label is drawn once and added in the order of its rows (JCGM 101)."""

    def __init__(self, ledger: Ledger, source: LabelledDraws) -> None:
        super().__init__(ledger)
        self.source, self.size = source, source.size

    def with_ledger(self, ledger: Ledger) -> Drawn:
        """Give the same draws where parameters have other errors; readings are not drawn again."""
        other = Drawn(ledger, self.source)
        other._made = self._made
        return other

    def __call__(self, ids: IntArray, part: slice = _ALL) -> FloatArray:
        """Give inputs, shape (..., draw)."""
        key = ("input", id(ids), part.start, part.stop)
        varies = ids.size and int(ids.flat[0]) >= self.ledger.varying
        return (self.noted if varies else self.remembered)(key, lambda: self._drawn(ids[part]))

    def _drawn(self, ids: IntArray) -> FloatArray:
        ledger, rows = self.ledger, self.ledger.rows
        found = np.empty((ids.size, self.size))
        passing = np.empty(self.size)
        first, last = ledger.first[ids.ravel()], ledger.first[ids.ravel() + 1]
        for place, (start, stop) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
            out = found[place]
            if start == stop:
                out.fill(0.0)
            for row in range(start, stop):
                error = self._error(row)
                if row == start:
                    np.multiply(error, rows.size[row], out=out)
                else:
                    np.multiply(error, rows.size[row], out=passing)
                    out += passing
        found += ledger.value[ids.ravel()][:, np.newaxis]
        return found.reshape(*ids.shape, self.size)

    def _error(self, row: int) -> FloatArray:
        """Draw the standardised error of a row, times how wrong its estimated size may be."""
        ledger = self.ledger
        base = ledger.bases[ledger.rows.base[row]]
        error = self.source.standard(ledger.text(row), base.shape)
        scaled_by = ledger.bases[ledger.rows.scale[row]]
        scale: Any = 1.0
        if math.isfinite(scaled_by.dof):
            scale = self.source.scale(scaled_by.label, scaled_by.dof)
        if scaled_by.removed:
            # A mean square that holds more than this error: drawn first, the rest taken off after.
            scale = np.sqrt(np.maximum(0.0, np.square(scale) - scaled_by.removed))
        mix = int(ledger.rows.mix[row])
        if mix:
            share = correlation_draws(ledger.spread, self.source.standard)
            scale = scale * (share if mix == 1 else np.sqrt(1.0 - np.square(share)))
        return error if isinstance(scale, float) and scale == 1.0 else error * scale


class Moved(Still):
    """Errors of alike models moved one at a time: first nothing, then each label by `step`.

    Labels are numbered for each model by itself, so that those of different models share columns.
    """

    def __init__(
        self, ledger: Ledger, inputs: Sequence[IntArray], wanted: BoolArray, step: float = 1.0
    ) -> None:
        super().__init__(ledger)
        self._step, self._wanted = step, wanted
        pairs = [self._touching(ids)[1] for ids in inputs]
        self._pairs = np.unique(np.concatenate(pairs)) if pairs else np.zeros(0, dtype=np.int64)
        models = self._pairs // max(1, ledger.labels)
        begins = np.searchsorted(models, models)
        self._place = np.arange(models.size) - begins + 1
        self.size = int(self._place.max(initial=0)) + 1

    @property
    def labels(self) -> IntArray:
        """Labels behind the columns from the second on, where there is one model."""
        return self._pairs % max(1, self.ledger.labels)

    def _touching(self, ids: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
        """Give, row by row: which of the inputs, which model and label, how large."""
        ledger = self.ledger
        flat = ids.ravel()
        counts = ledger.first[flat + 1] - ledger.first[flat]
        which = np.repeat(np.arange(flat.size), counts)
        rows = np.repeat(ledger.first[flat], counts) + np.arange(counts.sum()) - np.repeat(
            np.cumsum(counts) - counts, counts)  # fmt: skip
        kept = self._wanted[ledger.label[rows]]
        which, rows = which[kept], rows[kept]
        model = which % ids.shape[-1]
        return which, model * ledger.labels + ledger.label[rows], self._sizes[rows]

    @property
    def _sizes(self) -> FloatArray:
        removed = np.array([base.removed for base in self.ledger.bases])[self.ledger.rows.scale]
        return np.asarray(self.ledger.rows.size * np.sqrt(np.maximum(0.0, 1.0 - removed)))

    def __call__(self, ids: IntArray, part: slice = _ALL) -> FloatArray:
        """Give inputs, shape (..., label)."""
        which, pairs, sizes = self._touching(ids[part])
        moved = np.zeros((ids[part].size, self.size))
        place = np.minimum(np.searchsorted(self._pairs, pairs), max(0, self._pairs.size - 1))
        known = self._pairs[place] == pairs if self._pairs.size else np.zeros(0, dtype=np.bool_)
        where = (which[known], self._place[place[known]])
        np.add.at(moved, where, self._step * sizes[known])
        moved += self.ledger.value[ids[part].ravel()][:, np.newaxis]
        return moved.reshape(*ids[part].shape, self.size)


class Stepped(Still):
    """Inputs of alike models moved one at a time by an infinitesimal imaginary step.

    `slots` says which column moves each array of inputs; inputs that never meet in one result may
    share a column.
    """

    def __init__(self, ledger: Ledger, slots: Mapping[int, IntArray], size: int) -> None:
        super().__init__(ledger)
        self._slots, self.size = slots, size

    def __call__(self, ids: IntArray, part: slice = _ALL) -> FloatArray:
        """Give inputs, shape (..., column)."""
        key = ("input", id(ids), part.start, part.stop)
        return self.remembered(key, lambda: self._stepped(ids, part))

    def _stepped(self, ids: IntArray, part: slice) -> FloatArray:
        moved = self._slots[id(ids)][part][..., np.newaxis] == np.arange(self.size)
        return np.asarray(self.ledger.value[ids[part]][..., np.newaxis] + (1j * STEP) * moved)
