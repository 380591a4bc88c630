"""Import the modules that hold kernels, which compiles these and keeps them on disk.

With two numbers, such as ``1 2``: the first of every two modules, for two processes side by side.
"""

import importlib
import sys
from pathlib import Path

import siteplanner

HOME = Path(siteplanner.__file__).parent


def modules() -> list[str]:
    """Name every module that has kernels compiled."""
    return [
        ".".join(path.relative_to(HOME.parent).with_suffix("").parts)
        for path in sorted(HOME.rglob("*.py"))
        if "base.kernels import" in path.read_text(encoding="utf-8")
    ]


if __name__ == "__main__":
    first, step = map(int, sys.argv[1:] or ("1", "1"))
    for name in modules()[first - 1 :: step]:
        importlib.import_module(name)
