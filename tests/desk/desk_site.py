"""A small site whose four paddocks share a corner, and the desk of it."""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path

import geopandas as gpd
import shapely
from handover.small_site import NORTH, WEST, small_site

MIDDLE = (WEST + 120.0, NORTH - 120.0)
STYLE = "CREATE TABLE layer_styles (id INTEGER PRIMARY KEY, f_table_name TEXT, styleQML TEXT)"


def four_paddocks() -> gpd.GeoDataFrame:
    x, y = MIDDLE
    boxes = [
        (x - 50, y, x, y + 50),
        (x, y, x + 50, y + 50),
        (x - 50, y - 50, x, y),
        (x, y - 50, x + 50, y),
    ]
    return gpd.GeoDataFrame(
        {"name": ["North west", "North east", "South west", "South east"], "plant": [1, 1, 1, 0],
         "note": ["a", "b", "c", None]},
        geometry=[shapely.box(*box) for box in boxes], crs="EPSG:32756",
    )  # fmt: skip


def desk_site(folder: Path) -> Path:
    """Write the site; a style and a layer that the desk does not know lie beside the paddocks."""
    path = small_site(folder)
    file = folder / "land.gpkg"
    four_paddocks().to_file(file, layer="paddocks")
    gpd.GeoDataFrame(
        {"what": ["a gate"]}, geometry=[shapely.Point(MIDDLE)], crs="EPSG:32756"
    ).to_file(file, layer="mine")
    with closing(sqlite3.connect(file)) as open_file:
        open_file.execute(STYLE)
        open_file.execute("INSERT INTO layer_styles VALUES (1, 'paddocks', 's'), (2, 'mine', 'm')")
        open_file.commit()
    text = path.read_text("utf-8")
    text = text.replace(
        '[boundary]\nfile = "land.gpkg"', '[boundary]\nfile = "land.gpkg"\nlayer = "land"'
    )
    text = text.replace(
        '[paddocks]\nfile = "land.gpkg"', '[paddocks]\nfile = "land.gpkg"\nlayer = "paddocks"'
    )
    path.write_text(text, "utf-8")
    return path


def in_a_loop(work: Coroutine) -> object:
    """Run asynchronous work in a thread, since a browser's loop may run in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(asyncio.run, work).result(60)


@contextmanager
def desk_of(folder: Path, *words: str) -> Iterator[str]:
    """Run the command; give the address that it prints first."""
    command = [sys.executable, "-W", "ignore", "-m", "siteplanner", "desk", *words, str(folder)]
    process = subprocess.Popen(
        [*command, "--port", "0", "--no-browser"], stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    try:
        yield process.stdout.readline().strip()
    finally:
        process.send_signal(signal.SIGTERM)
        code = process.wait(30)
        process.stdout.close()
    assert code == 0
