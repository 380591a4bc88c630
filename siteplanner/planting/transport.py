"""Transport: the best choice of a column for each row, each column chosen a given number of times.

The numbers are held by prices: every row chooses the column worth most to it after the price,
and the prices are such that hardly a column is chosen too often. Such a choice is the best
there is for its numbers (duality of the transport problem). What the prices leave uneven is
moved along the dearest chains, which keeps it the best (successive shortest paths). Both are
textbook methods.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.compiled import kernel

#: Prices are found on a sample of about so many rows first.
_SAMPLE = 20_000
#: How many of the best moves between two columns are kept in a list.
_LISTED = 48
#: Less than any gain: there is no such move.
_NOTHING = -(2**40)


def assign(value: NDArray[np.int32], number: NDArray[np.int64]) -> NDArray[np.int64]:
    """Choose a column for each row of ``value`` so that column c is chosen ``number[c]`` times.

    The sum of the chosen values is the greatest possible. ``number`` must add up to the rows.
    """
    if int(number.sum()) != len(value):
        raise ValueError("the numbers must add up to the places")
    if not len(value):
        return np.empty(0, dtype=np.int64)
    value = np.ascontiguousarray(value)
    every = max(1, len(value) // _SAMPLE)
    price = np.zeros(value.shape[1], dtype=np.int32)
    price = _bid(value[::every].copy(), number / len(value), price, sweeps=12)
    if every > 1:
        price = _bid(value, number / len(value), price, sweeps=3)
    choice = _choice(value, price)
    _settle(value, choice, number)
    return choice


def _settle(value: NDArray[np.int32], choice: NDArray[np.int64], number: NDArray[np.int64]) -> None:
    """Move rows until each column has its number; in place. Makes the kernel's work arrays."""
    rows, columns = value.shape
    lists = np.full((2, columns, columns, _LISTED), -1)
    lists[0] = _NOTHING
    pairs = np.full((3, columns, columns), -1)
    pairs[0], pairs[1] = _LISTED, _NOTHING
    count = np.bincount(choice, minlength=columns)
    chain = np.empty((2, columns), dtype=np.int64)
    flags = np.ones((2, columns), dtype=np.bool_)
    moved, has_moved = np.empty(rows, dtype=np.int64), np.zeros(rows, dtype=np.bool_)
    _even_out(value, choice, number, count, lists, pairs, chain, flags, moved, has_moved)


def _bid(
    value: NDArray[np.int32], share: NDArray[np.float64], price: NDArray[np.int32], sweeps: int
) -> NDArray[np.int32]:
    """Set each column's price in turn to where it gets its share of the rows, others as they are.

    Each step lowers the dual of the transport problem; the last prices need not be its minimum.
    """
    rows, columns = value.shape
    target = np.rint(share * rows).astype(np.int64)
    best, least = price.copy(), rows + 1
    price = price.copy()
    for _ in range(sweeps):
        excess = np.bincount(_choice(value, price), minlength=columns) - target
        wrong = int(np.maximum(excess, 0).sum())
        if wrong < least:
            best, least = price.copy(), wrong
        if wrong <= rows // 500:
            break
        for column in range(columns):
            place = rows - max(int(target[column]), 1)
            margin = _margin(value, price, column)
            margin.partition(place)
            price[column] = margin[place]
    return best


@kernel("int32[::1](int32[:, ::1], int32[::1], int64)")
def _margin(value, price, column):  # type: ignore[no-untyped-def]
    """What each row would pay for a column before it chose another."""
    rows, columns = value.shape
    margin = np.empty(rows, dtype=np.int32)
    for row in range(rows):
        other = np.int32(-(2**30))
        for c in range(columns):
            if c != column:
                other = max(other, value[row, c] - price[c])
        margin[row] = value[row, column] - other
    return margin


