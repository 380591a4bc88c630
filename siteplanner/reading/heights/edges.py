"""What cuts the ground that is worked out: the DEM's own end, or the margin that was read."""

from __future__ import annotations

from dataclasses import dataclass

from siteplanner.base.grid import Grid

#: Margin, m, unless the site file sets one or a wider one is chosen.
USUAL_MARGIN_M = 400.0
SIDES = ("north", "east", "south", "west")


@dataclass(frozen=True)
class Edges:
    """``margin_m`` is how far beyond the boundary heights were wanted.

    ``ends`` names the sides on which the DEM itself ends before that; ``own_cell_m`` is the width
    of the DEM's own cells, m; ``tried_m`` is the widest margin tried, m, 0 where none was.
    """

    margin_m: float
    ends: tuple[str, ...]
    own_cell_m: float
    tried_m: float = 0.0

    def advice(self, dem: str, margin: str) -> str:
        """What to do to see further: ``dem`` where the DEM ends, ``margin`` where it goes on."""
        if self.tried_m > self.margin_m:
            margin = f"margins up to {self.tried_m:.0f} m were tried and leave out hardly less."
        goes_on = f"margin_m ({self.margin_m:.0f} m) cuts, not the DEM: {margin}"
        if not self.ends:
            return f"There {goes_on}"
        if len(self.ends) == len(SIDES):
            return dem
        ends = f"In the {joined(self.ends)} the DEM ends"
        return f"{ends}: {dem[0].lower()}{dem[1:]} Elsewhere {goes_on}"


def joined(sides: tuple[str, ...]) -> str:
    """Join names of sides in words.

    >>> joined(("north",)), joined(("north", "east", "west"))
    ('north', 'north, east and west')
    """
    *first, last = sides
    return f"{', '.join(first)} and {last}" if first else last


def edges_of(
    grid: Grid, bounds: tuple[float, float, float, float], margin_m: float, own_cell_m: float
) -> tuple[Edges, list[str]]:
    """Tell what cuts a grid round the ``bounds`` of a boundary, and say where the DEM ends."""
    west, south, east, north = grid.bounds
    reach = {
        "north": north - bounds[3],
        "east": east - bounds[2],
        "south": bounds[1] - south,
        "west": bounds[0] - west,
    }
    # A cell of the DEM's own may be lost where it is resampled.
    lost = 2 * max(grid.cell, own_cell_m)
    ends = tuple(side for side in SIDES if reach[side] < margin_m - lost)
    found = Edges(margin_m, ends, own_cell_m)
    if not ends:
        return found, []
    least = max(min(reach[side] for side in ends), 0.0)
    return found, [
        f"The DEM reaches only {least:.0f} m past the boundary in the {joined(ends)} "
        f"({margin_m:.0f} m wanted). Water and cold air from further away are not included."
    ]
