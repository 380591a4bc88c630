"""How kernels are compiled: ahead of their first call, once, and kept on disk.

Compiling is part of the first user's wait, and most of it is spent on what surrounds a kernel.
So helpers that only kernels call are built without their entrance from Python; a division by zero
gives an infinity, as in numpy, rather than a branch that raises; and no kernel makes an array,
which spares the counting of references: room to work in is made by the plain function that calls.
The compiler leaves next to no garbage in rings, so Python's search for it waits meanwhile.
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from typing import Any

from numba import njit

_KEPT: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": False}
_INSIDE: dict[str, Any] = {**_KEPT, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}


def kernel(signature: Any, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Compile a function of arrays that plain functions call; other threads may run meanwhile."""
    return _compiling(njit(signature, **_KEPT, **options))


def part(signature: Any, **options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Compile a function that only kernels call: called from Python it ends the process."""
    return _compiling(njit(signature, **_INSIDE, **options))


def _compiling(decorate: Callable[..., Any]) -> Callable[[Callable[..., Any]], Any]:
    def made(function: Callable[..., Any]) -> Any:
        collects = gc.isenabled()
        gc.disable()
        try:
            return decorate(function)
        finally:
            if collects:
                gc.enable()

    return made