@kernel("int64[::1](int32[:, ::1], int32[::1])")
def _choice(value, price):  # type: ignore[no-untyped-def]
    """Column that is worth most to each row after the price, the first of equals."""
    rows, columns = value.shape
    choice = np.zeros(rows, dtype=np.int64)
    for row in range(rows):
        for c in range(1, columns):
            best = choice[row]
            if value[row, c] - price[c] > value[row, best] - price[best]:
                choice[row] = c
    return choice


@kernel(
    "void(int32[:, ::1], int64[::1], int64[::1], int64[::1], int64[:, :, :, ::1],"
    "int64[:, :, ::1], int64[:, ::1], boolean[:, ::1], int64[::1], boolean[::1])"
)
def _even_out(  # type: ignore[no-untyped-def]
    value, choice, number, count, lists, pairs, chain, flags, moved, has_moved
):
    """Move rows along the dearest chains of columns until each has its number; in place."""
    rows, columns = value.shape
    nothing = _NOTHING
    # The best moves from one column to another, best first: what they gain, who moves.
    first_gain, first_row = lists[0], lists[1]
    # Which of a list is the next, and with those who moved since: the best gain, who moves.
    next_, gain, mover = pairs[0], pairs[1], pairs[2]
    stale, listing = flags[0], flags[1]
    reach, before = chain[0], chain[1]
    moves = 0
    while True:
        # A list that was used up is drawn up anew; whoever moved since stands in no list.
        any_listing = False
        for a in range(columns):
            listing[a] = False
            for b in range(columns):
                while next_[a, b] < _LISTED and stale[a]:
                    row = first_row[a, b, next_[a, b]]
                    if row < 0 or choice[row] == a:
                        break
                    next_[a, b] += 1
                listing[a] = listing[a] or (a != b and next_[a, b] == _LISTED)
            any_listing = any_listing or listing[a]
        if any_listing:
            for a in range(columns):
                if listing[a]:
                    first_gain[a] = nothing
                    first_row[a] = -1
                    next_[a] = 0
            for row in range(rows):
                a = choice[row]
                if listing[a]:
                    for b in range(columns):
                        d = np.int64(value[row, b]) - np.int64(value[row, a])
                        if b != a and d > first_gain[a, b, _LISTED - 1]:
                            at = _LISTED - 1
                            while at > 0 and first_gain[a, b, at - 1] < d:
                                first_gain[a, b, at] = first_gain[a, b, at - 1]
                                first_row[a, b, at] = first_row[a, b, at - 1]
                                at -= 1
                            first_gain[a, b, at] = d
                            first_row[a, b, at] = row
        for a in range(columns):
            if stale[a] or listing[a]:
                for b in range(columns):
                    if a != b:
                        gain[a, b] = first_gain[a, b, next_[a, b]]
                        mover[a, b] = first_row[a, b, next_[a, b]]
        for m in range(moves):
            row = moved[m]
            a = choice[row]
            if stale[a] or listing[a]:
                for b in range(columns):
                    d = np.int64(value[row, b]) - np.int64(value[row, a])
                    if b != a and d > gain[a, b]:
                        gain[a, b] = d
                        mover[a, b] = row
        stale[:] = False
        for a in range(columns):
            before[a] = -1
            reach[a] = 0 if count[a] > number[a] else nothing
        for _ in range(columns):
            better = False
            for a in range(columns):
                if reach[a] == nothing:
                    continue
                for b in range(columns):
                    if gain[a, b] != nothing and reach[a] + gain[a, b] > reach[b]:
                        reach[b] = reach[a] + gain[a, b]
                        before[b] = a
                        better = True
            if not better:
                break
        goal = -1
        for b in range(columns):
            if count[b] < number[b] and (goal < 0 or reach[b] > reach[goal]):
                goal = b
        if goal < 0:
            return
        count[goal] += 1
        b = goal
        while before[b] >= 0:
            a = before[b]
            row = mover[a, b]
            choice[row] = b
            stale[a] = True
            stale[b] = True
            if not has_moved[row]:
                has_moved[row] = True
                moved[moves] = row
                moves += 1
            b = a
        count[b] -= 1
