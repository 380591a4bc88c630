"""What every handler of the site does: slow work beside the loop, errors in sentences."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tornado.web import HTTPError

from siteplanner.base.errors import InputError
from siteplanner.desk.drawing.features import WrongError
from siteplanner.desk.drawing.held import HeldError
from siteplanner.desk.drawing.saving import StaleError
from siteplanner.desk.guard import Guarded
from siteplanner.desk.site_desk import SiteDesk

_STALE = (
    "Not saved: this was changed in another tab or program since this page read it. Load it again "
    "to go on from there."
)


class OnDesk(Guarded):
    """A handler of the site on the desk; its slow work is done beside the loop."""

    desk: SiteDesk

    async def beside(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Do work in a thread; what is wrong is answered in sentences, and None given."""
        try:
            return await asyncio.to_thread(work, *arguments)
        except StaleError:
            self.say(_STALE, status=409)
        except HeldError as error:
            self.say(
                f"Not saved: {error} is open in another program. Save and close it there first.",
                status=423,
            )
        except WrongError as error:
            errors = [{"feature": n, "column": c, "sentence": s} for n, c, s in error.errors]
            said = dict.fromkeys(sentence for _, _, sentence in error.errors)
            self.say(*said, status=422, errors=errors)
        except InputError as error:
            self.say(*(str(one) for one in error.errors), status=422)
        except OSError as error:
            name = Path(str(error.filename or "")).name
            self.say(f"{name or 'A file'} cannot be used ({error.strerror}).", status=422)
        return None

    async def answer(self, work: Callable[..., Any], *arguments: Any) -> None:
        """Do work in a thread and give what it gives; what is None is not there."""
        found = await self.beside(work, *arguments)
        if self._finished:
            return
        if found is None:
            raise HTTPError(404)
        self.finish(json.dumps(found))

    def only_once(self) -> None:
        """Nothing is there to start where there is a site."""
        if self.desk.started:
            raise HTTPError(404)
