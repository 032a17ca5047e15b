"""Draws by label: one stream a label, the same wherever and whenever it is asked for."""

import numpy as np
import pytest
from scipy import stats

from fanstats.engine.draws import CHUNK, LabelledDraws

# From the first run under this numpy; a change is a change of every published figure.
PINNED = [-0.800961317199, -0.827503521, -2.252218973382]
METER = ("rig", "noise", "shared", "1")


def normals(*label, root=7, size=4, chunk=0):
    return LabelledDraws(root, size, chunk).standard(label, "normal").tolist()


def test_a_label_means_the_same_draws_in_every_version():
    """What a root seed means is part of every published figure: these must never change."""
    assert normals(*METER, size=3) == pytest.approx(PINNED, abs=1e-12)


def test_draws_depend_on_root_label_and_chunk_alone():
    """What else was drawn before does not matter, nor how many draws are asked for."""
    source = LabelledDraws(7, 6)
    source.standard(("something", "else"), "normal")
    source.scale(METER, 5.0)
    assert source.standard(METER, "normal")[:4].tolist() == normals(*METER)
    assert normals(*METER) != normals(*METER, root=8)
    assert normals(*METER) != normals(*METER, chunk=1)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("a", "bc"), ("ab", "c")),
        (("a", ""), ("", "a")),
        (("a", "b"), ("a\x1fb",)),
        (("a\x1fb", "c"), ("a", "b\x1fc")),
        (("a",), ("a", "")),
    ],
)
def test_labels_that_run_together_are_still_different(one, other):
    """Parts of a label are told apart whatever stands in them."""
    assert normals(*one) != normals(*other)


def test_streams_of_neighbouring_labels_are_independent():
    """Labels that differ in one character give uncorrelated draws of the right distribution."""
    source = LabelledDraws(3, 4000)
    drawn = np.array([source.standard((*METER, str(step)), "normal") for step in range(60)])
    correlations = np.corrcoef(drawn)[np.triu_indices(60, 1)] * np.sqrt(4000)
    # 1770 standard normal numbers: their largest is below 4.5 in 99 of 100 cases.
    assert np.abs(correlations).max() < 4.5
    assert stats.kstest(correlations, "norm").pvalue > 1e-3
    assert stats.kstest(drawn.ravel(), "norm").pvalue > 1e-3
    assert stats.kstest(drawn[:, 0] * 1.0, "norm").pvalue > 1e-3


def test_first_draws_of_many_labels_are_one_sample():
    """The first number of each stream is itself a random sample, over labels and over roots."""
    first = [normals("step", str(k), size=1)[0] for k in range(2000)]
    roots = [normals("step", root=k, size=1)[0] for k in range(2000)]
    assert stats.kstest(first, "norm").pvalue > 1e-3
    assert stats.kstest(roots, "norm").pvalue > 1e-3
    assert abs(stats.pearsonr(first[1:], first[:-1]).statistic) < 4 / np.sqrt(2000)


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "u-shaped"])
def test_every_shape_has_mean_zero_and_standard_deviation_one(shape):
    """Errors are standardised: a source's size is its standard uncertainty."""
    drawn = LabelledDraws(1, CHUNK).standard(METER, shape)
    assert abs(drawn.mean()) < 4 / np.sqrt(CHUNK)
    assert abs(drawn.std() - 1.0) < 4 * np.sqrt(2.0 / CHUNK)


def test_scale_follows_chi_square():
    """How wrong an estimated scatter may be: dof over its square is chi-square."""
    drawn = LabelledDraws(1, 5000).scale(METER, 6.0)
    assert stats.kstest(6.0 / drawn**2, "chi2", args=(6,)).pvalue > 1e-3
