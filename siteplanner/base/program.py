"""A small mixed-integer program, put together from named groups of unknowns."""

from __future__ import annotations

import contextlib
import ctypes
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy.sparse
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

#: Places of a group of unknowns in the solution.
Columns = NDArray[np.int64]
#: Rows, unknowns and factors of a part of a rule; a single number stands for all.
Part = tuple[Any, Columns, Any]


class Program:
    """Unknowns with costs and bounds, and rules that hold sums of them between bounds.

    The sum of costs is made least. ``offset`` is taken from it, so that the solver's relative
    optimality gap is a share of something that is not near 0.
    """

    def __init__(self, offset: float = 0.0) -> None:
        self._cost: list[NDArray[np.float64]] = [np.array([-offset])]
        self._low: list[NDArray[np.float64]] = [np.ones(1)]
        self._high: list[NDArray[np.float64]] = [np.ones(1)]
        self._whole: list[NDArray[np.float64]] = [np.zeros(1)]
        self._unknowns = 1
        self._parts: list[tuple[NDArray[np.int64], Columns, NDArray[np.float64]]] = []
        self._least: list[NDArray[np.float64]] = []
        self._greatest: list[NDArray[np.float64]] = []
        self._rules = 0

    def add(self, cost: Any, low: Any, high: Any, *, whole: bool = False) -> Columns:
        """Add a group of unknowns; give their places in the solution."""
        cost = np.asarray(cost, dtype=np.float64)
        for kept, values in (
            (self._cost, cost),
            (self._low, low),
            (self._high, high),
            (self._whole, float(whole)),
        ):
            kept.append(np.broadcast_to(np.asarray(values, dtype=np.float64), cost.shape))
        self._unknowns += len(cost)
        return np.arange(self._unknowns - len(cost), self._unknowns)

    def rule(self, parts: Sequence[Part], least: Any, greatest: Any, rows: Any = 0) -> None:
        """Hold a sum between bounds; with ``rows`` (0, 1 … n-1), n sums at once."""
        many = np.atleast_1d(rows)
        for of_row, columns, factor in parts:
            self._parts.append(
                (
                    np.broadcast_to(of_row, columns.shape) + self._rules,
                    columns,
                    np.broadcast_to(np.asarray(factor, dtype=np.float64), columns.shape),
                )
            )
        self._least.append(np.broadcast_to(np.asarray(least, dtype=np.float64), many.shape))
        self._greatest.append(np.broadcast_to(np.asarray(greatest, dtype=np.float64), many.shape))
        self._rules += len(many)

    def join(self, other: Program) -> int:
        """Take in another program; give what to add to its places in the solution."""
        moved = self._unknowns
        for mine, theirs in (
            (self._cost, other._cost),
            (self._low, other._low),
            (self._high, other._high),
            (self._whole, other._whole),
            (self._least, other._least),
            (self._greatest, other._greatest),
        ):
            mine.extend(theirs)
        self._parts += [(r + self._rules, c + moved, f) for r, c, f in other._parts]
        self._unknowns += other._unknowns
        self._rules += other._rules
        return moved

    def solve(
        self, *, nodes: int, optimality_gap: float, whole: bool = True
    ) -> tuple[NDArray[np.float64], float]:
        """Solve with HiGHS; give the unknowns, and how much lower the cost might be at most.

        ``whole`` False lets every unknown be a fraction. The solver is bounded by nodes and not
        by time, so that the same program has the same solution.
        """
        whole_ones = np.concatenate(self._whole) * whole
        low, high = np.concatenate(self._low), np.concatenate(self._high)
        values, cost, bound = self._solved(whole_ones, low, high, nodes, optimality_gap)
        return values, max(0.0, cost - bound) if whole else 0.0

    def solve_in_two(
        self, later: Columns, *, nodes: int, optimality_gap: float, proven: float
    ) -> tuple[NDArray[np.float64], float]:
        """Solve as :meth:`solve` does, but find the whole numbers of ``later`` after the others.

        At first they may be fractions; then the others stay as they are. That is quicker by far
        where the others decide. What costs least with fractions bounds what can: where the cost is
        not shown to be within the share ``proven`` of it, the program is solved in one.
        """
        first = np.concatenate(self._whole)
        low, high = np.concatenate(self._low), np.concatenate(self._high)
        others = np.setdiff1d(np.flatnonzero(first), later)
        first[later] = 0
        found, _, bound = self._solved(first, low, high, nodes, optimality_gap)
        low[others] = high[others] = np.rint(found[others])
        whole_ones = np.concatenate(self._whole)
        values, cost, _ = self._solved(whole_ones, low, high, nodes, optimality_gap)
        if cost - bound > proven * abs(cost):
            return self.solve(nodes=nodes, optimality_gap=optimality_gap)
        return values, max(0.0, cost - bound)

    def _solved(
        self,
        whole_ones: NDArray[np.float64],
        low: NDArray[np.float64],
        high: NDArray[np.float64],
        nodes: int,
        optimality_gap: float,
    ) -> tuple[NDArray[np.float64], float, float]:
        """Unknowns, their cost, and what no solution costs less than."""
        rows, columns, factors = (
            np.concatenate([part[n] for part in self._parts]) for n in range(3)
        )
        matrix = scipy.sparse.csr_array(
            (factors, (rows, columns)), shape=(self._rules, self._unknowns)
        )
        with _unheard():
            result = milp(
                np.concatenate(self._cost),
                constraints=LinearConstraint(
                    matrix, np.concatenate(self._least), np.concatenate(self._greatest)
                ),
                integrality=whole_ones,
                bounds=Bounds(low, high),
                options={"node_limit": nodes, "mip_rel_gap": optimality_gap},
            )
        if result.x is None:
            raise RuntimeError(f"the program has no solution: {result.message}")
        bound = result.mip_dual_bound
        return result.x, float(result.fun), float(result.fun if bound is None else bound)


@dataclass
class _Silence:
    """How many are solving now, and standard output as it was before the first of them began."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    solving: int = 0
    own: int | None = None


_silence = _Silence()


@contextlib.contextmanager
def _unheard() -> Iterator[None]:
    """Let nothing that the solver's compiled code prints reach standard output.

    It writes to the file descriptor, past ``sys.stdout``, and its buffer is emptied later: both are
    dealt with. A process without standard output is left as it is. Of those that solve side by
    side the first silences it, and the last gives it back.
    """
    with _silence.lock:
        if not _silence.solving:
            _silence.own = _silenced()
        _silence.solving += 1
    try:
        yield
    finally:
        with _silence.lock:
            _silence.solving -= 1
            if not _silence.solving and _silence.own is not None:
                _flush_of_c()()
                os.dup2(_silence.own, 1)
                os.close(_silence.own)


def _silenced() -> int | None:
    """Turn standard output away; give a descriptor of what it was, None where there is none."""
    try:
        own = os.dup(1)
    except OSError:
        return None
    _flush_of_c()()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return own


def _flush_of_c() -> Callable[[], int]:
    """The C library's fflush, which without a stream empties the buffers of all."""
    library = ctypes.CDLL("ucrtbase" if os.name == "nt" else None)
    flush = library.fflush
    flush.argtypes, flush.restype = [ctypes.c_void_p], ctypes.c_int
    return lambda: flush(None)
