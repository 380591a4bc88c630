"""The contributor's guide: its example runs, and the files it names exist."""

import re
import types

import numpy as np
from conftest import ROOT

from siteplanner.ground import resolve

TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_example_of_a_layer_is_one():
    [code] = re.findall(r"```python\n(.*?)```", TEXT, re.S)
    module = types.ModuleType("guide")
    exec(code, module.__dict__)
    [maker] = resolve.makers_in(module, "guide")
    assert maker.needs == ("slope",) and maker.settings == {"steepest": 20.0}
    slope = np.array([[10, 30, np.nan]], np.float32)
    got = maker.function(slope, steepest=25.0)
    assert got.dtype == np.float32
    assert np.array_equal(got, [[0, 1, np.nan]], equal_nan=True)


def test_every_module_in_the_drawing_of_the_house_exists():
    drawing = TEXT.split("```")[1]
    for name in re.findall(r"\b(\w+\.py)\b", drawing):
        assert list(ROOT.glob(f"siteplanner/**/{name}")) or list(ROOT.glob(f"*/{name}")), name
