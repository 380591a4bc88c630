"""Who stands where: species put on planting places so that each zone's numbers come out exactly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.planting.mix.transport import assign

#: Values are whole numbers, so that sums are exact: steps a points of suitability.
_STEPS = 16
#: What standing where it may not stand costs a species, in steps: more than any chain gains.
_NEVER = -(2**20)
#: Points of suitability that a place's chance taste may sway, either way.
SWAY = 12.0


def place_species(
    scores: NDArray[np.floating],
    trees: NDArray[np.int64],
    seed: int,
    taste: NDArray[np.float32] | None = None,
) -> NDArray[np.int64]:
    """Give places a species so that the numbers come out exactly; -1 where one stays empty.

    ``scores`` (places, species) is the suitability 0-100, NaN where a species may not stand;
    ``trees`` (species,) the numbers, at most as many as places. The sum of the scores, swayed by
    up to ``SWAY`` points, is the greatest possible. The sway mixes species where several fit alike:
    ``taste`` (places, species) from -1 to 1, or chance by ``seed``. Raises ``ValueError``
    where there are more trees than places.
    """
    places = len(scores)
    empty = places - int(trees.sum())
    if empty < 0:
        raise ValueError(f"{trees.sum()} trees for {places} places")
    used = np.flatnonzero(trees)
    number = np.append(trees[used], empty).astype(np.int64)
    if taste is None:
        taste = chance(scores.shape, seed)
    value = np.zeros((places, len(used) + 1), dtype=np.int32)
    for column, kind in enumerate(used):
        worth = scores[:, kind] + SWAY * taste[:, kind]
        known = np.isfinite(worth)
        value[:, column] = np.where(known, np.rint(np.where(known, worth, 0) * _STEPS), _NEVER)
    # An empty place is worth nothing by itself; which places stay empty the others decide.
    choice = assign(value, number)
    return np.append(used, -1)[choice]


def chance(shape: tuple[int, ...], seed: int) -> NDArray[np.float32]:
    """Even chance from -1 to 1, the same for the same seed."""
    random = np.random.Generator(np.random.PCG64(seed))
    return random.random(shape, dtype=np.float32) * 2 - 1


def clumped(
    x: NDArray[np.float64], y: NDArray[np.float64], across_m: float, seed: int
) -> NDArray[np.float32]:
    """A taste from -1 to 1 that is alike over about ``across_m`` metres: like stands with like.

    A sum of waves of random direction (spectral simulation of a random field, textbook method).
    """
    random = np.random.Generator(np.random.PCG64(seed))
    waves = 24
    turn = random.random(waves) * 2 * np.pi
    # Half a wave is a clump; lengths vary so that no pattern shows.
    pace = np.pi / (across_m * random.uniform(0.8, 1.6, waves))
    start = random.random(waves) * 2 * np.pi
    total = np.zeros(len(x))
    for a, p, s in zip(turn, pace, start, strict=True):
        total += np.cos(p * (x * np.cos(a) + y * np.sin(a)) + s)
    return np.clip(total / np.sqrt(2 * waves), -1, 1).astype(np.float32)
