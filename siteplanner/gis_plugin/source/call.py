"""Calls siteplanner in a process with its own Python, and reads what it tells."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

ENVIRONMENT = json.loads(Path(__file__).with_name("environment.json").read_text("utf-8"))
#: Beginnings of variables by which the GIS finds its own libraries, which are not siteplanner's.
_OURS_ALONE = ("PYTHON", "GDAL_", "PROJ_")
_PATIENCE_S = 30
#: A line that siteplanner tells.
Event = dict[str, Any]


class Called:
    """What a command told: faults, warnings, results and answers as in siteplanner's schema.

    ``said`` is text that was no such line, ``code`` the exit code, ``stopped`` whether somebody
    cancelled.
    """

    def __init__(self) -> None:
        self.faults: list[Event] = []
        self.warnings: list[str] = []
        self.results: list[Event] = []
        self.answers: list[Event] = []
        self.said: list[str] = []
        self.code: int | None = None
        self.stopped, self.why = False, ""


def environment() -> dict[str, str]:
    """Give the variables of this process without those that would lead to the GIS's libraries."""
    return {k: v for k, v in os.environ.items() if not k.upper().startswith(_OURS_ALONE)}


def call(
    words: Iterable[object],
    feedback: Any,
    as_json: bool = True,
    part: tuple[float, float] = (0.0, 100.0),
) -> Called:
    """Run a command to its end; show steps, stop it when somebody cancels.

    ``part`` is the stretch of the bar, percent, that the command's steps fill.
    """
    python: str = ENVIRONMENT["python"]
    command = [python, "-P", "-m", "siteplanner", *map(str, words)]
    command += ["--json"] if as_json else []
    told = Called()
    flags = getattr(subprocess, "CREATE_NO_WINDOW", 0)
    try:
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL,
            env=environment(), creationflags=flags,
        )  # fmt: skip
    except OSError as error:
        told.why = (
            f"siteplanner cannot be started ({error}). The plugin belongs to {python}: where that "
            "has moved, write the plugin anew with siteplanner gis-plugin."
        )
        return told
    lines: queue.Queue[tuple[str, str | None]] = queue.Queue()
    readers = [
        threading.Thread(target=_read, args=(stream, name, lines), daemon=True)
        for name, stream in (("out", process.stdout), ("err", process.stderr))
    ]
    for reader in readers:
        reader.start()
    ended = 0
    while ended < len(readers):
        if feedback.isCanceled() and not told.stopped:
            told.stopped = True
            process.terminate()
        try:
            name, line = lines.get(timeout=0.1)
        except queue.Empty:
            continue
        if line is None:
            ended += 1
        else:
            _hear(told, name, line, feedback, part)
    try:
        told.code = process.wait(_PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        told.code = process.wait()
    return told


def _read(stream: IO[bytes], name: str, lines: queue.Queue[tuple[str, str | None]]) -> None:
    with stream:
        for line in stream:
            lines.put((name, line.decode("utf-8", "replace").rstrip()))
    lines.put((name, None))


def _hear(told: Called, name: str, line: str, feedback: Any, part: tuple[float, float]) -> None:
    event = _event(line) if name == "out" else None
    if event is None:
        told.said.append(line)
        return
    kind = event["event"]
    if kind == "step":
        feedback.pushInfo(event["title"])
        if event["of"]:
            low, high = part
            feedback.setProgress(low + (high - low) * (event["step"] - 1) / event["of"])
    elif kind == "warning":
        told.warnings.append(event["text"])
    elif kind in ("fault", "result", "answer"):
        {"fault": told.faults, "result": told.results, "answer": told.answers}[kind].append(event)
    elif kind == "end":
        told.why = event["why"]


def _event(line: str) -> Event | None:
    try:
        event = json.loads(line)
    except ValueError:
        return None
    return event if isinstance(event, dict) and "event" in event else None
