"""From the real ground of a property to a planting plan.

``load_site`` reads a site file, ``make_plan`` works the plan out, ``write_plan`` puts it into
a folder::

    site = siteplanner.load_site("sample_site/site.toml")
    plan = siteplanner.write_plan(site, "maps/wether-knoll")

These names are the package's public face and stay as they are; all else may change:

- ``load_site``, ``Site``: the site file, checked
- ``make_plan``, ``Plan``: the plan, as data; ``write_plan``: the plan and all its files
- ``InputError``: bad input, with one sentence an error
- ``layer``, ``LayerInfo``, ``CELL``, ``NEIGHBOURS``, ``radius``, ``WHOLE_GRID``: to add a layer
- ``pattern``, ``PatternInfo``: to add a pattern; ``writer``: to add a writer of files
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siteplanner.base.errors import InputError
    from siteplanner.base.layer_info import LayerInfo
    from siteplanner.ground.layer import CELL, NEIGHBOURS, WHOLE_GRID, layer, radius
    from siteplanner.handover.write import writer
    from siteplanner.plan import Plan
    from siteplanner.planting.rows.patterns import PatternInfo, pattern
    from siteplanner.run import make_plan, write_plan
    from siteplanner.site.site_file import Site, load_site

__version__ = "0.1.0"
__all__ = [
    "CELL",
    "NEIGHBOURS",
    "WHOLE_GRID",
    "InputError",
    "LayerInfo",
    "PatternInfo",
    "Plan",
    "Site",
    "layer",
    "load_site",
    "make_plan",
    "pattern",
    "radius",
    "write_plan",
    "writer",
]

_HOME = {
    "InputError": "base.errors",
    "CELL": "ground.layer",
    "NEIGHBOURS": "ground.layer",
    "WHOLE_GRID": "ground.layer",
    "LayerInfo": "ground.layer",
    "layer": "ground.layer",
    "radius": "ground.layer",
    "PatternInfo": "planting.rows.patterns",
    "pattern": "planting.rows.patterns",
    "writer": "handover.write",
    "write_plan": "run",
    "Plan": "plan",
    "make_plan": "run",
    "Site": "site.site_file",
    "load_site": "site.site_file",
}


def __getattr__(name: str) -> Any:
    """Import the public names when first asked for, so that ``--help`` answers at once."""
    from importlib import import_module

    if name not in _HOME:
        raise AttributeError(f"module 'siteplanner' has no attribute {name!r}")
    return getattr(import_module(f"siteplanner.{_HOME[name]}"), name)
