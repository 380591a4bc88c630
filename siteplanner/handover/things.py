"""The features of a plan as drawings of its parts need them, quickly found by where they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Generic, TypeVar

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.plan import Plan

What = TypeVar("What")


@dataclass(frozen=True)
class Things(Generic[What]):
    """Features in their order: their shapes (n,), and what each is, such as its name or looks."""

    shapes: NDArray[np.object_]
    what: list[What]

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return shapely.STRtree(self.shapes)

    def near(self, bounds: Sequence[float]) -> list[tuple[What, shapely.Geometry]]:
        """Give what it is and shape of those whose bounds meet west, south, east, north."""
        return self._these(self._tree.query(shapely.box(*bounds)))

    def meeting(self, view: shapely.Geometry) -> list[tuple[What, shapely.Geometry]]:
        """Give what it is and shape of those that meet a shape."""
        return self._these(self._tree.query(view, predicate="intersects"))

    def _these(self, at: NDArray[np.int64]) -> list[tuple[What, shapely.Geometry]]:
        return [(self.what[n], self.shapes[n]) for n in np.sort(at).tolist()]


@dataclass(frozen=True)
class Surroundings:
    """What is drawn around a block: features with their kinds, planted blocks with their names."""

    setbacks: Things[str]
    hollows: Things[str]
    features: Things[str]
    paddocks: Things[str]
    blocks: Things[str]
    boundary: NDArray[np.object_]


def surroundings_of(plan: Plan) -> Surroundings:
    """Take the features of a plan."""
    return Surroundings(
        _things(plan.setbacks),
        _things(plan.hollows),
        _things(plan.no_plant, "kind"),
        _things(plan.paddocks),
        _things(plan.blocks[plan.blocks["trees"] > 0], "block"),
        plan.boundary.geometry.to_numpy(),
    )


def _things(features: gpd.GeoDataFrame, column: str | None = None) -> Things[str]:
    words = [""] * len(features) if column is None else [str(word) for word in features[column]]
    return Things(features.geometry.to_numpy(), words)
