"""A noise value to publish for a model from a few samples, and what it truly covers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from fanstats._arguments import number
from fanstats.errors import FanstatsError, one_of
from fanstats.sources import Source
from fanstats.spread.measured_bench import own_spread
from fanstats.tabled import Told
from fanstats.wording import per_hundred, samples_words

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["DeclaredValue", "Verification", "declared_value", "verify_declared"]

# ISO 7574-4: a batch with 6.5 % above the declared value passes a check of three samples 95 times
# in 100. The printed constants 1.5 and 0.564 are rounded from these quantiles.
SHARE_BELOW: Final = 0.935
ACCEPTED: Final = 0.95
_K_BATCH: Final = 1.5
_SAMPLES_CHECKED: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class DeclaredValue(Told):
    """A value to publish, and what stands behind it.

    Attributes
    ----------
    declared : float
        The value, rounded once.
    mean : float
        Arithmetic mean of the samples' levels, for comparing products.
    adder : float
        What was added before rounding.
    about : {"this sample", "model"}
        What the value speaks of.
    samples : int
        Samples tested.
    sigma_total : float
        Reproducibility and production together, one standard deviation.
    covers_next : float
        Chance that the next sample, tested anew, reads no more than the unrounded value: the mean
        of few samples is itself uncertain.
    covers_batch : float
        Share of the model's samples below it if the mean were exact.
    adder_needed : float
        What would have to be added for the next sample to stay below 93.5 times in 100.
    borrowed : bool
        Whether the spread was borrowed, not estimated from these samples.
    dof : float
        Degrees of freedom of the spread.
    units : str
    """

    declared: float
    mean: float
    adder: float
    about: Literal["this sample", "model"]
    samples: int
    sigma_total: float
    covers_next: float
    covers_batch: float
    adder_needed: float
    borrowed: bool
    dof: float
    units: str = "dB"

    def sentence(self) -> str:
        """Say what the value promises.

        Returns
        -------
        str
        """
        head = (
            f"{self.declared:g} {self.units} = mean {self.mean:.1f} of "
            f"{samples_words(self.samples)} + {self.adder:.1f}"
        )
        warn = "A declaration is an accredited laboratory's; local codes prevail."
        if self.about == "this sample":
            return (
                f"{head}: it speaks of this sample alone, which reads no more when tested again "
                f"95 times in 100. Of the next sample it says nothing. {warn}"
            )
        origin = "a spread that was borrowed" if self.borrowed else "the spread of these samples"
        return (
            f"{head}: with {origin}, the one you would buy reads no more "
            f"{per_hundred(self.covers_next)} times in 100 before rounding (93.5 would take "
            f"{self.adder_needed:.1f} {self.units} on top of the mean). {warn}"
        )


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Verification(Told):
    """A check of a declared value.

    Attributes
    ----------
    passed : bool
        Whether the declared value is verified.
    mean, limit : float
        Arithmetic mean of the check, and what it had to stay within.
    samples : int
        Samples checked.
    """

    passed: bool
    mean: float
    limit: float
    samples: int

    def sentence(self) -> str:
        """Say how the check went.

        Returns
        -------
        str
        """
        what = samples_words(self.samples)
        verdict = "verified" if self.passed else "not verified"
        return (
            f"The declared value is {verdict} by {what}: mean {self.mean:.2f} dB, which had to "
            f"stay within {self.limit:.2f} dB."
        )


def declared_value(
    levels: ArrayLike,
    *,
    sigma_R: float,
    sigma_P: float | Source | None = None,
    sigma_M: float | None = None,
    about: Literal["this sample", "model"] = "model",
    dof: float = math.inf,
    borrowed: bool = True,
    decimals: int = 0,
    units: str = "dB",
) -> DeclaredValue:
    """Give a noise value to publish from one to a few samples.

    Parameters
    ----------
    levels : array_like
        One level a sample, dB: each sample's own mean.
    sigma_R : float
        Standard deviation of reproducibility of the measurement, dB.
    sigma_P : float or Source, optional
        Standard deviation of production (sample luck), dB; needed for a model. It cannot come
        from one sample: borrow it from the family, or estimate it with `unit_spread` and pass
        ``found.bench.spread.noise``, which brings its degrees of freedom.
    sigma_M : float, optional
        Reference standard deviation the test code fixes for the family; by default the total
        itself.
    about : {"model", "this sample"}
        A batch, or one machine alone.
    dof : float
        Degrees of freedom of the spread, for what it covers; those of a source by default.
    borrowed : bool
        Whether `sigma_P` comes from elsewhere than these samples.
    decimals : int
        Decimals of the published value; the sum is rounded once, halves up.
    units : str

    Returns
    -------
    DeclaredValue

    Raises
    ------
    FanstatsError
        If a number is out of its range, or a model's value is asked for without a spread.

    Notes
    -----
    One machine: ``L + 1.645 sigma_R``. Batch: ``mean + 1.5 sigma_t + 0.564 (sigma_M - sigma_t)``,
    ``sigma_t`` the root of the sum of squares of both. The rule makes a later check of three
    samples pass 95 times in 100; it does *not* put 93.5 % of samples below the value when the
    mean is that of few samples. Both shares are given.

    References
    ----------
    ISO 4871:1996, A.2.2 (one machine) and A.2 (batches); ISO 7574-4:1985; ISO 9296:2017. The
    batch formula is quoted from memory; its constants follow from the acceptance rule printed
    in the Austrian transposition of 86/594/EEC.

    Examples
    --------
    >>> found = declared_value([34.2, 35.0, 35.8], sigma_R=1.5, sigma_P=0.8, sigma_M=2.0)
    >>> found.declared, round(found.adder, 2)
    (38.0, 2.72)
    """
    one_of("about", about, ["model", "this sample"])
    samples = _levels(levels)
    mean = float(samples.mean())
    reproducibility = number("sigma_R", sigma_R, at_least=0)
    freedom = number("dof", dof, above=0, infinite=True)
    if about == "this sample":
        if samples.size > 1:
            msg = f"about='this sample' takes one level; got {samples.size}. Use about='model'."
            raise FanstatsError(msg)
        total, adder = reproducibility, float(ndtri(ACCEPTED)) * reproducibility
    else:
        if sigma_P is None:
            msg = (
                "`sigma_P` must be given for a model: sample luck cannot be told from "
                f"{samples.size} sample{'s' if samples.size > 1 else ''} here. Borrow it from "
                "the family or take it from unit_spread; 0 must be written."
            )
            raise FanstatsError(msg)
        production, own = _production(sigma_P)
        total = math.hypot(reproducibility, production)
        if math.isfinite(own) and math.isinf(freedom):
            # Satterthwaite; the reproducibility beside it counts as known.
            freedom = own * (total / production) ** 4
        reference = total if sigma_M is None else number("sigma_M", sigma_M, at_least=0)
        adder = _K_BATCH * total + round(acceptance_constant(3), 3) * (reference - total)
    scale = 10.0 ** int(decimals)
    return DeclaredValue(
        declared=math.floor((mean + adder) * scale + 0.5 + 1e-9) / scale,
        mean=mean,
        adder=adder,
        about=about,
        samples=int(samples.size),
        sigma_total=total,
        covers_next=_covers_next(adder, total, samples.size, freedom),
        covers_batch=float(ndtr(adder / total)) if total > 0 else float(adder >= 0),
        adder_needed=_adder_needed(total, samples.size, freedom),
        borrowed=borrowed,
        dof=freedom,
        units=units,
    )


def _production(spread: float | Source) -> tuple[float, float]:
    """Give the standard deviation that is stated, dB, and its degrees of freedom."""
    if not isinstance(spread, Source):
        return number("sigma_P", spread, at_least=0), math.inf
    if spread.relative > 0:
        msg = f"`sigma_P` must be a spread of noise, in dB; got {spread.stated}."
        raise FanstatsError(msg)
    return own_spread(spread)


def _levels(levels: ArrayLike) -> np.ndarray:
    values = np.atleast_1d(np.asarray(levels, dtype=np.float64))
    if values.ndim != 1 or values.size == 0 or not np.isfinite(values).all():
        msg = f"`levels` must be one finite level a sample; got {values.tolist()}."
        raise FanstatsError(msg)
    return values


def acceptance_constant(samples: int) -> float:
    """Give how many reference standard deviations a check's mean must stay below the value.

    Parameters
    ----------
    samples : int
        Samples checked.

    Returns
    -------
    float
        0.564 for three.

    Examples
    --------
    >>> round(acceptance_constant(3), 4)
    0.5644
    """
    return float(ndtri(SHARE_BELOW) - ndtri(ACCEPTED) / math.sqrt(samples))


def _covers_next(adder: float, total: float, samples: int, dof: float) -> float:
    if total == 0:
        return float(adder >= 0)
    ratio = adder / (total * math.sqrt(1.0 + 1.0 / samples))
    return float(ndtr(ratio) if math.isinf(dof) else stdtr(dof, ratio))


def _adder_needed(total: float, samples: int, dof: float) -> float:
    factor = float(ndtri(SHARE_BELOW) if math.isinf(dof) else stdtrit(dof, SHARE_BELOW))
    return factor * total * math.sqrt(1.0 + 1.0 / samples)


def verify_declared(
    declared: float, levels: ArrayLike, *, sigma_M: float | None = None
) -> Verification:
    """Check a declared value on one sample, or on a few drawn at random.

    Parameters
    ----------
    declared : float
        The published value, dB.
    levels : array_like
        One level a sample checked.
    sigma_M : float, optional
        Reference standard deviation of the family, needed for a batch.

    Returns
    -------
    Verification

    Raises
    ------
    FanstatsError
        If a batch is checked without `sigma_M`.

    References
    ----------
    ISO 4871:1996, 6.2 (one machine); ISO 7574-4:1985 (three samples: arithmetic mean at least
    0.564 sigma_M below). For other numbers of samples the same acceptance rule is used.

    Examples
    --------
    >>> verify_declared(38, [36.4, 36.9, 37.2], sigma_M=2.0).passed
    True
    """
    value, samples = number("declared", declared), _levels(levels)
    limit = value
    if samples.size > 1:
        if sigma_M is None:
            msg = f"`sigma_M` must be given to check a batch ({samples.size} samples)."
            raise FanstatsError(msg)
        constant = acceptance_constant(samples.size)
        constant = round(constant, 3) if samples.size == _SAMPLES_CHECKED else constant
        limit = value - constant * number("sigma_M", sigma_M, at_least=0)
    mean = float(samples.mean())
    return Verification(passed=mean <= limit, mean=mean, limit=limit, samples=int(samples.size))
