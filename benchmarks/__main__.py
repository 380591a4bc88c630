"""``python -m benchmarks [NAME…]``: run the named groups, exit 1 when a figure is short."""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys

from rich.console import Console
from rich.table import Table

import benchmarks
from benchmarks.harness import Row


def groups() -> list[str]:
    """Names of the groups: modules of this folder that have ``rows``."""
    names = [m.name for m in pkgutil.iter_modules(benchmarks.__path__)]
    return sorted(n for n in names if n[0] != "_" and n != "harness")


def number(value: float) -> str:
    """Three significant digits, no exponent for everyday sizes."""
    return f"{value:.3g}" if value < 1000 else f"{value:,.0f}"


def main() -> int:
    """Print a row a figure; 0 when all keep their bounds, 1 when one is short."""
    known = groups()
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("name", nargs="*", help="groups to run: " + ", ".join(known))
    asked = parser.parse_args().name or known
    if unknown := sorted(set(asked) - set(known)):
        parser.error(f"no group {', '.join(unknown)}; choose from: {', '.join(known)}")
    console = Console(width=None if sys.stdout.isatty() else 140)
    short = 0
    for name in asked:
        table = Table(title=name, title_justify="left")
        for column in ("what", "ours", "reference", "ratio", "asked", ""):
            table.add_column(column, justify="left" if column in ("what", "reference") else "right")
        for row in importlib.import_module(f"benchmarks.{name}").rows():
            assert isinstance(row, Row)
            short += not row.ok
            bound = "at least" if row.at_least else "at most"
            table.add_row(
                row.what,
                f"{number(row.ours)} {row.unit}",
                f"{number(row.reference)} {row.unit} {row.reference_name}",
                number(row.ratio),
                f"{bound} {number(row.asked)}",
                "ok" if row.ok else "short",
            )
        console.print(table)
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
