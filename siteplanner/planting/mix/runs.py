"""Runs: species stand three to five of a kind along a row, by numbers that stay as they are.

A crew can follow "4 of this, 3 of that"; it cannot follow a species a tree. Rows are cut in pieces
of three to five places, and the pieces are dealt out among the species of a block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from siteplanner.planting.mix.assign import SWAY, chance
from siteplanner.planting.mix.transport import assign

RUN = 4
"""Trees of a kind that stand beside each other, give or take one (common practice, no source)."""
_STEPS = 16
_NEVER = -(2**20)
#: Points for a pioneer on its turn, and for another species on its own, so that they are spread.
_SPREAD = 20.0
_GOLDEN = 0.6180339887498949
#: Points that a species is worth less where it may stand in a part of a piece alone.
_BROKEN = 60.0
#: Points of suitability, of one tree, that a pioneer beside a tree is worth.
_NURSED = 10.0
#: Points that may be lost where two pieces change places, so that a species follows another.
_DIFFERS = 25.0


def in_runs(
    kinds: NDArray[np.int64],
    row: NDArray[np.int64],
    block: NDArray[np.int64],
    scores: NDArray[np.floating],
    pioneer: NDArray[np.bool_],
    xy: NDArray[np.float64],
    beside_m: float,
) -> NDArray[np.int64]:
    """Put the species of each block in runs along its rows; their numbers stay as they are.

    ``kinds`` (places,) is -1 where a place stays empty; ``row`` (places,) numbers the rows within
    each ``block``, the places of a row in walking order; ``scores`` (places, species) are NaN where
    a species may not stand, and none comes to stand there: not at a wet end, in frost or under a
    line. Rows are cut into pieces of three to five places, which go to species so that suitability
    is greatest, pioneers (``pioneer`` (species,)) among the others, and no species follows itself
    where that costs little. Then pieces change places so that more trees have a pioneer within
    ``beside_m``, ``xy`` (places, 2) being where they stand. Pieces that do not come out even, or
    where no one species may stand
    throughout, are shared.
    """
    out = kinds.copy()
    planted = np.flatnonzero(kinds >= 0)
    order = planted[np.lexsort((np.arange(len(kinds))[planted], row[planted], block[planted]))]
    for number in np.unique(block[order]):
        mine = order[block[order] == number]
        near = cKDTree(xy[mine]).query_pairs(beside_m, output_type="ndarray")
        out[mine] = _of_block(kinds[mine], row[mine], scores[mine], pioneer, near, int(number))
    return out


def _of_block(
    kinds: NDArray[np.int64],
    row: NDArray[np.int64],
    scores: NDArray[np.floating],
    pioneer: NDArray[np.bool_],
    near: NDArray[np.int64],
    seed: int,
) -> NDArray[np.int64]:
    """Deal one block's species (places,) out anew; places come row by row as they are walked."""
    used, own = np.unique(kinds, return_inverse=True)
    if len(used) < 2:
        return kinds
    may = np.isfinite(scores[:, used])
    may[np.arange(len(kinds)), own] = True  # what stands there now may stand there
    piece = _pieces(row)
    first = np.flatnonzero(np.r_[True, np.diff(piece) > 0])
    score = np.where(may, np.nan_to_num(scores[:, used]), 0.0)
    mean = np.add.reduceat(score, first) / np.bincount(piece)[:, None]
    may_all = np.logical_and.reduceat(may, first)
    taste = SWAY * chance(mean.shape, seed) + _SPREAD * _spread(row[first], pioneer[used], own)
    worth = mean + taste
    whole = np.where(may_all[piece], worth[piece], score + taste[piece] - _BROKEN)
    value = np.where(may, np.rint(whole * _STEPS), _NEVER).astype(np.int32)
    choice = assign(value, np.bincount(own))
    # Where a piece is shared, each of its species stands beside its like, if it may.
    free = np.logical_and.reduceat(may_all[piece, choice], first)[piece]
    beside = choice[np.lexsort((np.where(free, choice, 0), piece))]
    apart = _apart(beside, first, row, worth, may_all)
    return used[_nursed(apart, first, row, mean, may_all, pioneer[used], near)]


