"""How bad input is reported: one sentence a fault, several faults together."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches


@dataclass(frozen=True)
class Fault:
    """One thing wrong with the input: which file, where in it, what, and the mend."""

    file: str
    where: str
    what: str
    mend: str

    def __str__(self) -> str:
        place = f"{self.file}, {self.where}" if self.where else self.file
        return f"{place}: {self.what}; {self.mend}."


class InputError(Exception):
    """The input cannot be used as it is.

    ``faults`` holds every fault found in one pass, so that a person mends them together.
    """

    def __init__(self, *faults: Fault) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults


def fault(file: object, where: str, what: str, mend: str) -> InputError:
    """Make an :class:`InputError` of a single fault, ready to raise."""
    return InputError(Fault(str(file), where, what, mend))


class Faults:
    """Collects faults over several steps, then raises them all at once."""

    def __init__(self) -> None:
        self.found: list[Fault] = []

    def add(self, file: object, where: str, what: str, mend: str) -> None:
        """Keep one fault."""
        self.found.append(Fault(str(file), where, what, mend))

    @contextmanager
    def gather(self) -> Iterator[None]:
        """Keep the faults of an :class:`InputError` raised inside, and go on after it."""
        try:
            yield
        except InputError as error:
            self.found.extend(error.faults)

    def raise_any(self) -> None:
        """Raise one :class:`InputError` with all faults kept, if there are any."""
        if self.found:
            raise InputError(*dict.fromkeys(self.found))


def told(value: object) -> str:
    """Write a value as a person would know it: a number without the type that holds it.

    >>> told("warm"), told(2.5)
    ("'warm'", '2.5')
    """
    return repr(value.item() if hasattr(value, "item") else value)


def near(word: str, choices: object) -> str:
    """Name the choices nearest to a misspelled word, for the mend of a fault.

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
