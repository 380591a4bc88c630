"""Answers that were believed, kept by request, so that nothing is asked for twice."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from siteplanner.gather.net.faults import Answer

_KEPT = ".answer"
#: Headers that mean something later.
_HEADERS = ("content-type", "content-length", "content-range", "etag", "last-modified")
#: When the kept answers take more than this, the oldest go.
LARGEST_BYTES = 2**30


@dataclass(frozen=True)
class Answers:
    """A folder of answers, each a file that appears whole or not at all; None keeps nothing."""

    folder: Path | None
    days: int

    def key(self, method: str, address: str, body: bytes | None, part: str) -> str:
        """Name a request, by all that makes its answer."""
        asked = [method, address, hashlib.sha256(body or b"").hexdigest(), part]
        return hashlib.sha256(json.dumps(asked).encode()).hexdigest()

    def find(self, key: str, now: datetime) -> Answer | None:
        """Give an answer that is kept, whole and not too old."""
        if self.folder is None:
            return None
        try:
            raw = (self.folder / f"{key}{_KEPT}").read_bytes()
        except OSError:
            return None
        digest, _, rest = raw.partition(b"\n")
        if hashlib.sha256(rest).hexdigest().encode() != digest:
            return None  # bytes that went wrong on the disk
        head, _, body = rest.partition(b"\n")
        told = json.loads(head)
        on = date.fromisoformat(told["on"])
        if now.date() - on > timedelta(days=self.days):
            return None
        return Answer(told["status"], told["headers"], body, told["address"], on)

    def keep(self, key: str, answer: Answer, now: datetime) -> None:
        """Keep an answer; a folder that cannot be written or a full disk only costs time."""
        if self.folder is None or not self.days:
            return
        told = {
            "status": answer.status,
            "headers": {n: v for n, v in answer.headers.items() if n in _HEADERS},
            "address": answer.address,
            "on": answer.on.isoformat(),
        }
        rest = json.dumps(told).encode() + b"\n" + answer.body
        digest = hashlib.sha256(rest).hexdigest().encode()
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(self.folder / f"{key}{_KEPT}", digest + b"\n" + rest)

    def tidy(self) -> None:
        """Remove the oldest answers until the rest is small enough."""
        if self.folder is None or not self.folder.is_dir():
            return
        dated = [(f.stat().st_mtime_ns, f.stat().st_size, f) for f in self.folder.glob(f"*{_KEPT}")]
        taken = 0
        for _, size, file in sorted(dated, reverse=True):
            taken += size
            if taken > LARGEST_BYTES:
                file.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, whenever the program is stopped."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
