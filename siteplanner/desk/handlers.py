"""Answers the page of a site: what is drawn, what lies under it, species, and earlier versions."""

from __future__ import annotations

import json

from tornado.web import HTTPError

from siteplanner.desk.on_desk import OnDesk
from siteplanner.desk.planning import Planning


class About(OnDesk):
    """What the site is called, what is drawn of it and what is planned."""

    planning: Planning

    async def get(self) -> None:
        """Give it, and have the process that plans ready."""
        found = await self.beside(self.desk.about)
        if found is not None:
            self.finish(json.dumps(found))
            await self.planning.warm()


class Under(OnDesk):
    """What may lie under the drawing."""

    async def get(self) -> None:
        """List it."""
        found = await self.beside(self.desk.under)
        if found is not None:
            self.finish(json.dumps({"layers": found}))


class PictureUnder(OnDesk):
    """A picture under the drawing: where it lies and its key, or the picture."""

    async def get(self, name: str, what: str) -> None:
        """Give the one or the other."""
        found = await self.beside(self.desk.picture_under, name)
        if self._finished:
            return
        if found is None:
            raise HTTPError(404)
        if what == "about":
            self.finish(json.dumps({"extent": found.extent, "key": found.key}))
        else:
            self.set_header("Content-Type", "image/png")
            self.finish(found.png)


class LinesUnder(OnDesk):
    """Contours, or outlines of the plan, under the drawing."""

    async def get(self, name: str) -> None:
        """Give them."""
        await self.answer(self.desk.lines_under, name)


class DrawnLayer(OnDesk):
    """One layer of what is drawn."""

    async def get(self, name: str) -> None:
        """Give its features."""
        await self.answer(self.desk.layer, name)

    async def put(self, name: str) -> None:
        """Save its features."""
        asked = self.asked()
        try:
            version, features = str(asked["version"]), asked["features"]
        except KeyError:
            raise HTTPError(400) from None
        await self.answer(self.desk.save, name, version, features)


class Species(OnDesk):
    """The species of the site."""

    async def get(self) -> None:
        """List them."""
        await self.answer(self.desk.species)

    async def post(self) -> None:
        """Change one of them, and list all."""
        await self.answer(self.desk.change_species, self.asked())


class EarlierVersions(OnDesk):
    """Earlier versions of a layer's file."""

    async def get(self, name: str) -> None:
        """List them."""
        await self.answer(self.desk.earlier, name)

    async def post(self, name: str) -> None:
        """Put one in the file's place."""
        number = self.asked().get("number")
        if not isinstance(number, int):
            raise HTTPError(400)
        await self.answer(self.desk.put_back, name, number)
