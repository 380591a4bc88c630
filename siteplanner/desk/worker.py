"""The processes that plan: each reads one job a line, says each step, and stays for the next.

They are processes of their own so that the desk answers meanwhile and Stop ends a run at once. One
makes the map alone and remembers what it worked out, so that the next map needs only what has
changed since; the other makes the whole plan behind it and may be ended at any time. What they
say is one JSON object a line: ``step``, ``trees`` once these have their place, then ``map`` or
``done``, or ``sentences`` with what is wrong.
"""

from __future__ import annotations

import gc
import hashlib
import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siteplanner.desk.planning import BEHIND_ALL

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from siteplanner.base.results.memory import Call
    from siteplanner.site.site_file import Site

Say = Callable[..., None]
#: How far the process that makes sheets and files steps back behind what somebody waits for.
_NICE = 10


class _StoppedError(BaseException):
    """The desk wants the run to end; what was begun is cleared up on the way out."""


def _stop(number: int, frame: object) -> None:
    raise _StoppedError


def planned(job: dict[str, Any], say: Say) -> None:
    """Make the plan of ``job["site"]`` at ``job["out"]``; ``say`` is told steps and the end."""

    def work() -> None:
        from siteplanner.run import write_plan

        write_plan(_site(job), job["out"], step=lambda words: say(step=words))
        say(done=True)

    _in_sentences(work, say)


def mapped(job: dict[str, Any], say: Say, step: Callable[[str], None], call: Call) -> None:
    """Make the map of ``job["site"]`` alone, at ``job["map"]``; it is there whole or not at all.

    As soon as they have their place the trees are at ``job["trees"]``. What is dear goes through
    ``call``. ``say`` is told the digests of both, and what else a page shows of a plan.
    """
    from siteplanner.desk.planned.trees import shown_trees

    def placed(xy: NDArray[np.float64], kind: NDArray[np.int64]) -> None:
        shown = json.dumps(shown_trees(xy, kind))
        say(trees=_put(Path(job["trees"]), shown))

    def work() -> None:
        from siteplanner.checking import check_plugins
        from siteplanner.handover.folder.manifest import headlines
        from siteplanner.handover.map.page import map_page
        from siteplanner.run import plan_through

        check_plugins()
        plan = plan_through(call, _site(job), step=step, placed=placed)
        step("Drawing the map")
        stamp = _put(Path(job["map"]), map_page(plan, call))
        figures = headlines(plan)
        say(
            map={
                "stamp": stamp,
                "trees": figures["trees_total"],
                "area_ha": figures["area_planted_ha"],
                "warnings": plan.warnings,
                "cautions": plan.cautions,
            }
        )

    _in_sentences(work, say)


def _put(path: Path, text: str) -> str:
    """Write a file, whole or not at all; give its SHA-256."""
    content = text.encode()
    beside = path.with_suffix(".part")
    beside.write_bytes(content)
    beside.replace(path)
    return hashlib.sha256(content).hexdigest()


def _site(job: dict[str, Any]) -> Site:
    from siteplanner.site.site_file import load_site

    site = load_site(job["site"])
    return site.with_only(job["only"], Path(job["out"])) if job.get("only") else site


def _in_sentences(work: Callable[[], None], say: Say) -> None:
    """Do work; what is wrong is said."""
    from siteplanner.base.errors import InputError

    try:
        work()
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


def main() -> None:
    """Read jobs until the desk closes."""
    with os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8") as told:
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what libraries print is no answer

        def say(**what: Any) -> None:
            told.write(json.dumps(what) + "\n")
            told.flush()

        def step(words: str) -> None:
            say(step=words)

        if BEHIND_ALL in sys.argv[1:] and hasattr(os, "nice"):
            os.nice(_NICE)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl+C is the desk's to answer
        signal.signal(signal.SIGTERM, _stop)
        try:
            import siteplanner.run  # noqa: F401  # loaded before the first job comes
            from siteplanner.base.results.memory import Memory

            memory = Memory(aside=[step])
            for line in sys.stdin:
                job = json.loads(line)
                if "map" in job:
                    mapped(job, say, step, memory)
                    _rest()
                else:
                    planned(job, say)
        except _StoppedError:
            return


def _rest() -> None:
    """Take what is remembered out of the collector's rounds, which would go through all of it."""
    gc.unfreeze()
    gc.collect()
    gc.freeze()


if __name__ == "__main__":
    main()
