"""Text made fit for where it goes: screens, pages, paper, XML, file names, bytes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Container, Sequence

# What embeds, overrides or isolates a direction of writing (Unicode Standard Annex 9).
_TURNS = "\u202a-\u202e\u2066-\u2069"
# Controls (C0, DEL, C1), the turns, and lone halves of characters.
_COMMANDS = re.compile(f"[\x00-\x1f\x7f-\x9f{_TURNS}\ud800-\udfff]")
_TURN = re.compile(f"[{_TURNS}]")
_BREAKS = re.compile(r"[\t\n\v\f\r\x85\u2028\u2029]+")
# All that XML 1.0 does not count among its characters (from memory).
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


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


def uncommanded(text: str) -> str:
    r"""Take out controls, marks without a shape and halves of characters; breaks become spaces.

    >>> uncommanded("Top\nflat\x1b\u200b")
    'Top flat'
    """
    line = _BREAKS.sub(" ", text)
    return "".join(c for c in line if unicodedata.category(c) not in ("Cc", "Cs", "Cf"))


def printable(text: str, letters: Container[int]) -> str:
    """Bring text to the ``letters`` (code points) of a typeface: ``ā`` becomes ``a``, others ``?``.

    >>> printable("Wāhi ☃", range(128))
    'Wahi ?'
    """
    out = []
    for letter in uncommanded(text):
        if ord(letter) in letters:
            out.append(letter)
            continue
        base = [c for c in unicodedata.normalize("NFKD", letter) if ord(c) in letters]
        out.append("".join(base) or "?")
    return "".join(out)


def xml_text(text: str) -> str:
    r"""Replace what XML 1.0 cannot hold at all (control characters) by a question mark.

    >>> xml_text("a\x1bb")
    'a?b'
    """
    return _NOT_XML.sub("?", text)


def utf8(text: str) -> bytes:
    r"""Give text as UTF-8; halves of characters, which it cannot hold, as question marks.

    >>> utf8("Knöll\ud800").decode()
    'Knöll?'
    """
    return text.encode("utf-8", "replace")


def unaccented(text: str) -> str:
    """Give text in ASCII: accents fall away, and letters that have no ASCII form at their root.

    >>> unaccented("Wether Knöll ×")
    'Wether Knoll '
    """
    return unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()


def count(number: int, word: str) -> str:
    """Say a number of things, with a plural that agrees.

    >>> count(1, "tray"), count(3, "tray")
    ('1 tray', '3 trays')
    """
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def slug(text: str) -> str:
    """Turn any text into a safe file name: a-z, 0-9 and single hyphens, at most 60 long.

    >>> slug("../Wether Knöll, north & east!")
    'wether-knoll-north-east'
    """
    return re.sub(r"[^a-z0-9]+", "-", unaccented(text).lower()).strip("-")[:60].strip("-")


def file_stem(text: str) -> str:
    """Give text as a file name's stem, its words joined by ``_``; ``unnamed`` where none is left.

    >>> file_stem("Acacia dealbata"), file_stem("../")
    ('acacia_dealbata', 'unnamed')
    """
    return slug(text).replace("-", "_") or "unnamed"


def unique_slugs(texts: Sequence[str]) -> list[str]:
    """Give each text a file name's stem, with ``_2``, ``_3`` … where an earlier one took it.

    >>> unique_slugs(["A b", "a-b"])
    ['a_b', 'a_b_2']
    """
    taken: set[str] = set()
    chosen = []
    for text in texts:
        stem = first = file_stem(text)
        number = 1
        while stem in taken:
            number += 1
            stem = f"{first}_{number}"
        taken.add(stem)
        chosen.append(stem)
    return chosen
