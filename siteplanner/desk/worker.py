"""The process that plans: it reads one job a line, says each step, and stays for the next.

It is a process of its own so that the desk answers meanwhile and Stop ends a run at once. It stays
so that a second plan need not load everything again. What it says is one JSON object a line:
``step``, then ``done``, or ``sentences`` with what is wrong.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any


class _StoppedError(BaseException):
    """The desk wants the run to end; what was begun is cleared up on the way out."""


def _stop(number: int, frame: object) -> None:
    raise _StoppedError


def planned(job: dict[str, Any], say: Callable[..., None]) -> None:
    """Make the plan of ``job["site"]`` at ``job["out"]``; ``say`` is told steps and the end."""
    from siteplanner.base.errors import InputError
    from siteplanner.run import write_plan
    from siteplanner.site.site_file import load_site

    try:
        site = load_site(job["site"])
        if job.get("only"):
            site = site.with_only(job["only"], Path(job["out"]))
        write_plan(site, job["out"], step=lambda words: say(step=words))
    except InputError as error:
        say(sentences=[str(detail) for detail in error.errors])
    except PermissionError as error:
        say(sentences=[f"{error.filename}: permission denied; get permission to write it."])
    except Exception as error:  # a mistake of ours ends this run, not the desk
        say(
            sentences=[
                f"siteplanner failed ({type(error).__name__}: {error}). The previous plan has not "
                "changed. Please report this and attach the site file."
            ]
        )
    else:
        say(done=True)


def main() -> None:
    """Read jobs until the desk closes."""
    with os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8") as told:
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what libraries print is no answer

        def say(**what: Any) -> None:
            told.write(json.dumps(what) + "\n")
            told.flush()

        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl+C is the desk's to answer
        signal.signal(signal.SIGTERM, _stop)
        try:
            import siteplanner.run  # noqa: F401  # loaded before the first job comes

            for line in sys.stdin:
                planned(json.loads(line), say)
        except _StoppedError:
            return


if __name__ == "__main__":
    main()
