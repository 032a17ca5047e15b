"""Sums of squares in order, and what each mean square is expected to hold: array kernels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.special import fdtrc

from fanstats._arguments import number
from fanstats._typing import BoolArray, FloatArray, IntArray
from fanstats.errors import FanstatsError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

    Factors = Mapping[str, Sequence[object] | ArrayLike]

__all__ = ["Anova", "FTest", "analysis_of_variance", "labels_within"]

# Relative size below which a direction counts as already explained by earlier terms.
_RANK: Final = 1e-9
_SAME: Final = 1e-9
_ROUNDED: Final = 1e-13


class FTest(NamedTuple):
    """One term against the mean square that holds everything but it.

    Attributes
    ----------
    ratio : float
        F; NaN where there is nothing to hold it against.
    dof, dof_error : float
        Degrees of freedom; those of the error by Satterthwaite where it is put together.
    p : float
        Chance of so large a ratio where the term does nothing.
    """

    ratio: float
    dof: float
    dof_error: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Anova:
    """An analysis of variance, term by term in the order given.

    Attributes
    ----------
    terms : tuple of str
        Fixed terms, random terms, residual.
    fixed : int
        How many of them are fixed.
    sums_of_squares, dof : ndarray, shape (term,)
        Sequential (type I) sums of squares and their degrees of freedom.
    coefficients : ndarray, shape (term, component)
        How many times each variance component enters the expectation of each mean square.
    balanced : bool
        Whether closed forms equal REML wherever no component is negative.
    bases : tuple of ndarray, shape (reading, dof)
        Orthonormal columns that span each term but the residual.
    indicators : tuple of ndarray, shape (reading, group)
        Which reading belongs to which group, one for each random term but the residual.
    mean : ndarray, shape (reading, column)
        Orthonormal columns of the grand mean.
    """

    terms: tuple[str, ...]
    fixed: int
    sums_of_squares: FloatArray
    dof: FloatArray
    coefficients: FloatArray
    balanced: bool
    bases: tuple[FloatArray, ...]
    indicators: tuple[FloatArray, ...]
    mean: FloatArray

    @property
    def mean_squares(self) -> FloatArray:
        """Mean squares, NaN where a term has no degree of freedom."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.dof > 0, self.sums_of_squares / self.dof, np.nan)

    @property
    def random(self) -> tuple[str, ...]:
        """Names of the variance components, the residual last."""
        return self.terms[self.fixed :]

    @property
    def estimable(self) -> BoolArray:
        """Which variance components have a mean square of their own."""
        return np.asarray(self.dof[self.fixed :] > 0)

    def weights(self) -> FloatArray:
        """Give each component as a sum of mean squares of the random terms.

        Returns
        -------
        ndarray, shape (component, component)
            Row by row, NaN where a component is not estimable.
        """
        can = self.estimable
        wanted = np.full((can.size, can.size), np.nan)
        inner = self.coefficients[self.fixed :][np.ix_(can, can)]
        inverse = np.linalg.inv(inner) if can.any() else inner
        for place, row in zip(np.flatnonzero(can), inverse, strict=True):
            wanted[place] = 0.0
            wanted[place, can] = row
        return wanted

    def components(self) -> FloatArray:
        """Give the raw variance components, negative ones included.

        Returns
        -------
        ndarray, shape (component,)
            NaN where a component is not estimable.
        """
        squares = np.nan_to_num(self.mean_squares[self.fixed :])
        return np.asarray(self.weights() @ squares)

    def expected(self, covariance: FloatArray) -> FloatArray:
        """Give what a known covariance of the readings adds to each mean square.

        Parameters
        ----------
        covariance : ndarray, shape (reading, reading)

        Returns
        -------
        ndarray, shape (term,)
        """
        spanned = np.array([np.sum(basis * (covariance @ basis)) for basis in self.bases])
        rest = np.trace(covariance) - spanned.sum() - np.sum(self.mean * (covariance @ self.mean))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.dof > 0, np.append(spanned, rest) / self.dof, np.nan)

    def test(self, term: str) -> FTest:
        """Test one term against the mean square that is expected alike without it.

        Parameters
        ----------
        term : str
            Name of a term other than the residual.

        Returns
        -------
        FTest
            Where no single mean square will do, one is put together from those of the random
            terms.

        References
        ----------
        Satterthwaite, Biometrics Bulletin 2 (1946) 110-114.
        """
        place = self._place(term)
        wanted = self.coefficients[place].copy()
        if place >= self.fixed:
            wanted[place - self.fixed] = 0.0
        used = (np.abs(wanted) > _SAME) & ~self.estimable
        squares = np.nan_to_num(self.mean_squares[self.fixed :])
        parts = np.nan_to_num(wanted @ np.nan_to_num(self.weights())) * squares
        error = float(parts.sum())
        dof, own = float(self.dof[place]), float(self.mean_squares[place])
        # Parts that round-off leaves of mean squares that cancel take no degrees of freedom.
        parts = np.where(np.abs(parts) > _SAME * np.abs(parts).max(initial=0.0), parts, 0.0)
        if used.any() or not error > 0 or not dof > 0:
            return FTest(np.nan, dof, np.nan, np.nan)
        shares = parts**2 / np.where(self.estimable, self.dof[self.fixed :], 1.0)
        dof_error = error**2 / float(shares.sum())
        ratio = own / error
        return FTest(ratio, dof, dof_error, float(fdtrc(dof, dof_error, ratio)))

    def _place(self, term: str) -> int:
        if term in self.terms[:-1]:
            return self.terms.index(term)
        named = ", ".join(map(repr, self.terms[:-1]))
        msg = f"`term` must be one of {named or 'none (there is only a residual)'}; got {term!r}."
        raise FanstatsError(msg)


