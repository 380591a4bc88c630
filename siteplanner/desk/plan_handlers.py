"""Answers the page on the plan: making it, what became of its blocks, its files, what changed."""

from __future__ import annotations

import json
import mimetypes
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tornado.web import HTTPError

from siteplanner.after.place import Placed
from siteplanner.desk.on_desk import OnDesk
from siteplanner.desk.planning import BEHIND, Planning

WordsOf = Callable[[Placed], list[str]]
#: A plan's map is a program of its own: it may run, save and print, but not act for the desk.
_MAP_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals; frame-ancestors 'self'; base-uri 'none'"
)


class Planned(OnDesk):
    """Planning: what it is doing, and to start and stop it."""

    planning: Planning

    async def get(self, what: str) -> None:
        """Give the state once it has changed."""
        if what != "state":
            raise HTTPError(405)
        number = self.get_query_argument("after", "-1")
        if not number.lstrip("-").isdigit():
            raise HTTPError(400)
        state = await self.planning.after(int(number))
        self.finish(
            json.dumps({**state.plain(), "plan": self.planning.shown(self.desk.plan.about())})
        )

    async def post(self, what: str) -> None:
        """Start or stop."""
        if what == "stop":
            await self.planning.stop()
        elif what == "start":
            plan = await self.beside(lambda: self.desk.plan)
            if plan is None:
                return
            only = self.asked().get("only") if self.request.body else None
            names = [str(name) for name in only] if isinstance(only, list) else []
            if names and self.planning.ahead("map.html"):
                self.say(BEHIND, status=409)
                return
            # What is there is kept, to be compared with.
            self.planning.start(self.desk.path, plan.folder, names, plan.keep)
        else:
            raise HTTPError(405)
        self.finish(json.dumps(self.planning.state.plain()))


class Trees(OnDesk):
    """The trees, under what is drawn."""

    planning: Planning

    async def get(self) -> None:
        """Give those that are ahead of the plan, or the plan's."""
        ahead = self.planning.trees
        if ahead is None:
            await self.answer(self.desk.trees)
        else:
            self.set_header("Content-Type", "application/json")
            self.finish(ahead.read_bytes())


class Blocks(OnDesk):
    """The plan's blocks: what has become of them, and where plants on hand may go."""

    words_of: WordsOf

    async def get(self, what: str) -> None:
        """List them."""
        if what:
            raise HTTPError(405)
        await self.answer(self.desk.blocks)

    async def post(self, what: str) -> None:
        """Mark some, or say where plants may go."""
        work = {
            "/mark": self.desk.mark,
            "/place": self._where_to,
            "/zones": self.desk.take_zones,
        }.get(what)
        if work is None:
            raise HTTPError(405)
        await self.answer(work, self.asked())

    def _where_to(self, asked: dict[str, Any]) -> dict[str, Any]:
        return {"lines": [line for line in self.words_of(self.desk.where_to(asked)) if line]}


class Damage(OnDesk):
    """Damage seen in the blocks."""

    async def get(self) -> None:
        """List what is noted."""
        await self.answer(self.desk.damage)

    async def post(self) -> None:
        """Note a line, or take one out."""
        await self.answer(self.desk.note_damage, self.asked())


class Changes(OnDesk):
    """What changed since the plan before."""

    async def get(self) -> None:
        """Give it in words; nothing where there is no plan before."""
        found = await self.beside(lambda: {"changes": self.desk.plan.changes()})
        if found is not None:
            self.finish(json.dumps(found))


class PlanFile(OnDesk):
    """A file of the plan: a name from the plan's own list."""

    def get(self, name: str) -> None:
        """Give the file; the map in a sandbox."""
        path = self._path(name)
        if path is None:
            raise HTTPError(404)
        kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
        if kind == "text/html":
            self.set_header("Content-Security-Policy", _MAP_POLICY)
            self.set_header("Content-Type", "text/html; charset=utf-8")
        else:
            self.set_header("Content-Type", kind)
            self.set_header("Content-Disposition", f'attachment; filename="{path.name}"')
        self.finish(path.read_bytes())

    planning: Planning

    def _path(self, name: str) -> Path | None:
        return self.planning.ahead(name) or self.desk.plan.file(name)


class MapBefore(PlanFile):
    """The map of the plan before this one."""

    def _path(self, name: str) -> Path | None:
        return self.desk.plan.map_before()
