"""Products of a small matrix with a long one that keep to one thread."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Most multiplications that OpenBLAS, numpy's usual library, does in one thread (version 0.3.31;
#: seen: it shares out four times as many, and takes ten times as long on two busy cores).
_ONE_THREAD = 262_144


def thin_product(small: NDArray[np.float32], wide: NDArray[np.float32]) -> NDArray[np.float32]:
    """Matrix product (m, n) of ``small`` (m, k) and ``wide`` (k, n), n many times k.

    Threads that wait for each other on a busy machine cost more than such a product is worth, so
    it is made of products too small for the library to share out.
    """
    out = np.empty((len(small), wide.shape[1]), dtype=np.float32)
    run = max(1, _ONE_THREAD // max(small.size, 1))
    whole = wide.shape[1] // run * run

    def runs(values: NDArray[np.float32]) -> NDArray[np.float32]:
        """View runs of columns, one after the other, so that numpy goes through them itself."""
        count = whole // run
        return values[:, :whole].reshape(len(values), count, run).transpose(1, 0, 2)

    np.matmul(small, runs(wide), out=runs(out))
    np.matmul(small, wide[:, whole:], out=out[:, whole:])
    return out
