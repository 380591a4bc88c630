"""What a layer is: a plain function on arrays that carries a description of what it makes.

The function's name is the layer's name. Its positional parameters name the layers and inputs
it needs; its keyword-only parameters are settings, written in the site file under
``[layers.<function name>]``. A function that makes several layers in one pass returns them as
a tuple, in the order of their descriptions, whose names are then given one by one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from siteplanner.base.layer_info import LayerInfo

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True)
class Reach:
    """How far around a cell its value depends on the ground; tiling relies on it.

    Exactly one of these holds: ``cells`` (0 is the cell alone, 1 its eight neighbours),
    ``metres`` (a radius, or the name of the setting that gives it), or neither, which means
    that any cell of the grid may matter.
    """

    cells: int | None = None
    metres: float | str | None = None

    def __str__(self) -> str:
        if self.cells is not None:
            return "the cell" if self.cells == 0 else f"{self.cells} cell around"
        if self.metres is not None:
            return f"{self.metres} m around"
        return "whole grid"


CELL = Reach(cells=0)
NEIGHBOURS = Reach(cells=1)
WHOLE_GRID = Reach()


def radius(metres: float | str) -> Reach:
    """Reach of a radius in metres, or of the setting with that name.

    >>> print(radius(250.0))
    250.0 m around
    """
    return Reach(metres=metres)


def layer(*described: LayerInfo, reach: Reach) -> Callable[[Function], Function]:
    """Attach descriptions and reach to a layer function, which itself stays as it was."""

    def attach(function: Function) -> Function:
        infos = described
        if len(infos) == 1 and not infos[0].name:
            infos = (replace(infos[0], name=function.__name__),)
        missing = [info.title for info in infos if not info.name]
        if missing:
            raise TypeError(
                f"{function.__name__} makes several layers, so each needs a name: {missing}"
            )
        function.__layers__ = infos  # type: ignore[attr-defined]
        function.__reach__ = reach  # type: ignore[attr-defined]
        return function

    return attach
