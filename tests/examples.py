"""How many examples a property is tried on: a part by default, all where CI asks for them."""

import os

ALL = os.environ.get("SITEPLANNER_EXAMPLES") == "all"


def examples(number: int) -> int:
    """Give ``number`` where SITEPLANNER_EXAMPLES is "all", else a quarter of it, at least five."""
    return number if ALL else max(5, number // 4)
