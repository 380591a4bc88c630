"""What a command shows on the error stream while it works."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeElapsedColumn,
)

from siteplanner.base.text import visible


@contextmanager
def tiles_done(quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Show on stderr how many tiles of a step are done: a bar on a screen, else a line a step."""
    console = Console(stderr=True, emoji=False)
    if quiet or not console.is_terminal:

        def line(what: str, done: int, tiles: int) -> None:
            if done == 0 and not quiet:
                print(f"{visible(what)} …", file=sys.stderr)

        yield line
        return
    words = TextColumn("{task.description}", markup=False)
    columns = (words, BarColumn(), MofNCompleteColumn())
    with Progress(*columns, TimeElapsedColumn(), console=console, transient=True) as progress:
        task = progress.add_task("Starting", total=None)

        def bar(what: str, done: int, tiles: int) -> None:
            progress.update(task, description=visible(what), completed=done, total=tiles)

        yield bar


@contextmanager
def steps_done(quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show on stderr what is being done; on a screen as one changing line, else a line each."""
    if quiet:
        yield lambda words: None
        return
    console = Console(stderr=True, emoji=False)
    if not console.is_terminal:
        yield lambda words: print(f"{visible(words)} …", file=sys.stderr)
        return
    with Progress(
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        TimeElapsedColumn(),
        console=console,
        transient=True,
    ) as progress:
        task = progress.add_task("Starting", total=None)
        yield lambda words: progress.update(task, description=visible(words))


def told(quiet: bool) -> Callable[[str], None]:
    """Give what says a sentence on stderr, above what ``steps_done`` shows there."""
    # While progress is shown, it takes over the stream and puts such lines above its own.
    return (lambda _: None) if quiet else (lambda words: print(visible(words), file=sys.stderr))
