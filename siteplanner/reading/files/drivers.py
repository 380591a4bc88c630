"""Listens to what the drivers of geodata warn of, so that nothing of it reaches the screen."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

import pyogrio
import pyproj
import shapely

#: What a vector driver may raise for a file that it cannot read.
DRIVER_ERRORS = (
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FieldError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.GeometryError,
    shapely.errors.GEOSException,
    UnicodeDecodeError,
)
#: What is raised where a file's CRS is no CRS; the first is pyogrio's own, as it has read none.
NO_CRS = (UnboundLocalError, pyproj.exceptions.CRSError)
_LOGGERS = ("rasterio", "pyogrio")
#: Part of a driver's warning, and what it means to the owner of the file. What is not listed is
#: about the driver itself, or about a feature that ends without a shape and is named as such.
_PLAIN = {
    "Non closed ring": "outlines that were not closed have been closed",
    "not exactly representable": "a number does not fit its column and was rounded",
    "One or several characters couldn't be converted": "letters that could not be read were "
    "replaced; check the names",
}


@contextmanager
def listening() -> Iterator[list[str]]:
    """Catch what drivers warn of inside; the list given holds it once, in their own words."""
    said: list[str] = []
    listener = logging.Handler(logging.WARNING)
    listener.emit = lambda record: said.append(record.getMessage())  # type: ignore[method-assign]
    loggers = [logging.getLogger(name) for name in _LOGGERS]
    before = [logger.propagate for logger in loggers]
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        for logger in loggers:
            logger.addHandler(listener)
            logger.propagate = False
        try:
            yield said
        finally:
            for logger, propagate in zip(loggers, before, strict=True):
                logger.removeHandler(listener)
                logger.propagate = propagate
            said += [str(one.message) for one in caught]


def plain(said: list[str]) -> list[str]:
    """Say in plain words what a driver's warnings mean to the owner of the file, each once.

    >>> plain(["Non closed ring detected. To avoid", "Non closed ring detected."])
    ['outlines that were not closed have been closed']
    >>> plain(["GFS file saving asked, but failed"])
    []
    """
    found = [words for key, words in _PLAIN.items() if any(key in one for one in said)]
    return list(dict.fromkeys(found))


def reason(error: Exception) -> str:
    """Give a driver's reason without its path and its advice to programmers.

    >>> reason(ValueError("'/a/b.kml' not recognized as being in a supported file format.; It "
    ...     "might help to specify the correct driver"))
    'it is none of the known formats'
    """
    text = str(error).partition("; It might help")[0].strip()
    if "not recognized as being in a supported file format" in text:
        return "it is none of the known formats"
    return text.rstrip(".")
