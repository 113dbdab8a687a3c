"""Groups of points that the data themselves set apart; one group unless they demand more."""

from __future__ import annotations

import warnings
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sklearn.mixture import GaussianMixture

MOST_PARTS = 8
MOST_FOR_START = 1000  # points from which a first guess is made; its memory grows with the square
# Two parts of a mixture are one group unless its density falls between them to less than this
# share of the lower top (Hennig 2010, section 4.2, who suggests 0.2).
DIP = 0.2
POINTS_BETWEEN = 51
# Covariances: one for all parts, one each, or one each without correlations.
FORMS = ("tied", "diag", "full")


def find_groups(points: NDArray[np.float64]) -> NDArray[np.int64]:
    """Number the group of each point.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        In units of what two points of one group may differ by in any case, so that 1 is nothing.

    Returns
    -------
    ndarray of int, shape (n,)
        Groups in the order of their first points. The same whatever the order of the points.

    Notes
    -----
    A mixture of normal distributions is fitted with 1 to 8 parts, whose variances are at least 1,
    and the number with the least Bayesian information criterion is taken (Schwarz 1978, Ann.
    Statist. 6, 461-464). A skewed or flat group needs several parts, so parts are joined again
    unless the density has a dip between them: C. Hennig, Methods for merging Gaussian mixture
    components, Adv. Data Anal. Classif. 4 (2010) 3-34, the ridgeline ratio. No random numbers: the
    first guess is a tree of least variance (Ward 1963), cut into so many parts. O(n d²) for each
    step of the fit.
    """
    from threadpoolctl import threadpool_limits

    n = len(points)
    if n < 2 or not np.ptp(points, axis=0).any():
        return np.zeros(n, np.int64)
    order = np.lexsort(points.T[::-1])
    ordered = points[order]
    # Matrices are small: further threads only wait for each other.
    with threadpool_limits(1):
        group = _groups(ordered)
    found = np.empty(n, np.int64)
    found[order] = group
    _, first, at = np.unique(found, return_index=True, return_inverse=True)
    return np.argsort(np.argsort(first))[at].astype(np.int64)


def _groups(ordered: NDArray[np.float64]) -> NDArray[np.int64]:
    """Group of each point, in any order of groups."""
    n = len(ordered)
    starts = _first_guess(ordered)
    best = None
    for parts, form in product(range(1, min(MOST_PARTS, n) + 1), FORMS):
        model = _fitted(ordered, starts, parts, form)
        if model is None:
            continue
        criterion = model.bic(ordered)
        if best is None or criterion < best[0]:
            best = criterion, model
    assert best is not None
    model = best[1]
    return _joined(model)[model.predict(ordered)]


def _first_guess(ordered: NDArray[np.float64]) -> tuple[NDArray, NDArray]:
    """A sample of the points, and the tree that joins them."""
    from scipy.cluster.hierarchy import ward

    every = -(-len(ordered) // MOST_FOR_START)
    sample = ordered[::every]
    return sample, ward(sample)


def _fitted(
    ordered: NDArray[np.float64], starts: tuple[NDArray, NDArray], parts: int, form: str
) -> GaussianMixture | None:
    from scipy.cluster.hierarchy import fcluster
    from sklearn.exceptions import ConvergenceWarning
    from sklearn.mixture import GaussianMixture

    sample, tree = starts
    part = fcluster(tree, parts, criterion="maxclust")
    if part.max() < parts:
        return None
    inside = [sample[part == k] for k in range(1, parts + 1)]
    d = ordered.shape[1]
    scatter = np.array([np.cov(x.T, bias=True).reshape(d, d) + np.eye(d) for x in inside])
    weights = np.array([len(x) for x in inside]) / len(sample)
    if form == "tied":
        precisions = np.linalg.inv(np.tensordot(weights, scatter, axes=1))
    elif form == "diag":
        precisions = 1 / np.diagonal(scatter, axis1=1, axis2=2)
    else:
        precisions = np.linalg.inv(scatter)
    model = GaussianMixture(
        parts,
        covariance_type=form,
        reg_covar=1.0,
        tol=1e-4,
        max_iter=300,
        weights_init=weights,
        means_init=np.array([x.mean(axis=0) for x in inside]),
        precisions_init=precisions,
        random_state=0,  # nothing is drawn
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        return model.fit(ordered)


def _joined(model: GaussianMixture) -> NDArray[np.int64]:
    """Group of each part: parts without a dip between them are one."""
    parts, d = model.means_.shape
    precisions = {
        "full": lambda: model.precisions_,
        "tied": lambda: np.broadcast_to(model.precisions_, (parts, d, d)),
        "diag": lambda: model.precisions_[:, :, None] * np.eye(d),
    }[model.covariance_type]()
    group = np.arange(parts)
    for i in range(parts):
        for j in range(i):
            line = _ridge(model.means_[[i, j]], precisions[[i, j]])
            density = model.score_samples(line)
            if density.min() - min(density[0], density[-1]) > np.log(DIP):
                group[group == group[i]] = group[j]
    return group


def _ridge(means: NDArray[np.float64], precisions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points from one mean to the other along the ridge of two normal parts.

    S. Ray & B. Lindsay, The topography of multivariate normal mixtures, Ann. Statist. 33 (2005)
    2042-2065, equation 4: all tops and saddles of the two lie on it.
    """
    share = np.linspace(0.0, 1.0, POINTS_BETWEEN)[:, None, None]
    sharp = (1 - share) * precisions[0] + share * precisions[1]
    pull = (1 - share[:, 0]) * (precisions[0] @ means[0]) + share[:, 0] * (precisions[1] @ means[1])
    return np.linalg.solve(sharp, pull[:, :, None])[:, :, 0]