def _pieces(row: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number the pieces (places,) of three to five places that rows are cut into."""
    new = np.r_[True, row[1:] != row[:-1]]
    of_row = np.cumsum(new) - 1
    long = np.bincount(of_row)
    parts = np.maximum(np.rint(long / RUN), 1).astype(np.int64)
    at = np.arange(len(row)) - np.flatnonzero(new)[of_row]
    within = at * parts[of_row] // long[of_row]
    return np.asarray((np.cumsum(parts) - parts)[of_row] + within)


def _spread(
    row: NDArray[np.int64], pioneer: NDArray[np.bool_], own: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Tastes (pieces, species) of 0 or 1 that spread the pioneers among the others.

    ``row`` (pieces,) is the row of each. A row's pieces take turns; from row to row the turn moves
    on by the golden ratio, which spreads it most evenly (Weyl sequence, textbook method).
    """
    new = np.r_[True, row[1:] != row[:-1]]
    number = np.arange(len(row))
    in_row = number - np.maximum.accumulate(np.where(new, number, 0))
    turn = (in_row / 2 + np.cumsum(new) * _GOLDEN) % 1 < pioneer[own].mean()
    return np.where(turn[:, None] == pioneer[None, :], 1.0, 0.0)


def _apart(
    choice: NDArray[np.int64],
    first: NDArray[np.int64],
    row: NDArray[np.int64],
    worth: NDArray[np.float64],
    allowed: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Swap pieces of one size so that a species does not follow itself, where that costs little.

    ``first`` (pieces,) is the first place of each; ``worth`` and ``allowed`` (pieces, species).
    """
    last = np.r_[first[1:], len(choice)] - 1
    size, of_row = last - first + 1, row[first]
    pure = np.minimum.reduceat(choice, first) == np.maximum.reduceat(choice, first)
    kind = np.where(pure, choice[first], -1)  # -1: shared
    joined = np.r_[False, of_row[1:] == of_row[:-1], False]
    for one in np.flatnonzero(joined[1:-1]) + 1:
        mine = kind[one]
        before, after = choice[last[one] - size[one]], choice[min(last[one] + 1, len(choice) - 1)]
        if mine < 0 or before != mine:
            continue
        left, right = _ends(choice, first, row)
        other = kind
        good = (size == size[one]) & (other >= 0) & (other != mine) & (other != before)
        good &= ~(joined[one + 1] & (other == after)) & (left != mine) & (right != mine)
        good &= allowed[one][np.maximum(other, 0)] & allowed[:, mine]
        here = np.flatnonzero(good)
        if not len(here):
            continue
        theirs = other[here]
        loss = worth[one, mine] + worth[here, theirs] - worth[one, theirs] - worth[here, mine]
        best = int(here[loss.argmin()])
        if loss.min() <= _DIFFERS:
            theirs = kind[best]
            choice[first[one] : last[one] + 1] = kind[one] = theirs
            choice[first[best] : last[best] + 1] = kind[best] = mine
    return choice


def _nursed(
    choice: NDArray[np.int64],
    first: NDArray[np.int64],
    row: NDArray[np.int64],
    worth: NDArray[np.float64],
    allowed: NDArray[np.bool_],
    pioneer: NDArray[np.bool_],
    near: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Swap pieces of pioneers with others of their size so that more trees have one beside them.

    ``near`` (pairs, 2) are the places that stand beside each other. Of all swaps that bring no
    species beside itself in a row that which gains most is made, as long as it gains (steepest
    ascent, textbook method).
    """
    one, other = np.ascontiguousarray(np.vstack([near, near[:, ::-1]]).T)
    size = np.diff(np.r_[first, len(choice)])
    piece = np.repeat(np.arange(len(first)), size)
    beside = _beside(piece, one, other)
    pure = np.minimum.reduceat(choice, first) == np.maximum.reduceat(choice, first)
    tried = np.zeros(len(first), dtype=bool)
    while True:
        kind, nurse = choice[first], pioneer[choice]
        bare, gain, loss = _nursing(nurse, piece, beside)
        slow = np.flatnonzero(pure & ~pioneer[kind] & (gain > 0) & ~tried)
        fast = np.flatnonzero(pure & pioneer[kind])
        if not len(slow) or not len(fast):
            return choice
        value = _NURSED * (gain[slow][:, None] - loss[fast])
        value -= size[slow][:, None] * (
            (worth[slow, kind[slow]][:, None] - worth[slow][:, kind[fast]])
            + (worth[fast, kind[fast]] - worth[fast][:, kind[slow]].T)
        )
        may = (size[slow][:, None] == size[fast]) & allowed[slow][:, kind[fast]]
        for side in _ends(choice, first, row):
            may &= (side[slow][:, None] != kind[fast]) & (side[fast] != kind[slow][:, None])
        value = np.where(may & allowed[fast][:, kind[slow]].T, value, -np.inf)
        a, b = np.unravel_index(value.argmax(), value.shape)
        if value[a, b] <= 0:
            return choice
        swapped = choice.copy()
        swapped[piece == slow[a]], swapped[piece == fast[b]] = kind[fast[b]], kind[slow[a]]
        # What a swap gains is only estimated where the two pieces are near each other.
        if _nursing(pioneer[swapped], piece, beside)[0].sum() < bare.sum():
            choice = swapped
        else:
            tried[slow[a]] = True


def _ends(
    choice: NDArray[np.int64], first: NDArray[np.int64], row: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Species that stands before and after each piece in its row, -2 where there is none."""
    joined = row[first[1:]] == row[first[:-1]]
    before = np.r_[-2, np.where(joined, choice[first[1:] - 1], -2)]
    return before, np.r_[np.where(joined, choice[first[1:]], -2), -2]


@dataclass(frozen=True)
class _Beside:
    """Places beside each other, both ways: ``one`` and ``other`` (pairs,), ``apart`` by piece.

    A ``couple`` is a place and the piece of what stands beside it: its number for each of the
    pairs, and ``place`` and ``piece`` (couples,).
    """

    one: NDArray[np.int64]
    other: NDArray[np.int64]
    apart: NDArray[np.bool_]
    couple: NDArray[np.int64]
    place: NDArray[np.int64]
    piece: NDArray[np.int64]

    def times(self, which: NDArray[np.bool_]) -> NDArray[np.int64]:
        """How many of some pairs (pairs,) are of each couple."""
        return np.bincount(self.couple[which], minlength=len(self.place))


def _beside(piece: NDArray[np.int64], one: NDArray[np.int64], other: NDArray[np.int64]) -> _Beside:
    count = int(piece[-1]) + 1
    couples, couple = np.unique(one * count + piece[other], return_inverse=True)
    return _Beside(one, other, piece[one] != piece[other], couple, *np.divmod(couples, count))


def _nursing(
    nurse: NDArray[np.bool_], piece: NDArray[np.int64], near: _Beside
) -> tuple[NDArray[np.bool_], NDArray[np.int64], NDArray[np.int64]]:
    """Tell which trees (places,) have no pioneer beside them, and what pieces do for them.

    For each piece: how many of these had one if it were pioneers, and how many more there would be
    if it were not.
    """
    places, count = len(nurse), int(piece[-1]) + 1
    helps = nurse[near.other]
    beside = np.bincount(near.one[helps], minlength=places)
    bare = ~nurse & (beside == 0)
    helped = near.times(bare[near.one] & near.apart) > 0
    gain = np.bincount(near.piece[helped], minlength=count)
    gain += np.bincount(piece[bare], minlength=count)
    # Trees all of whose pioneers are of one piece, and pioneers with none beside their own piece.
    times = near.times(helps & ~nurse[near.one])
    alone = (times > 0) & (times == beside[near.place])
    loss = np.bincount(near.piece[alone], minlength=count)
    away = np.bincount(near.one[helps & near.apart], minlength=places)
    return bare, gain, loss + np.bincount(piece[nurse & (away == 0)], minlength=count)
