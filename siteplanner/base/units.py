"""Units that people's data come in, and their conversion to those that are reckoned in."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

#: Each unit's kind, and how many of the kind's base unit one of it is. Exact by definition
#: (international yard and pound agreement, 1959: 1 inch = 25.4 mm; the older United States
#: survey foot is 1200/3937 m, from memory).
_SIZES: dict[str, tuple[str, float]] = {
    "m": ("length", 1.0),
    "cm": ("length", 0.01),
    "mm": ("length", 0.001),
    "in": ("length", 0.0254),
    "ft": ("length", 0.3048),
    "us-ft": ("length", 1200 / 3937),
    "km": ("length", 1000.0),
    "m/s": ("speed", 1.0),
    "km/h": ("speed", 1 / 3.6),
    "mph": ("speed", 0.44704),
}
#: Other words for the same unit.
_WORDS = {
    "°": "degrees", "deg": "degrees", "degree": "degrees",
    "%": "percent",
    "C": "°C", "deg C": "°C", "F": "°F", "deg F": "°F",
    "inch": "in", "inches": "in", '"': "in", "foot": "ft", "feet": "ft", "'": "ft",
    "us survey foot": "us-ft",
    "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "centimetres": "cm", "millimetres": "mm",
}  # fmt: skip

#: What a length in each unit is called in a sentence.
_PLURALS = {
    "m": "metres", "cm": "centimetres", "mm": "millimetres", "km": "kilometres", "in": "inches",
    "ft": "feet", "us-ft": "US survey feet",
}  # fmt: skip

_HECTARE_M2 = 10_000.0
#: Areas under this are said in square metres: two decimals would say little of them.
_SMALL_HA = 0.01
#: What such an area and its parts have after the point is less than anybody can see.
_LARGE_HA = 10.0

#: A number, or an array or column of them.
Measures = TypeVar("Measures", float, NDArray[np.float64], "pd.Series[float]")

Convert = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def converter(given: str, wanted: str) -> Convert | None:
    """How numbers in the unit ``given`` become numbers in ``wanted``; None when they cannot.

    ``wanted`` may say more than the unit, as layers do ("percent of volume", "m2 …"): its
    first word counts.

    >>> converter("ft", "m")(100.0)
    30.48
    >>> converter("°F", "°C")(23.0)
    -5.0
    >>> converter("ft", "percent of volume") is None
    True
    """
    first = _WORDS.get(given.strip(), given.strip())
    if first == wanted or wanted.startswith(first + " "):
        return lambda values: values
    last = wanted.split(" ")[0]
    if (first, last) == ("°F", "°C"):
        return lambda values: (values - 32) / 1.8
    if (first, last) == ("°C", "°F"):
        return lambda values: values * 1.8 + 32
    kind, size = _SIZES.get(first, ("", 1.0))
    kind_wanted, size_wanted = _SIZES.get(last, ("none", 1.0))
    if kind != kind_wanted:
        return None
    return lambda values: values * size / size_wanted


def metres_in(unit: str, otherwise: float = math.nan) -> float:
    """How many metres one of a unit of length is; ``otherwise`` for what is no such unit.

    >>> metres_in("feet"), metres_in("metre"), metres_in("kg", 1.0)
    (0.3048, 1.0, 1.0)
    """
    kind, size = _SIZES.get(_WORDS.get(unit, unit), ("", otherwise))
    return size if kind == "length" else otherwise


def length_unit(metres: float) -> str:
    """Name the unit of length that is so many metres, in the plural.

    >>> length_unit(0.3048), length_unit(1200 / 3937), length_unit(2.0)
    ('feet', 'US survey feet', 'units of 2 m')
    """
    for unit, words in _PLURALS.items():
        if math.isclose(_SIZES[unit][1], metres, rel_tol=1e-8):
            return words
    return f"units of {metres:g} m"


def hectares(square_metres: Measures) -> Measures:
    """Give areas in square metres as hectares.

    >>> hectares(25_000.0)
    2.5
    """
    return square_metres / _HECTARE_M2


def area_words(ha: float, decimals: int = 2) -> str:
    """Say an area given in hectares; one under 0.01 ha in square metres.

    ``decimals`` is of areas of 1 ha and more; smaller ones always have two.

    >>> area_words(1.5), area_words(0.0423), area_words(0.0042), area_words(1234.56, 1)
    ('1.50 ha', '0.04 ha', '42 m²', '1,234.6 ha')
    """
    number = area_number(ha, decimals)
    return number if number.endswith("m²") else f"{number} ha"


def share_words(part_ha: float, whole_ha: float) -> str:
    """Say how much of an area a part is, to the hectare where the whole is 10 ha and more.

    >>> share_words(46.31, 126.82), share_words(1.5, 2.25), share_words(0.3, 40)
    ('46 of 127 ha', '1.50 of 2.25 ha', '0.30 of 40 ha')
    """
    decimals = 0 if whole_ha >= _LARGE_HA else 2
    return f"{area_number(part_ha, decimals)} of {area_words(whole_ha, decimals)}"


def area_number(ha: float, decimals: int = 2) -> str:
    """Say an area under a heading that names hectares; a small one has its own unit.

    >>> area_number(1.5), area_number(0.0042)
    ('1.50', '42 m²')
    """
    if 0 < ha < _SMALL_HA:
        return f"{max(ha * _HECTARE_M2, 1):.0f} m²"
    return f"{ha:,.{decimals if ha >= 1 else 2}f}"
