"""The page's templates: files beside this module, filled in with text that stays text.

Every value is escaped as it goes in, and what turns the order of reading is replaced. Only
package files are ever template source; a user's text is always a value.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from siteplanner.base.symbology.kinds import (
    HATCH_DOT_MM,
    HATCH_LINE_MM,
    HATCH_STEP_MM,
    HATCHES,
    PALE,
    PALE_OPACITY,
    SOLID_OPACITY,
    ZONE_OPACITY,
)
from siteplanner.base.text import unturned
from siteplanner.base.units import area_number, area_words
from siteplanner.handover.map.signs import outline


def rendered(name: str, **values: Any) -> Markup:
    """Fill in the template file ``name``; the result is HTML that other templates may hold."""
    return Markup(_environment().get_template(name).render(**values))


@dataclass(frozen=True)
class Panel:
    """A panel beside the map: its tab's title, its HTML, and the script that brings it to life."""

    title: str
    body: Markup
    script: str


def panel(name: str, **values: Any) -> Panel:
    """Fill in the panel ``panels/<name>.html``: its title, body and script."""
    parts = vars(_environment().get_template(f"panels/{name}.html").make_module(values))
    return Panel(parts["title"], parts["body"](), str(parts["script"]()))


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("siteplanner.handover.map", "."),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_plain,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "count": _count,
        "area": area_words,
        "area_number": area_number,
        "outline": outline,
    }
    made.globals |= {
        "HATCHES": HATCHES,
        "HATCH_STEP_MM": HATCH_STEP_MM,
        "HATCH_LINE_MM": HATCH_LINE_MM,
        "HATCH_DOT_MM": HATCH_DOT_MM,
        "SOLID_OPACITY": SOLID_OPACITY,
        "ZONE_OPACITY": ZONE_OPACITY,
        "PALE": PALE,
        "PALE_OPACITY": PALE_OPACITY,
    }
    return made


def _plain(value: Any) -> Any:
    return unturned(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _count(number: int, noun: str = "") -> str:
    """Write a number with commas and, where a noun is given, the noun in its number.

    >>> _count(1, "tree"), _count(1200, "tree")
    ('1 tree', '1,200 trees')
    """
    return f"{number:,}" + (f" {noun}{'' if number == 1 else 's'}" if noun else "")
