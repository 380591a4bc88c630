"""Kernels are all compiled when their module is imported, and leave the process as it was."""

import gc
import importlib
import pkgutil

import numpy as np
import pytest
from numba.core.dispatcher import Dispatcher
from numba.core.errors import TypingError

import siteplanner
from siteplanner.base.kernels import kernel


def test_no_kernel_of_the_package_waits_for_its_first_call():
    found = {}
    for module in pkgutil.walk_packages(siteplanner.__path__, "siteplanner."):
        # What the desktop GIS runs is not imported by Python on its own.
        if module.name.endswith("__main__") or ".gis_plugin.source" in module.name:
            continue
        for name, thing in vars(importlib.import_module(module.name)).items():
            if isinstance(thing, Dispatcher):
                found[f"{module.name}.{name}"] = thing.nopython_signatures
    assert len(found) > 30
    assert {name for name, signatures in found.items() if len(signatures) != 1} == set()


def test_the_search_for_garbage_goes_on_as_before_whatever_comes_of_compiling():
    def makes_an_array(values):
        values[0] = np.zeros(3)[1]

    for collects in (False, True):
        (gc.enable if collects else gc.disable)()
        try:
            # Room to work in is made outside a kernel.
            with pytest.raises(TypingError):
                kernel("void(float64[::1])")(makes_an_array)
            assert gc.isenabled() == collects
        finally:
            gc.enable()
