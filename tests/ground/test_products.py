"""Long products done in short ones are the same products."""

import numpy as np
import pytest

from siteplanner.ground.cold import products
from siteplanner.ground.cold.products import thin_product


@pytest.mark.parametrize(
    "shape", [(50, 50, 8193), (8, 8, 65_536), (3, 7, 0), (5, 0, 9), (600, 600, 3)]
)
def test_product_is_the_library_s(shape):
    rows, inner, cols = shape
    draw = np.random.default_rng(3)
    small = draw.normal(size=(rows, inner)).astype(np.float32)
    wide = draw.normal(size=(inner, cols)).astype(np.float32)
    np.testing.assert_allclose(thin_product(small, wide), small @ wide, rtol=1e-4, atol=1e-4)
    turned = np.asfortranarray(wide)
    np.testing.assert_allclose(thin_product(small, turned), small @ wide, rtol=1e-4, atol=1e-4)


def test_no_single_product_is_large(monkeypatch):
    """The library shares out products of more multiplications than that among its threads."""
    done = []

    class Spied:
        def __getattr__(self, name):
            return getattr(np, name)

        @staticmethod
        def matmul(a, b, out):
            done.append(a.shape[-2] * a.shape[-1] * b.shape[-1])
            return np.matmul(a, b, out=out)

    monkeypatch.setattr(products, "np", Spied())
    thin_product(np.ones((50, 50), np.float32), np.ones((50, 8192), np.float32))
    assert 0 < max(done) <= 262_144
