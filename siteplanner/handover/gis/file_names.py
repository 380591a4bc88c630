"""File names made of users' texts: safe anywhere, and never twice the same."""

from __future__ import annotations

import re
from hashlib import sha256

from siteplanner.base.text import file_stem


def layer_file_stem(name: str) -> str:
    """File name's stem of a layer; a name unsafe as one is slugged and marked by its hash."""
    if re.fullmatch(r"[a-z0-9_]{1,60}", name) and not name.startswith("suitability_"):
        return name
    return f"{file_stem(name)}_{sha256(name.encode()).hexdigest()[:8]}"
