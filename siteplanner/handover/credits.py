"""Words that the licences of a plan's data ask for, as map, sheets and tables print them."""

from __future__ import annotations

from collections.abc import Iterable

from siteplanner.reading.files.sources import Source

#: Longer words are in the list alone, not beside the map.
_SHORT = 60
#: What sources.csv calls features to keep clear of, which are drawn and passed on.
OF_THE_MAP = "what to keep clear of"


def credit_lines(sources: Iterable[Source]) -> list[str]:
    """Sentences on where data are from: one for each words that a licence asks for."""
    said: dict[str, list[Source]] = {}
    for one in sources:
        if one.credit:
            said.setdefault(one.credit, []).append(one)
    lines = []
    for credit, those in said.items():
        what = ", ".join(dict.fromkeys(one.what for one in those))
        line = f"{what[:1].upper()}{what[1:]}: {credit.rstrip('.')}."
        alike = next((one for one in those if one.share_alike), None)
        if alike is not None:
            line += (
                f" Licence: {alike.licence}. Whoever passes the data on, also as layers of this "
                "plan, does so under the same licence and with these words."
            )
        lines.append(line)
    return lines


def map_credit(sources: Iterable[Source]) -> str:
    """The words to show beside a map: those of what is drawn on it, short ones alone."""
    drawn = (s for s in sources if s.what == OF_THE_MAP and 0 < len(s.credit) <= _SHORT)
    return "; ".join(dict.fromkeys(s.credit for s in drawn))
