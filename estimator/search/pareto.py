"""The approaches of which none is better in every respect: less bone, more reach, more of the joints."""

from __future__ import annotations

import numpy as np

from canalwise.recon.errors import WrongUse
from canalwise.recon.grid import Float
from canalwise.recon.labels import Mask

Order = np.ndarray[tuple[int], np.dtype[np.intp]]


def non_dominated(losses: Float) -> Mask:
    """(A,) array: which rows of (A, K) losses no other row beats, being nowhere greater and somewhere less.

    Equal rows beat none of each other. Rows are gone through from the least sum on: what beats a row has a smaller
    sum, so each row is held against those kept before it only.

    >>> non_dominated(np.array([[1.0, 5.0], [2.0, 2.0], [3.0, 3.0]])).tolist()
    [True, True, False]
    """
    if np.isnan(losses).any():
        raise WrongUse("'losses'", "must be numbers")
    rows, inverse = np.unique(losses, axis=0, return_inverse=True)
    # ranks sum without rounding; they keep every comparison
    ranks = np.stack([np.unique(column, return_inverse=True)[1] for column in rows.T], axis=1)
    best = np.zeros(len(rows), dtype=bool)
    kept = np.empty_like(ranks)
    count = 0
    for row in np.argsort(ranks.sum(axis=1), kind="stable"):
        if not (kept[:count] <= ranks[row]).all(axis=1).any():
            kept[count], best[row] = ranks[row], True
            count += 1
    return best[inverse.reshape(-1)]


def thinned(losses: Float, count: int) -> Order:
    """Indices of at most `count` rows of (A, K) losses, spread over them, in rising order of the first loss.

    The row that is best in each respect is kept; the others are added one by one, each the one farthest from those
    kept, every loss measured in its own range. Equal rows are not kept twice where there are too many.

    >>> thinned(np.array([[0.0, 9.0], [1.0, 8.5], [5.0, 5.0], [9.0, 0.0]]), 3).tolist()
    [0, 2, 3]
    """
    if len(losses) <= count:
        return np.argsort(losses[:, 0], kind="stable")
    span = np.ptp(losses, axis=0)
    scaled = losses / np.where(span > 0, span, 1.0)
    chosen = list(dict.fromkeys(int(i) for i in losses.argmin(axis=0)))[:count]
    apart = np.min([np.linalg.norm(scaled - scaled[i], axis=1) for i in chosen], axis=0)
    while len(chosen) < count and apart.max() > 0:
        chosen.append(int(apart.argmax()))
        apart = np.minimum(apart, np.linalg.norm(scaled - scaled[chosen[-1]], axis=1))
    return np.array(sorted(chosen, key=lambda i: losses[i, 0]), dtype=np.intp)
