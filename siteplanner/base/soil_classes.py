"""The vocabularies of soil: USDA texture and drainage classes, the texture triangle."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: USDA texture classes, coarse to fine; a layer's code is the place in this list.
TEXTURE_CLASSES = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)


#: USDA natural drainage classes, dry to wet; a layer's code is the place in this list.
DRAINAGE_CLASSES = (
    "excessively drained",
    "somewhat excessively drained",
    "well drained",
    "moderately well drained",
    "somewhat poorly drained",
    "poorly drained",
    "very poorly drained",
)


def texture_class_of(sand: ArrayLike, silt: ArrayLike, clay: ArrayLike) -> NDArray[np.int8]:
    """Texture class of sand, silt and clay (percent by weight), as codes of TEXTURE_CLASSES.

    Any shapes that broadcast; -1 where a share is unknown, negative, or they do not add up to
    100 within 0.5. Rules of the Soil Survey Manual (USDA Handbook 18, 2017).

    >>> [TEXTURE_CLASSES[code] for code in texture_class_of([40, 10], [40, 30], [20, 60])]
    ['loam', 'clay']
    """
    # To a ten-thousandth of a percent, so that binary fractions do not fall beside a border.
    s, z, c = np.broadcast_arrays(
        *(np.round(np.asarray(v, dtype=np.float64), 4) for v in (sand, silt, clay))
    )
    z15, z2 = np.round(z + 1.5 * c, 4), np.round(z + 2 * c, 4)
    rules = {
        "sand": (s > 85) & (z15 < 15),
        "loamy sand": (s >= 70) & (s <= 90) & (z15 >= 15) & (z2 < 30),
        "sandy loam": ((c >= 7) & (c < 20) & (s > 52) & (z2 >= 30))
        | ((c < 7) & (z < 50) & (z2 >= 30)),
        "loam": (c >= 7) & (c < 27) & (z >= 28) & (z < 50) & (s <= 52),
        "silt loam": ((z >= 50) & (c >= 12) & (c < 27)) | ((z >= 50) & (z < 80) & (c < 12)),
        "silt": (z >= 80) & (c < 12),
        "sandy clay loam": (c >= 20) & (c < 35) & (z < 28) & (s > 45),
        "clay loam": (c >= 27) & (c < 40) & (s > 20) & (s <= 45),
        "silty clay loam": (c >= 27) & (c < 40) & (s <= 20),
        "sandy clay": (c >= 35) & (s > 45),
        "silty clay": (c >= 40) & (z >= 40),
        "clay": (c >= 40) & (s <= 45) & (z < 40),
    }
    whole = (s >= 0) & (z >= 0) & (c >= 0) & (np.abs(s + z + c - 100) <= 0.5)
    codes = [TEXTURE_CLASSES.index(name) for name in rules]
    found = np.select(list(rules.values()), codes, default=-1)
    return np.where(whole, found, -1).astype(np.int8)
