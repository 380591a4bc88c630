"""An answer of a service, and how it is said that there is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date


class ServiceError(Exception):
    """A service did not give what was asked of it; the words continue "<service>: …"."""


class AbsentError(ServiceError):
    """The service works, and has nothing there."""


@dataclass(frozen=True)
class Answer:
    """What a service answered: header names in small letters, ``on`` the day it was fetched."""

    status: int
    headers: dict[str, str]
    body: bytes
    address: str
    on: date


#: Raises :class:`ServiceError` for an answer that is not to be believed.
Check = Callable[[Answer], None]


def believed(answer: Answer) -> None:
    """Take an answer as it is."""


def error_inside(body: bytes) -> str:
    """Words of an error that came as a page or as XML, as services answer at times with 200.

    >>> error_inside(b"<a><ServiceException code='x'>No such layer</ServiceException></a>")
    'No such layer'
    """
    text = body[:4000].decode("utf-8", "replace")
    bare, inside = [], False
    for letter in text:
        inside = letter == "<" or (inside and letter != ">")
        bare.append(" " if inside or letter == ">" else letter)
    words = " ".join("".join(bare).split())
    return words[:160] or "no words"
