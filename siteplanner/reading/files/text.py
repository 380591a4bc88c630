"""Reads the text of a table, and says what is wrong with it before anyone counts its columns."""

from __future__ import annotations

from pathlib import Path

from siteplanner.base.errors import input_error

#: A table that a person keeps is far smaller; a larger one is something else.
LARGEST_BYTES = 100_000_000
AS_CSV = "save it as CSV, UTF-8, with commas"


def must_hold(path: Path, folder: bool = False) -> None:
    """Raise :class:`~siteplanner.InputError` unless there is a file that holds something.

    A ``folder`` passes where one may be a data set, such as a FileGDB.
    """
    try:
        if not path.exists():
            raise input_error(
                path, "", "this file does not exist", "check the path in the site file"
            )
        if path.is_dir() and not folder:
            raise input_error(
                path, "", "it is a folder, not a file", "give the path of a file in it"
            )
        if path.is_file() and path.stat().st_size == 0:
            raise input_error(path, "", "the file is empty", "save or copy it again")
    except (OSError, ValueError) as error:
        raise input_error(path, "", f"it cannot be opened ({error})", "check the path") from None


def table_text(path: Path) -> str:
    """Read a CSV's whole text, without a byte-order mark.

    Raises :class:`~siteplanner.InputError` for a file that is missing, empty, too large,
    not UTF-8, or not text.
    """
    must_hold(path)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise input_error(
                path,
                "",
                f"it is larger than {LARGEST_BYTES // 1_000_000} MB",
                "give a table with one row for each entry",
            )
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise input_error(path, f"byte {error.start}", "it is not UTF-8 text", AS_CSV) from None
    except OSError as error:
        raise input_error(
            path, "", f"it cannot be read ({error.strerror})", "check the path and its permissions"
        ) from None
    if "\0" in text:
        raise input_error(path, "", "it is binary, not text", AS_CSV)
    return text


def separator(text: str) -> str:
    """Give what separates a table's columns: the comma, unless the header has another alone.

    >>> separator("year;min_c"), separator("year,min_c"), separator("year")
    (';', ',', ',')
    """
    head = next((line for line in text.splitlines() if line.strip() and line[0] != "#"), "")
    others = [mark for mark in (";", "\t") if mark in head and "," not in head]
    return others[0] if others else ","
