"""A very small invented site, and a process that plans it again and again and is hit meanwhile.

Run as a program it is that process: it imports everything and plans once, so that all is
loaded; then each line of its input, a JSON object, is a run in a fork of its own.
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from site_around import site_around

from siteplanner.cli import app as cli
from siteplanner.handover import write
from siteplanner.handover.folder import publish
from siteplanner.run import write_plan
from siteplanner.site.site_file import load_site

CELLS, CELL = 48, 5.0
WEST, NORTH = 620_000.0, 5_350_240.0


def small_site(folder: Path, name: str = "A square") -> Path:
    """Write a site of one hectare of made-up hillside at sea; give its site file."""
    folder.mkdir(parents=True)
    y, x = np.mgrid[:CELLS, :CELLS] * CELL
    heights = (300 + 0.1 * x + 6 * np.sin(x / 40) * np.cos(y / 50)).astype(np.float32)
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=CELLS, height=CELLS, count=1,
        dtype="float32", crs="EPSG:32756", transform=from_origin(WEST, NORTH, CELL, CELL),
    ) as file:  # fmt: skip
        file.write(heights, 1)
    square = shapely.box(WEST + 70, NORTH - 170, WEST + 170, NORTH - 70)
    path = site_around(folder, {"file": "dem.tif"}, square, "EPSG:32756")
    path.write_text(path.read_text("utf-8").replace("A square", name), "utf-8")
    head, *species = (folder / "species.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "species.csv").write_text("".join([head, *species[::4]]), "utf-8")
    return path


#: Writers that take long, by their titles: for plans whose map and sheets nobody looks at.
SLOW = ("Drawing the map", "Drawing the planting sheets", "Writing the files for handhelds",
        "Writing the workbook", "Writing the nursery's year")  # fmt: skip


class Warm:
    """The process that plans; use it in a ``with`` block.

    Its first plan, of ``site``, stays in the folder ``plan``. ``without`` are titles of writers
    that none of its plans gets.
    """

    def __init__(
        self, folder: Path, prefix: tuple[str, ...] = (), without: tuple[str, ...] = ()
    ) -> None:
        self.folder, self.prefix, self.without = folder, prefix, without
        self.plan = folder / "warm plan"

    def __enter__(self) -> Warm:
        self.site = small_site(self.folder / "warm")
        words = [*self.prefix, sys.executable, "-W", "ignore", __file__,
                 str(self.site), str(self.plan), *self.without]  # fmt: skip
        self.process = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=self.folder,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
        assert self.process.stdout.readline() == "planned\n"
        return self

    def __exit__(self, *_: object) -> None:
        self.process.stdin.close()
        self.process.wait(60)
        self.process.stdout.close()

    def run(
        self,
        *words: object,
        hit_after: float | None = None,
        hit_at: str | None = None,
        whom: str = "run",
        how: int = signal.SIGKILL,
        env: dict[str, str] | None = None,
        times: int = 1,
        root: bool = True,
    ) -> Any:
        """Run a command; send a signal to the run or its helper at some moment.

        That is after ``hit_after`` seconds, or at the named point ``hit_at``: words that the run
        says, or a function of ``publish`` that it is about to call. At a named point the run sends
        the signal itself, so that it can have gone no further, however busy the machine is.

        Gives ``code``, ``said`` (what stood on stderr) and ``seconds``; a list of them when it is
        run several ``times`` at once. Without ``root`` the run has the rights of its user alone,
        even if that is root.
        """
        job = {"words": [str(w) for w in words], "hit_after": hit_after, "hit_at": hit_at,
               "whom": whom, "how": int(how), "env": env or {}, "root": root,
               "times": times}  # fmt: skip
        found = self._ask(job)
        return found if times > 1 else found[0]

    def small_disk(self, folder: Path, kib: int) -> Path | None:
        """Put a disk of that size at ``folder``, in place of an earlier one; give its files' way.

        Only the process sees it, and whoever looks through its eyes. None where it may not.
        """
        if not self._ask({"disk": str(folder), "kib": kib}):
            return None
        return Path(f"/proc/{self.process.pid}/root{folder}")

    def _ask(self, job: dict[str, object]) -> Any:
        self.process.stdin.write(json.dumps(job) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())


def strays(target: Path, seconds: float = 60) -> list[str]:
    """What lies beside the plan once those who clear up are done, or ``seconds`` have passed."""
    end = time.monotonic() + seconds
    while True:
        found = [p.name for p in target.parent.iterdir() if p != target]
        if not found or time.monotonic() > end:
            return found
        time.sleep(0.05)


def own_mounts() -> tuple[str, ...]:
    """Words before a command that let it put up disks which nobody else sees."""
    return ("unshare", "-m") if os.geteuid() == 0 else ("unshare", "-r", "-m")


def _mounted(folder: str, kib: int) -> bool:
    subprocess.run(["umount", folder], capture_output=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", folder], capture_output=True
    )
    return done.returncode == 0


def _runs(job: dict) -> list[dict[str, object]]:
    start = time.monotonic()
    said = [Path(f"said-{os.getpid()}-{n}.txt").absolute() for n in range(job["times"])]
    for file in said:
        file.write_text("")
    children = [_forked(job, file) for file in said]
    if job["hit_after"] is not None:
        time.sleep(job["hit_after"])
        for pid in children:
            os.kill(pid, job["how"])
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    return [
        {"code": code, "said": file.read_text("utf-8"), "seconds": time.monotonic() - start}
        for code, file in zip(codes, said, strict=True)
    ]  # fmt: skip


def _forked(job: dict, said: Path) -> int:
    child = os.fork()
    if child:
        return child
    handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(handle, 1), os.dup2(handle, 2)
    os.environ.update(job["env"])
    if not job["root"] and os.geteuid() == 0:
        _lay_down_power()
    if job["hit_at"]:
        _hit_at(job)
    _plan(job["words"])


def _hit_at(job: dict) -> None:
    """Have this process hit itself, or its helper, at a named point."""

    def hit() -> None:
        for pid in [os.getpid()] if job["whom"] == "run" else _children(os.getpid()):
            os.kill(pid, job["how"])

    point = job["hit_at"]
    if function := getattr(publish, point, None):

        def before(*arguments: Any) -> Any:
            hit()
            return function(*arguments)

        setattr(publish, point, before)
        return
    write, reached = sys.stderr.write, False

    def told(text: str) -> int:
        nonlocal reached
        written = write(text)
        reached |= point in text
        if reached and text.endswith("\n"):
            reached = False  # what it says of being hit is no such point
            sys.stderr.flush()
            hit()
        return written

    sys.stderr.write = told


def _lay_down_power() -> None:
    """Give up what makes root more than other users, for this process and what it starts."""
    library = ctypes.CDLL(None, use_errno=True)
    securebits, no_root = 28, 0b11
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)
    nothing = (ctypes.c_uint32 * 6)()
    if library.prctl(securebits, no_root, 0, 0, 0) or library.capset(header, nothing):
        os._exit(99)


def _children(pid: int) -> list[int]:
    return [int(n) for n in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def _plan(words: list[str]) -> None:
    sys.argv = ["siteplanner", *words]
    code = 0
    try:
        cli.main()
    except SystemExit as end:
        code = end.code or 0
    sys.stdout.flush(), sys.stderr.flush()
    os._exit(code)


def leave_out(titles: Sequence[str], patch: pytest.MonkeyPatch) -> None:
    """Have plans written in this process without some writers."""
    known = write.writers()
    assert set(titles) <= {title for title, _ in known}
    kept = [(title, one) for title, one in known if title not in titles]
    patch.setattr(write, "writers", lambda: kept)


if __name__ == "__main__":
    leave_out(sys.argv[3:], pytest.MonkeyPatch())
    write_plan(load_site(sys.argv[1]), sys.argv[2])
    print("planned", flush=True)
    for line in sys.stdin:
        job = json.loads(line)
        found = _mounted(job["disk"], job["kib"]) if "disk" in job else _runs(job)
        print(json.dumps(found), flush=True)
