"""Land suitability against published rules and sums."""

import numpy as np
import pytest

from siteplanner.suitability.factors import Factor
from siteplanner.suitability.score import class_of, score_species


def rated(*ratings):
    """A species with one factor a rating, on a cell where each factor scores its rating."""
    factors = [
        Factor(f"f{n}", np.array([[0, 100, np.inf, np.inf]], dtype=float), None)
        for n in range(len(ratings))
    ]
    layers = {f"f{n}": np.array([[rating]], dtype=np.float32) for n, rating in enumerate(ratings)}
    return factors, layers, np.ones((1, 1), dtype=bool)


def test_maximum_limitation():
    """FAO Soils Bulletin 32 (1976): the worst class is the whole's; [S1, S2, S1, S3] is S3."""
    got = score_species(*rated(96, 70, 90, 45))
    assert class_of(int(got.score[0, 0]))[0] == "S3"
    assert got.factors[got.limiting[0, 0]].layer == "f3"


@pytest.mark.parametrize(
    ("index", "expected"),
    [
        # Khiddir (1986): Rmin × √(product of the other ratings / 100). The formula is seen second
        # hand; 51.15 and 43.61 are computed from it and from the plain product.
        ("square root", 51.15),
        ("product", 43.61),
        ("limiting", 60),
    ],
)
def test_square_root_and_product_of_ratings(index, expected):
    got = score_species(*rated(95, 85, 60, 90), index=index)
    assert got.score[0, 0] == round(expected)
    assert got.factors[got.limiting[0, 0]].layer == "f2"


def test_product_of_four_factors():
    """Storie index, profile × texture × slope × other: 90, 100, 90, 80 give 64.8 (computed)."""
    assert score_species(*rated(90, 100, 90, 80), index="product").score[0, 0] == 65


def test_the_square_root_index_is_never_below_the_product():
    draw = np.random.default_rng(5)
    for ratings in draw.integers(1, 100, (50, 4)):
        square = score_species(*rated(*ratings), index="square root").score[0, 0]
        assert square >= score_species(*rated(*ratings), index="product").score[0, 0]