def labels_within(*labels: Sequence[object] | ArrayLike) -> list[tuple[str, ...]]:
    """Make labels of groups within groups: unit 1 of model A is not unit 1 of model B.

    Parameters
    ----------
    *labels : sequences of str
        Outermost first, all of one length.

    Returns
    -------
    list of tuple of str

    Examples
    --------
    >>> labels_within(["A", "B"], [1, 1])
    [('A', '1'), ('B', '1')]
    """
    return [tuple(map(str, row)) for row in zip(*map(_as_list, labels), strict=True)]


def _as_list(labels: Sequence[object] | ArrayLike) -> list[object]:
    return labels if isinstance(labels, list) else list(np.asarray(labels).tolist())


def checked_values(values: ArrayLike, least: int = 2) -> FloatArray:
    """Return readings as a one-dimensional array of finite numbers, else raise.

    Parameters
    ----------
    values : array_like
        Readings.
    least : int
        Fewest that will do.

    Returns
    -------
    ndarray, shape (reading,)

    Raises
    ------
    FanstatsError
        If there are too few, or one of them is not finite.
    """
    numbers = np.asarray(values, dtype=np.float64)
    if numbers.ndim != 1 or numbers.size < least:
        msg = f"`values` must be a list of at least {least} numbers; got shape {numbers.shape}."
        raise FanstatsError(msg)
    for place in np.flatnonzero(~np.isfinite(numbers)):
        number(f"values[{place}]", float(numbers[place]), mend="Leave missing readings out.")
    return numbers


def groups_of(name: str, labels: Sequence[object] | ArrayLike, size: int) -> IntArray:
    """Give each reading the number of its group, in order of first appearance.

    Parameters
    ----------
    name : str
        The factor, for messages.
    labels : sequence
        One label a reading.
    size : int
        Number of readings.

    Returns
    -------
    ndarray of int, shape (reading,)

    Raises
    ------
    FanstatsError
        If there is not one label a reading.
    """
    listed = _as_list(labels)
    if len(listed) != size:
        msg = f"Factor {name!r} must hold one label a reading ({size}); got {len(listed)}."
        raise FanstatsError(msg)
    keys = [tuple(entry) if isinstance(entry, (list, tuple)) else entry for entry in listed]
    numbered = {key: place for place, key in enumerate(dict.fromkeys(keys))}
    return np.array([numbered[key] for key in keys], dtype=np.intp)


def _indicator(codes: IntArray) -> FloatArray:
    return np.asarray(codes[:, None] == np.arange(codes.max() + 1), dtype=np.float64)


def _new_directions(columns: FloatArray, earlier: FloatArray) -> FloatArray:
    """Span what the columns add to an earlier orthonormal basis."""
    rest = columns
    for _ in range(2):  # once more, so that round-off of the first pass is taken out too
        rest = rest - earlier @ (earlier.T @ rest)
    u, s, _ = np.linalg.svd(rest, full_matrices=False)
    scale = np.sqrt(np.sum(columns**2, axis=0).max(initial=0.0))
    return np.asarray(u[:, s > _RANK * scale])


