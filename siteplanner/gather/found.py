"""What a part of the gathering found: a file's content, and what is said of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.services import Service


@dataclass(frozen=True)
class Found:
    """A part that was found: ``write`` puts it into a file that does not exist yet.

    ``service`` is what is printed of where it came from; ``address``, ``on`` (ISO date),
    ``cell``, ``how_sure`` and ``better`` (what would improve on it, may be empty) are columns of
    ``sources.csv``; ``notes`` are sentences for the user; ``settings`` belong into the site file.
    """

    service: Service
    address: str
    on: str
    how_sure: str
    write: Callable[[Path], None]
    cell: str = ""
    better: str = ""
    notes: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)


def place_of(address: str) -> str:
    """Say where an address is, in words that fit into a sentence."""
    return urlsplit(address).hostname or address


def first_that_works(
    tries: Sequence[tuple[str, Callable[[], Found]]],
) -> tuple[Found, dict[str, ServiceError]]:
    """Give what the first service that works found, and what those before it said, by name.

    Raises :class:`ServiceError` with the words of all where none works.
    """
    said: dict[str, ServiceError] = {}
    for name, attempt in tries:
        try:
            return attempt(), said
        except ServiceError as error:
            said[name] = error
    words = "; ".join(f"{name}: {error}" for name, error in said.items())
    raise ServiceError(words or "no service is named in the services file")
