"""Fuzzes the readers, guided by coverage: ``python tests/bad_inputs/fuzz.py --runs 2000``.

A mutation that reaches a line of the package which none before reached is kept and mutated on.
What a reader raises beside an InputError is printed with the bytes' file, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import sys
import traceback
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from bad_inputs.mutations import spoilt_bytes  # noqa: E402
from bad_inputs.readers import Readers  # noqa: E402


def lines_reached(call) -> tuple[set[tuple[str, int]], BaseException | None]:
    """Run ``call``; give the package's lines that it reached, and what it raised."""
    seen: set[tuple[str, int]] = set()

    def line(frame, event, argument):
        seen.add((frame.f_code.co_filename, frame.f_lineno))
        return line

    def enter(frame, event, argument):
        return line if "siteplanner" in frame.f_code.co_filename else None

    sys.settrace(enter)
    try:
        call()
    except Exception as error:
        return seen, error
    finally:
        sys.settrace(None)
    return seen, None


def fuzz(readers: Readers, name: str, runs: int, seed: int) -> tuple[int, int, set[str]]:
    """Give the runs counted, how many inputs were kept, and the different failures."""
    draw = random.Random(f"{seed} {name}")
    kept = [(file, readers.good[file]) for file in readers.all[name].files]
    reached, failures = set(), set()
    for _ in range(runs):
        file, data = draw.choice(kept)
        try:
            data = readers.all[name].spoil(data, draw)
        except (ValueError, LookupError, sqlite3.Error):
            data = spoilt_bytes(data, draw)  # it is no longer of its own format
        seen, error = lines_reached(lambda file=file, data=data: readers.read(name, file, data))
        if not seen <= reached:
            reached |= seen
            kept.append((file, data))
        if error is not None:
            where = traceback.extract_tb(error.__traceback__)[-1]
            told = f"{type(error).__name__}: {error} ({where.filename}:{where.lineno})"
            if told not in failures:
                (readers.folder / f"failure-{name}-{len(failures)}").write_bytes(data)
                print(f"{name}: {told}", flush=True)
            failures.add(told)
    return runs, len(kept), failures


def main() -> int:
    """Fuzz each reader, or those named."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--runs", type=int, default=1000, help="for each reader")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("names", nargs="*")
    asked = words.parse_args()
    readers = Readers()
    bad = False
    for name in asked.names or readers.all:
        runs, kept, failures = fuzz(readers, name, asked.runs, asked.seed)
        print(f"{name}: {runs} runs, {kept} inputs kept, {len(failures)} failures", flush=True)
        bad |= bool(failures)
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
