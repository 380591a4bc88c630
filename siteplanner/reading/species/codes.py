"""One short code a species, the same on sheets, map, labels and batches."""

from __future__ import annotations

import re
from collections.abc import Iterable

from siteplanner.base.text import unaccented

_LONGEST = 6


def species_codes(names: Iterable[str]) -> list[str]:
    """Give each botanical name a code of at most six capitals and figures, all different.

    Three letters of the genus and three of the species (common practice, no source); where an
    earlier name took that code, a number takes the place of its last letters. A species added
    at the end of a table leaves the others' codes as they are.

    >>> species_codes(["Bursaria spinosa", "Bursaria × spinifera", "Acacia"])
    ['BURSPI', 'BURSP2', 'ACA']
    """
    taken: set[str] = set()
    codes = []
    for name in names:
        # A hybrid's mark is no part of its name: "Genus x species".
        words = [
            word for word in re.findall(r"[A-Za-z]+", unaccented(name)) if word not in ("x", "X")
        ]
        code = stem = "".join(word[:3] for word in words[:2]).upper() or "SPP"
        turn = 1
        while code in taken:
            turn += 1
            code = stem[: _LONGEST - len(str(turn))] + str(turn)
        taken.add(code)
        codes.append(code)
    return codes
