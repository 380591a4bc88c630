"""Colours of the map, the sheets and the GIS styles, all from published schemes.

Kinds of things (zones, species) take the eight colours of Okabe and Ito (2008), "Color
Universal Design: how to make figures and presentations that are friendly to colorblind
people". Layers take a scheme that their description names, as carried by
``branca.colormap.linear``: viridis and its kin, or a ColorBrewer scheme (Harrower and Brewer
2003, citation from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable
from typing import Any

import branca.colormap
import numpy as np
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, near
from siteplanner.base.layer_info import LayerInfo

#: Okabe and Ito (2008).
BLACK = "#000000"
ORANGE = "#e69f00"
SKY_BLUE = "#56b4e9"
GREEN = "#009e73"
YELLOW = "#f0e442"
BLUE = "#0072b2"
VERMILION = "#d55e00"
PURPLE = "#cc79a7"
#: A neutral grey, for ground without trees.
NOT_PLANTED = "#999999"

_ZONES = (SKY_BLUE, ORANGE, GREEN, VERMILION, BLUE, YELLOW, PURPLE)
#: Kinds of things in general, most distinct first.
KINDS = _ZONES
_SPECIES = (BLUE, ORANGE, GREEN, PURPLE, YELLOW, VERMILION, SKY_BLUE)

#: Marker shapes that tell apart species of the same colour, in order of use.
SHAPES = ("circle", "square", "triangle", "diamond", "cross")

#: Second cue of zones of the same colour, in order of use: none, or a hatch of
#: :data:`siteplanner.base.symbology.kinds.HATCHES`.
PATTERNS = ("", "dots", "level", "upright")

#: ColorBrewer families that confuse red with green, so they are not used here.
_NOT_SAFE = ("RdYlGn", "Spectral", "Accent", "Set", "Pastel", "Paired", "Dark2", "RdGy")


def zone_colours(trees: Iterable[int]) -> list[str]:
    """Give a #rrggbb colour a zone, from the trees of each; grey where there are none.

    Past seven planted zones the colours repeat (see :func:`zone_patterns`); always print the
    letter too.
    """
    planted = 0
    chosen = []
    for number in trees:
        chosen.append(_ZONES[planted % len(_ZONES)] if number else NOT_PLANTED)
        planted += number > 0
    return chosen


def zone_patterns(colours: Iterable[str]) -> list[str]:
    """Give one of ``PATTERNS`` a zone, a new one each time that its colour comes again."""
    return _turns(colours, PATTERNS)


def species_colours(count: int) -> list[str]:
    """Give a #rrggbb colour a species; past seven they repeat (see :func:`shapes`)."""
    return [_SPECIES[i % len(_SPECIES)] for i in range(count)]


def shapes(colours: list[str]) -> list[str]:
    """Give a marker shape a species, a new one each time that its colour comes again."""
    return _turns(colours, SHAPES)


def _turns(colours: Iterable[str], marks: tuple[str, ...]) -> list[str]:
    seen: dict[str, int] = {}
    chosen = []
    for colour in colours:
        turn = seen[colour] = seen.get(colour, -1) + 1
        chosen.append(marks[turn % len(marks)])
    return chosen


def ends(values: NDArray[Any]) -> tuple[float, float]:
    """Give the values that a ramp runs from and to: the middle 98 %, so that a few do not count.

    NaN twice where nothing is known.
    """
    known = values[np.isfinite(values)]
    if not known.size:
        return math.nan, math.nan
    low, high = np.percentile(known, (1, 99))
    return float(low), float(high)


@functools.cache
def scheme_names() -> tuple[str, ...]:
    """List the schemes that a layer's description may name."""
    names = branca.colormap.linear._schemes
    return ("gray", *sorted(n for n in names if not n.startswith(_NOT_SAFE)))


def check_schemes(layers: Iterable[tuple[str, LayerInfo]]) -> None:
    """Hold layers, each with the package that makes it, to the schemes that are known.

    Raises :class:`~siteplanner.InputError` naming package, layer and scheme.
    """
    errors = Errors()
    for package, info in layers:
        try:
            ramp(info.colours, 2)
        except ValueError as error:
            errors.add(
                f"package {package}",
                f"layer {info.name}, colours",
                str(error),
                "report it to the package's author, or uninstall the package",
            )
    errors.raise_any()


def ramp(scheme: str, count: int) -> list[str]:
    """Give ``count`` #rrggbb colours, evenly spaced over a scheme from low to high.

    A name without its number of classes (``YlGnBu``) takes the fullest ColorBrewer scheme; a
    name that ends in ``_r`` runs the other way (``RdYlBu_11_r``: low values blue).
    Raises ``ValueError`` naming the nearest schemes when there is none of that name, or when
    it is not safe for colour-blind readers.
    """
    return [*_colours(scheme, count)]


@functools.cache
def _colours(scheme: str, count: int) -> tuple[str, ...]:
    if scheme.endswith("_r"):
        return _colours(scheme[:-2], count)[::-1]
    known = scheme_names()
    if scheme not in known:
        sizes = [name for name in known if name.rpartition("_")[0] == scheme]
        if not sizes:
            raise ValueError(f"no colour-blind-safe scheme {scheme!r}; {near(scheme, known)}")
        scheme = sizes[-1]
    if scheme == "gray":
        scale = branca.colormap.LinearColormap(["#000000", "#ffffff"])
    else:
        scale = getattr(branca.colormap.linear, scheme).scale(0, 1)
    steps = [i / (count - 1) for i in range(count)] if count > 1 else [0.5]
    return tuple(scale.rgb_hex_str(step).lower() for step in steps)
