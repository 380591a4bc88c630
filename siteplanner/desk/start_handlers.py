"""Answers the page on which a property is started."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tornado.web import HTTPError, stream_request_body

from siteplanner.desk.on_desk import OnDesk
from siteplanner.desk.starting.page import safe_name

#: No larger file is taken: heights may be large, and are written as they come.
LARGEST_FILE = 1024 * 1024 * 1024


class Starting(OnDesk):
    """A site that is not there yet: what it may start from, and to start it."""

    async def get(self) -> None:
        """Give the files in the folder, and the questions."""
        self.only_once()
        found = await self.beside(self.desk.starting)
        if found is not None:
            self.finish(json.dumps(found))

    async def post(self) -> None:
        """Start the site."""
        self.only_once()
        missing = await self.beside(self.desk.begin, self.asked())
        if missing is not None:
            self.finish(json.dumps({"missing": missing}))


class OpenData(OnDesk):
    """Open data for a site that is not there yet: what would be fetched, and to fetch it."""

    async def post(self) -> None:
        """Say what would be asked of whom; or, where ``fetch`` is true, fetch it."""
        self.only_once()
        asked = self.asked()
        work = self.desk.fetch if asked.get("fetch") is True else self.desk.would_fetch
        found = await self.beside(work, asked)
        if found is not None:
            self.finish(json.dumps(found))


@stream_request_body
class Dropped(OnDesk):
    """A file dropped on the page: it goes into the folder as it comes, under its own name."""

    def prepare(self) -> None:
        """Refuse names and sizes that are not taken; nothing there is replaced."""
        super().prepare()
        connection: Any = self.request.connection
        connection.set_max_body_size(LARGEST_FILE)
        self.beside_it: Path | None = None
        name = safe_name(self.get_query_argument("name", ""))
        if self.desk.started or self.request.method != "PUT":
            raise HTTPError(404)
        if name is None:
            self.say(
                "This kind of file cannot be used here, or its name has odd signs.", status=422
            )
            return
        self.desk.folder.mkdir(exist_ok=True)
        self.target = self.desk.folder / name
        if self.target.exists():
            self.say(f"{name} is in the folder already.", status=409)
            return
        self.beside_it = self.target.with_name(f".{name}.part")
        self.beside_it.write_bytes(b"")

    def data_received(self, chunk: bytes) -> None:
        """Write what has come."""
        if self.beside_it is not None:
            with self.beside_it.open("ab") as file:
                file.write(chunk)

    async def put(self) -> None:
        """All has come: it gets its name."""
        if self.beside_it is None:
            return
        self.beside_it.replace(self.target)
        found = await self.beside(self.desk.starting)
        if found is not None:
            self.finish(json.dumps(found))

    def on_connection_close(self) -> None:
        """Leave no half of a file."""
        if getattr(self, "beside_it", None) is not None:
            self.beside_it.unlink(missing_ok=True)  # type: ignore[union-attr]
