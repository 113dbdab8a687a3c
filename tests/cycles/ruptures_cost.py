"""The weighted least-squares cost over compressed atoms, for the searches of `ruptures`."""

import numpy as np
from ruptures.base import BaseCost
from ruptures.exceptions import NotEnoughPoints


class WeightedL2(BaseCost):
    """Sum of squares about the common mean of the atoms [start, end).

    The signal has one row an atom: number of samples, their sum, their sum of squares.
    """

    model = "weighted_l2"
    min_size = 1

    def fit(self, signal):
        self.signal = np.asarray(signal, float)
        self.upto = np.r_[np.zeros((1, 3)), np.cumsum(self.signal, axis=0)]
        return self

    def error(self, start, end):
        if end - start < self.min_size:
            raise NotEnoughPoints
        n, total, squares = self.upto[end] - self.upto[start]
        return squares - total * total / n
