"""Labelled random draws: what a source draws depends on the root seed and its label alone."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeVar

import numpy as np

from fanstats._typing import FloatArray, SeedLike, Shape
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable

__all__ = [
    "CHUNK",
    "Block",
    "Draws",
    "Label",
    "LabelledDraws",
    "OneAtATime",
    "Part",
    "Recorder",
    "Remembering",
    "Unperturbed",
    "root_from",
]

Label = tuple[str, ...]
_Made = TypeVar("_Made")
_Arrays = TypeVar("_Arrays", bound=FloatArray | tuple[Any, ...])

# Numbers kept of the labels used last: what many sittings share stays, a single reading's goes.
_KEPT_NUMBERS = 2**21
_LARGEST_ROOT = 2**128
# Stands between the parts of a label: the unit separator of ASCII, which no table's label holds.
_SEPARATOR: Final = "\x1f"
# Draws of one label come in chunks of this many, each a stream of its own: it bounds the memory
# of a large run and is part of what a root means, so it never changes with block or machine.
CHUNK: Final = 2**16


def root_from(rng: SeedLike) -> int:
    """Turn what the caller passed as `rng` into the root seed of a result.

    Parameters
    ----------
    rng : int, numpy.random.Generator, numpy.random.SeedSequence or None
        An integer is the root itself, so ``rng=int(estimates.root)`` draws a result again. A
        generator or seed sequence gives a root drawn from it; None draws a fresh one.

    Returns
    -------
    int
        At least 0 and below ``2**128``.

    Raises
    ------
    FanstatsError
        If an integer is out of range, or `rng` is something else.

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


