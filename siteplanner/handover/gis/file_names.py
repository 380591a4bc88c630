"""File names made of users' texts: safe anywhere, and never twice the same."""

from __future__ import annotations

import re
from collections.abc import Sequence
from hashlib import sha256

from siteplanner.site.site_file import slug


def unique_slugs(texts: Sequence[str]) -> list[str]:
    """Give each text a file name's stem, with ``_2``, ``_3`` … where an earlier one took it."""
    taken: set[str] = set()
    chosen = []
    for text in texts:
        stem = first = _stem(text)
        number = 1
        while stem in taken:
            number += 1
            stem = f"{first}_{number}"
        taken.add(stem)
        chosen.append(stem)
    return chosen


def layer_file_stem(name: str) -> str:
    """File name's stem of a layer; a name unsafe as one is slugged and marked by its hash."""
    if re.fullmatch(r"[a-z0-9_]{1,60}", name) and not name.startswith("suitability_"):
        return name
    return f"{_stem(name)}_{sha256(name.encode()).hexdigest()[:8]}"


def _stem(text: str) -> str:
    return slug(text).replace("-", "_") or "unnamed"
