"""The description that a layer carries."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class LayerInfo:
    """The description of one layer; legend, file tags, report and documentation print it.

    ``valid`` is the range a value may take; ``colours`` names a published colour-blind-safe
    scheme (see ``siteplanner.base.symbology.colours``); ``classes`` names the codes 0, 1, 2 … of a
    layer of categories; ``on_map`` says whether the interactive map shows the layer.
    """

    title: str
    unit: str
    method: str
    source: str
    valid: tuple[float, float]
    colours: str = "viridis"
    classes: tuple[str, ...] = ()
    on_map: bool = False
    name: str = field(default="")