class Draws(Protocol):
    """Where perturbations come from: `size` standardised values for any label."""

    size: int
    still: bool  # whether nothing is moved at all: then nobody needs to ask

    def standard(self, label: Label, shape: Shape) -> FloatArray:
        """Give draws of mean 0 and standard deviation 1, shape ``(size,)``."""
        ...

    def scale(self, label: Label, dof: float) -> FloatArray:
        """Give draws of ``sqrt(dof / chi2_dof)``, shape ``(size,)``."""
        ...

    def remembered(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """Give what `make` makes of these draws, made once while it is remembered."""
        ...

    def in_full(self, key: Hashable, make: Callable[[Draws], _Arrays]) -> _Arrays:
        """Give these draws' part of arrays that `make` makes of all draws of a block, once."""
        ...


class _Forgetful:
    """Makes what is asked for anew each time."""

    still = False

    def remembered(self, key: Hashable, make: Callable[[], _Made]) -> _Made:  # noqa: ARG002
        """Give what `make` makes."""
        return make()

    def in_full(self: Draws, key: Hashable, make: Callable[[Draws], _Arrays]) -> _Arrays:  # noqa: ARG002
        """Give what `make` makes."""
        return make(self)


class Remembering:
    """Makes what is asked for once."""

    size: int
    still = False

    def __init__(self) -> None:
        self._made: dict[Hashable, Any] = {}

    def remembered(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """Give what `make` makes of these draws, made once.

        Parameters
        ----------
        key : hashable
            What names it.
        make : callable
            Makes it.

        Returns
        -------
        object
            Not to be changed.
        """
        if key not in self._made:
            self._made[key] = make()
        made: _Made = self._made[key]
        return made

    def in_full(self: Any, key: Hashable, make: Callable[[Draws], _Arrays]) -> _Arrays:
        """Give what `make` makes, made once: these are all draws there are."""
        made: _Arrays = self.remembered(key, lambda: make(self))
        return made


class LabelledDraws(_Forgetful):
    """Monte Carlo draws, one independent stream a label.

    A label is hashed to 128 bits together with the root; adding or reordering labels therefore
    changes nobody else's draws, and two results of one root stay correlated through whatever
    they share.

    Parameters
    ----------
    root : int
        Root seed.
    size : int
        Draws a label, at most `CHUNK`.
    chunk : int
        Which chunk of the draws these are.

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
        """Give draws of mean 0 and standard deviation 1.

        Parameters
        ----------
        label : tuple of str
            The source's own label.
        shape : {"normal", "rectangular", "triangular", "u-shaped"}
            Shape of the distribution.

        Returns
        -------
        ndarray, shape (size,)
            Read-only.
        """
        return self._remember(
            label, shape, lambda: _shaped(self._generator(label), shape, self.size)
        )

    def scale(self, label: Label, dof: float) -> FloatArray:
        """Give draws of ``sqrt(dof / chi2_dof)``: how wrong an estimated scatter may be.

        Parameters
        ----------
        label : tuple of str
            The source's own label.
        dof : float
            Degrees of freedom of the scatter.

        Returns
        -------
        ndarray, shape (size,)
            Read-only.
        """
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


class Block:
    """The draws that a block of models is worked out from, and what is made of all of them.

    Parameters
    ----------
    whole : LabelledDraws
        Where draws come from.

    Examples
    --------
    >>> block = Block(LabelledDraws(root=7, size=4))
    >>> [part.size for part in block.parts(most=3)]
    [2, 2]
    """

    def __init__(self, whole: LabelledDraws) -> None:
        self.whole = whole
        self.made: dict[Hashable, Any] = {}

    def parts(self, most: int) -> list[Part]:
        """Split the draws evenly.

        Parameters
        ----------
        most : int
            Draws of one part at the most.

        Returns
        -------
        list of Part
        """
        size = self.whole.size
        count = -(-size // max(1, most))
        ends = [size * k // count for k in range(count + 1)]
        return [Part(self, start, stop) for start, stop in pairwise(ends)]


class Part(Remembering):
    """Some of the draws of every label: what is worked out stays in a processor's own cache.

    Parameters
    ----------
    block : Block
        All draws.
    start, stop : int
        Which of them.

    Examples
    --------
    >>> block = Block(LabelledDraws(root=7, size=4))
    >>> part = Part(block, 1, 3)
    >>> bool((part.standard(("a",), "normal") == block.whole.standard(("a",), "normal")[1:3]).all())
    True
    """

    def __init__(self, block: Block, start: int, stop: int) -> None:
        super().__init__()
        self._block, self._part = block, slice(start, stop)
        self.start, self.size = start, stop - start

    def standard(self, label: Label, shape: Shape) -> FloatArray:
        """Give draws of mean 0 and standard deviation 1."""
        return self._block.whole.standard(label, shape)[self._part]

    def scale(self, label: Label, dof: float) -> FloatArray:
        """Give draws of ``sqrt(dof / chi2_dof)``."""
        return self._block.whole.scale(label, dof)[self._part]

    def in_full(self, key: Hashable, make: Callable[[Draws], _Arrays]) -> _Arrays:
        """Give these draws' part of arrays made once of all draws of the block."""

        def part() -> _Arrays:
            made = self._block.made
            if key not in made:
                made[key] = make(self._block.whole)
            mine: _Arrays = self._cut(made[key])
            return mine

        return self.remembered(key, part)

    def _cut(self, arrays: Any) -> Any:
        if isinstance(arrays, tuple):
            parts = (self._cut(part) for part in arrays)
            return type(arrays)(*parts) if hasattr(arrays, "_fields") else tuple(parts)
        if arrays is None or arrays.shape[-1:] != (self._block.whole.size,):
            return arrays
        return arrays[..., self._part]


class Unperturbed(_Forgetful):
    """No draws at all: one value a label, zero error. Gives the value at the readings as read.

    Examples
    --------
    >>> Unperturbed().standard(("meter",), "normal")
    array([0.])
    """

    size = 1
    still = True

    def standard(self, label: Label, shape: Shape) -> FloatArray:  # noqa: ARG002 - Draws' face
        """Give one zero."""
        return np.zeros(1)

    def scale(self, label: Label, dof: float) -> FloatArray:  # noqa: ARG002 - Draws' face
        """Give one 1."""
        return np.ones(1)


class Recorder(_Forgetful):
    """No draws, but a list of the labels that were asked for: what a result depends on.

    Attributes
    ----------
    labels : dict
        Shape by label, in the order of first use.
    dof : dict
        Degrees of freedom by label of a scale.

    Examples
    --------
    >>> recorder = Recorder()
    >>> _ = recorder.standard(("meter",), "normal")
    >>> list(recorder.labels)
    [('meter',)]
    """

    size = 1

    def __init__(self) -> None:
        self.labels: dict[Label, Shape] = {}
        self.dof: dict[Label, float] = {}

    def standard(self, label: Label, shape: Shape) -> FloatArray:
        """Note the label; give one zero."""
        self.labels.setdefault(label, shape)
        return np.zeros(1)

    def scale(self, label: Label, dof: float) -> FloatArray:
        """Note the degrees of freedom; give one 1."""
        self.dof.setdefault(label, dof)
        return np.ones(1)


class OneAtATime(_Forgetful):
    """Move one label at a time: along the draws, first nothing, then each label by `step`.

    Parameters
    ----------
    labels : iterable of tuple of str, or mapping of tuple of str to int
        The labels to be moved, in the order of the draws; or the place of each, from 1 on, where
        labels that never meet in one result are moved in the same draw.
    step : float
        By how many standard uncertainties; negative for the other side.

    Examples
    --------
    >>> moved = OneAtATime([("meter",), ("position",)], step=0.5)
    >>> moved.standard(("position",), "normal")
    array([0. , 0. , 0.5])
    """

    def __init__(self, labels: Iterable[Label] | Mapping[Label, int], step: float = 1.0) -> None:
        self._place = (
            dict(labels)
            if isinstance(labels, Mapping)
            else {label: place for place, label in enumerate(labels, start=1)}
        )
        self._step = step
        self.size = max(self._place.values(), default=0) + 1

    def standard(self, label: Label, shape: Shape) -> FloatArray:  # noqa: ARG002 - Draws' face
        """Give zeros but for the label's own place."""
        moved = np.zeros(self.size)
        if label in self._place:
            moved[self._place[label]] = self._step
        return moved

    def scale(self, label: Label, dof: float) -> FloatArray:  # noqa: ARG002 - Draws' face
        """Give ones."""
        return np.ones(self.size)


def _shaped(generator: np.random.Generator, shape: Shape, size: int) -> FloatArray:
    if shape == "normal":
        return generator.standard_normal(size)
    if shape == "rectangular":
        return (2.0 * generator.random(size) - 1.0) * math.sqrt(3.0)
    if shape == "triangular":
        return (generator.random(size) - generator.random(size)) * math.sqrt(6.0)
    return np.cos(math.pi * generator.random(size)) * math.sqrt(2.0)
