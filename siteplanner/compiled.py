"""How kernels are compiled: ahead of their first call, once, and kept on disk.

Compiling is part of the first user's wait, and most of it is spent on what surrounds a kernel,
so helpers that only kernels call are built without their entrance from Python, and a division
by zero gives an infinity, as in numpy, rather than a branch that raises.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit

_KEPT: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy"}
_INSIDE: dict[str, Any] = {**_KEPT, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}


def kernel(signature: Any, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Compile a function of arrays that plain functions call; other threads may run meanwhile."""
    return njit(signature, **_KEPT, **options)


def part(signature: Any, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Compile a function that only kernels call: called from Python it ends the process."""
    return njit(signature, **_INSIDE, **options)
