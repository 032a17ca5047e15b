"""Groups of models that cannot be told apart, right also where that is not transitive."""

from __future__ import annotations

import string
from typing import Final

import numpy as np

from fanstats._typing import BoolArray

__all__ = ["group_letters", "largest_groups"]

_MOST_GROUPS: Final = 5_000
_LETTERS: Final = string.ascii_lowercase + string.ascii_uppercase


def largest_groups(alike: BoolArray, *, most: int = _MOST_GROUPS) -> list[tuple[int, ...]]:
    """All sets of models that are alike each with each and can take no further model.

    Parameters
    ----------
    alike : ndarray of bool, shape (models, models)
        Symmetric: whether two models cannot be told apart. The diagonal is ignored.
    most : int
        Beyond so many sets (no chart of one bench comes near) only as many are given as are
        needed for every pair that is alike to stand in one of them.

    Returns
    -------
    list of tuple of int
        Members in rising order; sets sorted by their members. A model that differs from all
        others forms a set of its own.

    References
    ----------
    Bron, C. and Kerbosch, J. (1973), Algorithm 457, Communications of the ACM 16(9), 575-577, with
    the pivot of Tomita, E. et al. (2006), Theoretical Computer Science 363, 28-42.

    Examples
    --------
    A is like B and B like C, but A is not like C:

    >>> alike = np.array([[1, 1, 0], [1, 1, 1], [0, 1, 1]], dtype=bool)
    >>> largest_groups(alike)
    [(0, 1), (1, 2)]
    """
    neighbours = _as_bits(alike)
    found = _enumerate(neighbours, most)
    if found is None:
        found = _cover(neighbours)
    return sorted(_members(group) for group in found)


def _as_bits(alike: BoolArray) -> list[int]:
    packed = np.packbits(alike, axis=1, bitorder="little")
    rows = [int.from_bytes(row.tobytes(), "little") for row in packed]
    return [row & ~(1 << place) for place, row in enumerate(rows)]


def _members(group: int) -> tuple[int, ...]:
    members = []
    while group:
        lowest = group & -group
        members.append(lowest.bit_length() - 1)
        group ^= lowest
    return tuple(members)


def _enumerate(neighbours: list[int], most: int) -> list[int] | None:
    found: list[int] = []
    waiting = [(0, (1 << len(neighbours)) - 1, 0)]
    while waiting:
        group, candidates, done = waiting.pop()
        if not candidates:
            if not done and group:
                found.append(group)
                if len(found) > most:
                    return None
            continue
        for place in _members(candidates & ~_pivot(neighbours, candidates, done)):
            bit = 1 << place
            near = neighbours[place]
            waiting.append((group | bit, candidates & near, done & near))
            candidates &= ~bit
            done |= bit
    return found


def _pivot(neighbours: list[int], candidates: int, done: int) -> int:
    """Neighbours of the model that is alike to the most candidates."""
    most, best, waiting = -1, 0, candidates | done
    enough = candidates.bit_count() - 1
    while waiting:
        lowest = waiting & -waiting
        waiting ^= lowest
        near = neighbours[lowest.bit_length() - 1]
        common = (near & candidates).bit_count()
        if common > most:
            most, best = common, near
            if most >= enough:
                break
    return best


def _cover(neighbours: list[int]) -> list[int]:
    groups: set[int] = set()
    covered = [0] * len(neighbours)
    for first, near in enumerate(neighbours):
        if not near:
            groups.add(1 << first)
        while open_pairs := near & ~covered[first]:
            group, common = 1 << first, near
            while common:
                wanted = common & open_pairs or common
                bit = wanted & -wanted
                group |= bit
                common &= neighbours[bit.bit_length() - 1]
            groups.add(group)
            for member in _members(group):
                covered[member] |= group
    return list(groups)


def group_letters(groups: list[tuple[int, ...]], count: int) -> list[str]:
    """Letters for a table: two models share one exactly when they stand in a group together.

    Parameters
    ----------
    groups : list of tuple of int
        As `largest_groups` gives them; the first gets the letter a.
    count : int
        Number of models.

    Returns
    -------
    list of str
        Letters from a to z, then A to Z. With more groups than that, their numbers with spaces
        between.

    References
    ----------
    Piepho, H.-P. (2004), An algorithm for a letter-based representation of all-pairwise
    comparisons, Journal of Computational and Graphical Statistics 13(2), 456-466.

    Examples
    --------
    >>> group_letters([(0, 1), (1, 2)], 3)
    ['a', 'ab', 'b']
    """
    lettered = len(groups) <= len(_LETTERS)
    marks: list[list[str]] = [[] for _ in range(count)]
    for number, group in enumerate(groups):
        for member in group:
            marks[member].append(_LETTERS[number] if lettered else str(number + 1))
    return [("" if lettered else " ").join(mark) for mark in marks]
