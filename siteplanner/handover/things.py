"""The features of a plan as drawings of its parts need them, quickly found by where they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from siteplanner.plan import Plan


@dataclass(frozen=True)
class Things:
    """Features in their order: their shapes (n,), and what each is or is called, where said."""

    shapes: NDArray[np.object_]
    words: list[str]

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return shapely.STRtree(self.shapes)

    def near(self, bounds: Sequence[float]) -> list[tuple[str, shapely.Geometry]]:
        """Give word and shape of those whose bounds meet west, south, east, north."""
        return self._these(self._tree.query(shapely.box(*bounds)))

    def meeting(self, view: shapely.Geometry) -> list[tuple[str, shapely.Geometry]]:
        """Give word and shape of those that meet a shape."""
        return self._these(self._tree.query(view, predicate="intersects"))

    def _these(self, at: NDArray[np.int64]) -> list[tuple[str, shapely.Geometry]]:
        return [(self.words[n], self.shapes[n]) for n in np.sort(at).tolist()]


@dataclass(frozen=True)
class Surroundings:
    """What is drawn around a block: features with their kinds, planted blocks with their names."""

    setbacks: Things
    hollows: Things
    features: Things
    paddocks: Things
    blocks: Things
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


def _things(features: gpd.GeoDataFrame, column: str | None = None) -> Things:
    words = [""] * len(features) if column is None else [str(word) for word in features[column]]
    return Things(features.geometry.to_numpy(), words)
