"""How each kind of thing is drawn: one table for the map, its still picture, the sheets and GIS.

Colours are black, a neutral grey and those of the scheme *muted* of Tol (2021), "Colour
Schemes", technical note, issue 3.2, which is made for colour-blind readers too. Zones take
other colours (``colours.py``), so that a line is never taken for a zone's.
Line patterns and hatches tell apart kinds of one colour, also in a print in black.
"""

from __future__ import annotations

from dataclasses import dataclass

BLACK = "#000000"
GREY = "#555555"
#: Tol (2021), scheme "muted"; its light colours (cyan, sand) are too pale for lines.
INDIGO = "#332288"
GREEN = "#117733"
OLIVE = "#999933"
ROSE = "#cc6677"
WINE = "#882255"
PURPLE = "#aa4499"

#: A hatch is a tile that is repeated, and how far it is turned, degrees anticlockwise.
HATCHES: dict[str, tuple[str, float]] = {
    "level": ("line", 0.0),
    "upright": ("line", 90.0),
    "slash": ("line", 45.0),
    "backslash": ("line", 135.0),
    "grid": ("grid", 0.0),
    "lattice": ("grid", 45.0),
    "dots": ("dot", 45.0),
}
SOLID = "solid"
#: How strongly a solid fill covers what lies beneath.
SOLID_OPACITY = 0.7
#: What a hatch is drawn on, so that a hatch beneath (setbacks cover what they surround) is faint.
PALE, PALE_OPACITY = "#ffffff", 0.75
#: Side of a hatch's tile, width of its lines and diameter of its dots, mm on paper or screen.
HATCH_STEP_MM, HATCH_LINE_MM, HATCH_DOT_MM = 1.7, 0.3, 0.7
#: Diameter of a marker, mm.
MARKER_MM = 3.0

#: Corners of the marker shapes for a radius of 1, y upwards; a circle has none.
MARKERS: dict[str, tuple[tuple[float, float], ...]] = {
    "circle": (),
    "square": ((-0.85, -0.85), (0.85, -0.85), (0.85, 0.85), (-0.85, 0.85)),
    "triangle": ((0, 1.1), (-1, -0.75), (1, -0.75)),
    "diamond": ((0, 1.15), (1.15, 0), (0, -1.15), (-1.15, 0)),
    "cross": (
        (-0.38, 1), (0.38, 1), (0.38, 0.38), (1, 0.38), (1, -0.38), (0.38, -0.38),
        (0.38, -1), (-0.38, -1), (-0.38, -0.38), (-1, -0.38), (-1, 0.38), (-0.38, 0.38),
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Symbology:
    """How one kind of thing is drawn as a line, an area or a point.

    ``word`` is what people read; ``colour`` (#rrggbb) is that of line, edge, hatch and marker;
    ``dash_mm`` alternates line and gap, empty for an unbroken line; ``fill`` is one of
    ``HATCHES``, ``SOLID`` or empty for an open area; ``marker`` is one of ``MARKERS``; a hatch
    lies on ``PALE`` ground where ``pale``.
    """

    word: str
    colour: str
    width_mm: float
    dash_mm: tuple[float, ...] = ()
    fill: str = ""
    marker: str = "square"
    pale: bool = True


#: The symbology of everything that trees keep clear of, by its kind in the site file's [setbacks].
KINDS: dict[str, Symbology] = {
    "power_line": Symbology("power line", WINE, 0.8, (3.6, 0.9, 0.9, 0.9), "slash", "triangle"),
    "buried_cable": Symbology("buried cable", WINE, 0.8, (0.8, 1.3), "lattice", "diamond"),
    "buried_pipe": Symbology("buried pipe", PURPLE, 0.8, (0.8, 1.3), "slash", "circle"),
    "septic_field": Symbology("septic field", PURPLE, 0.4, (2.0, 1.0), "grid"),
    "building": Symbology("building", BLACK, 0.4, (), SOLID),
    "track": Symbology("track", OLIVE, 1.0, (3.0, 1.0), "slash", "circle"),
    "fence": Symbology("fence", GREY, 0.4, (0.6, 1.3), "dots", "cross"),
    "bush": Symbology("bush", GREEN, 0.4, (), "dots", "triangle"),
    "native_grassland": Symbology("native grassland", GREEN, 0.4, (2.0, 1.0), "upright", "circle"),
    "waterway": Symbology("waterway", INDIGO, 0.9, (), SOLID, "circle"),
    "dam": Symbology("dam", INDIGO, 0.4, (), "level"),
    "dam_wall": Symbology("dam wall", INDIGO, 1.2, (1.2, 0.6), "upright", "triangle"),
    "heritage": Symbology("heritage site", ROSE, 0.8, (3.0, 1.0, 0.8, 1.0), "lattice", "diamond"),
    "slip": Symbology("slip", OLIVE, 0.5, (1.4, 0.8), "backslash", "triangle"),
    "other": Symbology("other thing to keep clear of", GREY, 0.6, (2.0, 1.0), "lattice", "diamond"),
    "boundary": Symbology("boundary", BLACK, 0.9),
}
#: What the plan itself draws besides zones and trees.
SETBACK = Symbology("kept clear of trees", GREY, 0.0, (), "slash", pale=False)
HOLLOW = Symbology("hollow without an outlet", INDIGO, 0.6, (0.8, 0.8), "backslash", pale=False)
PADDOCK = Symbology("paddock", BLACK, 0.4, (1.6, 1.3))
BLOCK = Symbology("block", BLACK, 0.3)