def analysis_of_variance(
    values: ArrayLike,
    *,
    fixed: Factors | None = None,
    random: Factors | None = None,
    residual: str = "readings",
) -> Anova:
    """Split the sum of squares of readings, term after term, balanced or not.

    Parameters
    ----------
    values : array_like, shape (reading,)
        Readings.
    fixed : mapping of str to labels, optional
        Factors whose groups are themselves of interest, such as the model.
    random : mapping of str to labels, optional
        Factors whose groups are a sample, outermost first, such as the unit. Make labels that
        are numbered anew within each group with `labels_within`.
    residual : str
        What the rest is called.

    Returns
    -------
    Anova
        The coefficients are those of the unbalanced layout: for one random factor its own
        coefficient is the usual ``n0``.

    Raises
    ------
    FanstatsError
        If a factor has not one label a reading, or a reading is not finite.

    References
    ----------
    Searle, Casella and McCulloch, Variance Components (1992), 3.6 (one way, ``n0``), 5.4
    (Henderson's method 3: sequential sums of squares and their expectations).

    Examples
    --------
    >>> table = analysis_of_variance([30.0, 30.2, 31.0, 31.2, 33.0], random={"unit": "aabbc"})
    >>> table.dof, round(float(table.coefficients[0, 0]), 2)
    (array([2., 2.]), 1.6)
    """
    numbers = checked_values(values)
    fixed, random = dict(fixed or {}), dict(random or {})
    _check_names([*fixed, *random, residual])
    size = numbers.size
    columns = {
        name: _indicator(groups_of(name, _split(labels), size))
        for name, labels in {**fixed, **random}.items()
    }
    mean = np.full((size, 1), 1.0 / np.sqrt(size))
    # A sum of squares does not change with the origin: near zero it loses no digits.
    centred = numbers - numbers[0]
    centred = centred - centred.mean()
    bases: list[FloatArray] = []
    for indicator in columns.values():
        bases.append(_new_directions(indicator, np.hstack([mean, *bases])))
    fitted = [basis @ (basis.T @ centred) for basis in bases]
    left = centred - np.sum(fitted, axis=0) if fitted else centred
    squares = np.array([float(part @ part) for part in (*fitted, left)])
    # What rounding leaves where readings are alike is nothing.
    squares[squares < (_ROUNDED * size * np.abs(centred).max()) ** 2] = 0.0
    dof = [float(basis.shape[1]) for basis in bases]
    indicators = tuple(columns[name] for name in random)
    rest = float(size) - 1.0 - sum(dof)
    return Anova(
        terms=(*fixed, *random, residual),
        fixed=len(fixed),
        sums_of_squares=np.where(np.array([*dof, rest]) > 0, squares, 0.0),
        dof=np.array([*dof, rest]),
        coefficients=_coefficients(bases, indicators, rest),
        balanced=_is_balanced([mean, *bases], indicators, len(fixed)),
        bases=tuple(bases),
        indicators=indicators,
        mean=mean,
    )


def _split(labels: Sequence[object] | ArrayLike) -> Sequence[object] | ArrayLike:
    return list(labels) if isinstance(labels, str) else labels


def _check_names(names: list[str]) -> None:
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        msg = f"Factors and residual must have names of their own; {twice[0]!r} stands twice."
        raise FanstatsError(msg)


def _coefficients(
    bases: list[FloatArray], indicators: tuple[FloatArray, ...], rest: float
) -> FloatArray:
    """Find expectations by traces of the projections; the residual enters every one once."""
    table = np.ones((len(bases) + 1, len(indicators) + 1))
    table[-1, :-1] = 0.0
    for row, basis in enumerate(bases):
        for column, indicator in enumerate(indicators):
            held = np.sum((basis.T @ indicator) ** 2)
            table[row, column] = held / max(basis.shape[1], 1)
    for column, indicator in enumerate(indicators):
        spanned = sum(np.sum((basis.T @ indicator) ** 2) for basis in bases)
        total = indicator.sum() - np.sum(indicator.sum(axis=0) ** 2) / indicator.shape[0]
        # A later random term may hold groups that the residual cuts across (crossed factors).
        left = float(total - spanned)
        table[-1, column] = left / rest if rest > 0 and abs(left) > _SAME * total else 0.0
    return np.where(np.abs(table) > _SAME, table, 0.0)


def _is_balanced(bases: list[FloatArray], indicators: tuple[FloatArray, ...], fixed: int) -> bool:
    """Say whether every random term treats each direction of each stratum alike."""
    strata = [np.hstack(bases[: fixed + 1]), *bases[fixed + 1 :]]
    for indicator in indicators:
        held = [basis.T @ indicator for basis in strata]
        for row, part in enumerate(held):
            own = part @ part.T
            # The fixed part may be treated in any way that stays within it.
            if row and own.size and not np.allclose(own, own[0, 0] * np.eye(len(own)), atol=1e-7):
                return False
            if any(not np.allclose(part @ other.T, 0.0, atol=1e-7) for other in held[row + 1 :]):
                return False
    return True
