"""Small mixed-integer programs: what two steps find is as good as one, and nothing is printed."""

import subprocess
import sys

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.base import program as programs
from siteplanner.base.program import Program

TALKS = """
import ctypes, sys
from siteplanner.base import program
solve = program.milp
def talking(*given, **named):
    ctypes.CDLL(None).printf(b"a line of the solver\\n")
    return solve(*given, **named)
program.milp = talking
print("before")
one = program.Program()
x = one.add([1.0], 0.5, 3.0, whole=True)
one.rule([(0, x, 1.0)], 0.0, 3.0)
values, _ = one.solve(nodes=1, optimality_gap=0.0)
print("found", values[x][0])
from concurrent.futures import ThreadPoolExecutor
with ThreadPoolExecutor(4) as pool:
    for made in [pool.submit(one.solve, nodes=1, optimality_gap=0.0) for _ in range(12)]:
        assert made.result()[0][x][0] == values[x][0]
print("side by side")
"""


def knapsack(worth, weight, most, at_once):
    """Things by the piece, at least ``at_once`` of a kind that is taken at all."""
    program = Program(offset=10.0)
    kinds = np.arange(len(worth))
    pieces = program.add(-np.array(worth, float), 0, most, whole=True)
    taken = program.add(np.full(len(worth), 0.3), 0, 1, whole=True)
    program.rule([(0, pieces, np.array(weight, float))], -np.inf, 20.5)
    program.rule([(kinds, pieces, 1.0), (kinds, taken, -float(most))], -np.inf, 0, kinds)
    program.rule([(kinds, pieces, 1.0), (kinds, taken, -float(at_once))], 0, np.inf, kinds)
    return program, pieces


def cost_of(program, values):
    return float(np.concatenate(program._cost) @ values)


THINGS = st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=2, max_size=5)


@settings(max_examples=examples(60), deadline=None)
@given(THINGS, st.integers(2, 6), st.integers(1, 2), st.sampled_from([0.0, 0.02, 0.5]))
def test_two_steps_find_what_is_proven_to_be_near_enough(things, most, at_once, proven):
    program, pieces = knapsack(*zip(*things, strict=True), most, at_once)
    best, _ = program.solve(nodes=1000, optimality_gap=0.0)
    values, gap = program.solve_in_two(pieces, nodes=1000, optimality_gap=0.0, proven=proven)
    found, least = cost_of(program, values), cost_of(program, best)
    assert np.allclose(values, np.rint(values), atol=1e-6)
    assert least - 1e-6 <= found <= least + proven * abs(found) + 1e-6
    assert found - gap <= least + 1e-6


def test_where_nothing_is_proven_the_program_is_solved_in_one(monkeypatch):
    program, pieces = knapsack([7, 5, 4], [9, 8, 7], 3, 1)
    asked = []
    solve = programs.milp
    monkeypatch.setattr(
        programs, "milp", lambda *a, **k: asked.append(k["integrality"].sum()) or solve(*a, **k)
    )
    program.solve_in_two(pieces, nodes=1000, optimality_gap=0.0, proven=1.0)
    assert asked == [3, 6]  # which kinds, then how many
    program.solve_in_two(pieces, nodes=1000, optimality_gap=0.0, proven=0.0)
    assert asked == [3, 6, 3, 6, 6]


@pytest.mark.skipif(sys.platform == "win32", reason="the C library is found in another way")
def test_what_the_solver_prints_is_not_heard():
    made = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", TALKS], capture_output=True, text=True, check=True
    )
    assert made.stdout.split("\n") == ["before", "found 1.0", "side by side", ""]
