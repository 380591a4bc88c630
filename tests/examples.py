"""How many examples a property is tried on: a part by default, all where CI asks for them."""

import os

ALL = os.environ.get("SITEPLANNER_EXAMPLES") == "all"


def examples(number: int, least: int = 5) -> int:
    """Give ``number`` where SITEPLANNER_EXAMPLES is "all", else a quarter of it.

    That is at least five, or ``least`` where an example is dear.
    """
    return number if ALL else max(least, number // 4)
