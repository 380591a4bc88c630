"""Adds settings to the text of a site file; everything else in it stays as it is."""

from __future__ import annotations

import re
from collections.abc import Mapping


def with_settings(text: str, table: str, values: Mapping[str, str]) -> str:
    r"""Write settings into a table, which is added at the end where there is none.

    A value that begins with a brace or is a whole number is written as it is, others as text.

    >>> print(with_settings('[frost]\nnights = 1\n', "frost", {"hollows": '{ file = "h.gpkg" }'}))
    [frost]
    hollows = { file = "h.gpkg" }
    nights = 1
    <BLANKLINE>
    """
    lines = [
        f"{key} = {value}" if value.startswith("{") or value.isdecimal() else f'{key} = "{value}"'
        for key, value in values.items()
    ]
    header = re.search(rf"^[ \t]*\[[ \t]*{re.escape(table)}[ \t]*\].*$", text, re.M)
    added = "\n".join(lines)
    if header is None:
        return f"{text.rstrip()}\n\n[{table}]\n{added}\n"
    return f"{text[: header.end()]}\n{added}{text[header.end() :]}"
