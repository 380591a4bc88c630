"""How bad input is reported: one sentence an error, several errors together."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True)
class ErrorDetail:
    """One thing wrong with the input: which file, where in it, what, and the remedy."""

    file: str
    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}, {self.where}" if self.where else self.file
        return f"{place}: {self.what}; {self.remedy}."


class InputError(Exception):
    """The input cannot be used as it is.

    ``errors`` holds every error found in one pass, so that a person corrects them together.
    """

    def __init__(self, *errors: ErrorDetail) -> None:
        super().__init__("\n".join(str(detail) for detail in errors))
        self.errors = errors


def input_error(file: object, where: str, what: str, remedy: str) -> InputError:
    """Make an :class:`InputError` of a single error, ready to raise."""
    return InputError(ErrorDetail(str(file), where, what, remedy))


class Errors:
    """Collects errors over several steps, then raises them all at once."""

    def __init__(self) -> None:
        self.found: list[ErrorDetail] = []

    def add(self, file: object, where: str, what: str, remedy: str) -> None:
        """Keep one error."""
        self.found.append(ErrorDetail(str(file), where, what, remedy))

    @contextmanager
    def gather(self) -> Iterator[None]:
        """Keep the errors of an :class:`InputError` raised inside, and go on after it."""
        try:
            yield
        except InputError as error:
            self.found.extend(error.errors)

    def raise_any(self) -> None:
        """Raise one :class:`InputError` with all errors kept, if there are any."""
        if self.found:
            raise InputError(*dict.fromkeys(self.found))


def told(value: object) -> str:
    """Write a value as a person would know it: a number without the type that holds it.

    >>> told("warm"), told(2.5)
    ("'warm'", '2.5')
    """
    return repr(value.item() if hasattr(value, "item") else value)


def near(word: str, choices: object) -> str:
    """Name the choices nearest to a misspelled word, for the remedy of an error.

    >>> near("slop", ["slope", "aspect"])
    "did you mean 'slope'?"
    >>> near("frost", ["slope", "aspect"])
    'choose from: aspect, slope'
    """
    known = sorted(str(choice) for choice in choices)  # type: ignore[attr-defined]
    close = get_close_matches(word, known, n=3, cutoff=0.6)
    if close:
        return "did you mean " + " or ".join(repr(c) for c in close) + "?"
    return "choose from: " + ", ".join(known)
