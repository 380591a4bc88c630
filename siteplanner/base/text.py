"""Text on a screen: what would command the screen, or turn the order of reading, is spelt out."""

from __future__ import annotations

import re

# What embeds, overrides or isolates a direction of writing (Unicode Standard Annex 9).
_TURNS = "\u202a-\u202e\u2066-\u2069"
# Controls (C0, DEL, C1), the turns, and lone halves of characters.
_COMMANDS = re.compile(f"[\x00-\x1f\x7f-\x9f{_TURNS}\ud800-\udfff]")
_TURN = re.compile(f"[{_TURNS}]")
_BREAKS = re.compile(r"[\t\n\v\f\r\x85\u2028\u2029]+")


def visible(text: str) -> str:
    r"""Give text as one line without commands to the screen: each is spelt out as Python would.

    Breaks become spaces, so that no name can write a line of its own.

    >>> visible("Top\nflat \x1b[31m")
    'Top flat \\x1b[31m'
    """
    line = _BREAKS.sub(" ", text)
    return _COMMANDS.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), line)


def unturned(text: str) -> str:
    """Replace what turns the order of reading, which could make another number of a number.

    >>> unturned("25\u202e trees")
    '25\ufffd trees'
    """
    return _TURN.sub("\ufffd", text)
