"""What commands tell other programs: one JSON object a line on stdout, as ``--json`` asks.

``events.schema.json`` beside this module describes every line.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from siteplanner import __version__
from siteplanner.base.errors import InputError
from siteplanner.cli.exits import BAD_INPUT, DONE, OUR_ERROR, USAGE
from siteplanner.cli.progress import steps_done

if TYPE_CHECKING:
    from siteplanner.handover.folder.results import Result

SCHEMA = Path(__file__).with_name("events.schema.json")
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON object a line, for other programs.")
]


class Events:
    """Tells a program what happens; without ``wanted`` it tells nothing.

    ``of`` is how many steps there will be, where that is known.
    """

    def __init__(self, wanted: bool, of: int | None = None) -> None:
        self.wanted, self.of = wanted, of
        self._steps, self._start = 0, time.monotonic()

    def tell(self, event: str, **content: Any) -> None:
        """Print one line."""
        from siteplanner.handover.folder.manifest import plain

        if self.wanted:
            print(json.dumps({"event": event, **plain(content)}, allow_nan=False), flush=True)

    def step(self, title: str) -> None:
        """Tell what is being done from now on."""
        self._steps += 1
        of = None if self.of is None else max(self.of, self._steps)
        self.tell("step", step=self._steps, of=of, seconds=self.seconds, title=title)

    def warnings(self, texts: Iterable[str]) -> None:
        """Tell what somebody should read."""
        for text in texts:
            self.tell("warning", text=text)

    def results(self, folder: Path, results: Iterable[Result]) -> None:
        """Tell of each result, with the whole path of its file."""
        for one in results:
            path = str((folder / one.path).resolve())
            self.tell("result", **(asdict(one) | {"path": path, "layer": one.layer or None}))

    def file(self, path: Path, role: str, title: str, form: str = "table") -> None:
        """Tell of a file that is written beside no plan."""
        from siteplanner.handover.folder.results import Result

        self.results(path.parent, [Result(path.name, "", role, title, form, "", 0, False)])

    def answer(self, about: str, content: Any) -> None:
        """Tell what a question came to."""
        self.tell("answer", about=about, content=content)

    @property
    def seconds(self) -> float:
        """Seconds since the command began."""
        return round(time.monotonic() - self._start, 3)


@contextmanager
def events(wanted: bool, command: str, of: int | None = None) -> Iterator[Events]:
    """Tell of a command from its beginning to its end, whichever way it ends."""
    told = Events(wanted, of)
    told.tell("start", command=command, version=__version__)
    code, why = OUR_ERROR, "stopped"
    try:
        yield told
        code, why = DONE, "done"
    except InputError as error:
        code, why = BAD_INPUT, "bad input"
        for detail in error.errors:
            told.tell("fault", **asdict(detail))
        raise
    except PermissionError as error:
        code, why = BAD_INPUT, "bad input"
        remedy = "get permission to read and write it"
        told.tell("fault", file=str(error.filename), where="", what="permission denied",
                  remedy=remedy)  # fmt: skip
        raise
    except typer.BadParameter as error:
        code, why = USAGE, f"wrong usage: {error.message}"
        raise
    except typer.Exit as end:
        code, why = end.exit_code, "bad input" if end.exit_code == BAD_INPUT else "done"
        raise
    except Exception as error:
        why = f"siteplanner failed ({type(error).__name__}: {error})"
        raise
    finally:
        told.tell("end", code=code, why=why, seconds=told.seconds)
        sys.stdout.flush()


@contextmanager
def working(told: Events, quiet: bool) -> Iterator[Any]:
    """Give what takes the words of each step, for a program or for a person."""
    if told.wanted:
        yield told.step
        return
    with steps_done(quiet) as step:
        yield step
