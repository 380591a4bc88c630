"""A server on this machine that speaks as the services of open data do, faults included.

``Fake.files`` holds what lies at each path; ``Fake.faults`` holds, by path, what is answered
instead, the next ones first. All ground is invented and in open sea.
"""

from __future__ import annotations

import contextlib
import functools
import json
import re
import tomllib
import types
from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from urllib.parse import unquote

import geopandas as gpd
import numpy as np
import pyproj
import rasterio
import shapely
from affine import Affine
from rasterio.io import MemoryFile

from siteplanner.gather.net.answers import Answers
from siteplanner.gather.net.door import Door
from siteplanner.gather.services import SHIPPED, Services

#: The middle of the invented property: open sea.
LON, LAT = 160.305, -42.053
NOT_FOUND = (
    b"<?xml version='1.0'?><Error><Code>NoSuchKey</Code><Message>No such key</Message></Error>"
)


@dataclass
class Asked:
    method: str
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Said:
    """An answer in place of the usual: ``cut`` sends so many bytes of what it promises."""

    status: int = 200
    body: bytes = b""
    headers: dict[str, str] = field(default_factory=dict)
    cut: int | None = None


class Fake:
    """The server; use it in a ``with`` block."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.faults: dict[str, deque[Said]] = defaultdict(deque)
        self.always: dict[str, Said] = {}
        self.asked: list[Asked] = []
        self.ranges = True
        self.most_at_once = self.now = 0

    def __enter__(self) -> Fake:
        fake = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            wbufsize = 1 << 16  # head and body at once: a second packet would wait for the first
            do_GET = do_HEAD = do_POST = lambda handler: fake.answer(handler)  # noqa: N815

            def log_message(self, *words: object) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        Thread(target=self.server.serve_forever, args=(0.01,), daemon=True).start()
        return self

    def __exit__(self, *problem: object) -> None:
        self.server.shutdown()
        self.server.server_close()

    @property
    def root(self) -> str:
        return f"http://127.0.0.1:{self.server.server_address[1]}"

    def fail(self, path: str, *said: Said) -> None:
        """Answer the next requests for a path so."""
        self.faults[path].extend(said)

    def paths(self, method: str | None = None) -> list[str]:
        return [one.path for one in self.asked if method in (None, one.method)]

    def answer(self, handler: BaseHTTPRequestHandler) -> None:
        self.now += 1
        self.most_at_once = max(self.most_at_once, self.now)
        try:
            self._answer(handler)
        finally:
            self.now -= 1

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        length = int(handler.headers.get("Content-Length", 0))
        body = handler.rfile.read(length)
        path = unquote(handler.path)
        self.asked.append(Asked(handler.command, path, dict(handler.headers), body))
        bare = path.split("?")[0]
        if self.faults[bare]:
            return self._send(handler, self.faults[bare].popleft())
        if bare in self.always:
            return self._send(handler, self.always[bare])
        content = self.files.get(path, self.files.get(bare))
        if content is None:
            return self._send(handler, Said(404, NOT_FOUND, {"Content-Type": "application/xml"}))
        wanted = re.fullmatch(r"bytes=(\d+)-(\d+)", handler.headers.get("Range", ""))
        tag = {"ETag": f'"{hash(content)}"'}
        if wanted and self.ranges:
            first, last = int(wanted[1]), min(int(wanted[2]), len(content) - 1)
            tag["Content-Range"] = f"bytes {first}-{last}/{len(content)}"
            return self._send(handler, Said(206, content[first : last + 1], tag))
        return self._send(handler, Said(200, content, tag))

    def _send(self, handler: BaseHTTPRequestHandler, said: Said) -> None:
        handler.send_response(said.status)
        for name, value in said.headers.items():
            handler.send_header(name, value)
        handler.send_header("Content-Length", str(len(said.body)))
        if said.cut is not None:
            handler.send_header("Connection", "close")
        handler.end_headers()
        if handler.command != "HEAD":
            with contextlib.suppress(OSError):
                handler.wfile.write(said.body[: said.cut])
        if said.cut is not None:
            handler.close_connection = True


class Clock:
    """A clock that does not wait: it notes how long it would have."""

    def __init__(self) -> None:
        self.time, self.waited = datetime(2026, 11, 28, 12, tzinfo=UTC), []

    def now(self) -> datetime:
        return self.time

    def monotonic(self) -> float:
        return self.time.timestamp()

    def sleep(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.time += timedelta(seconds=seconds)


def services_of(fake: Fake, **tables: object) -> Services:
    """The shipped services with every address on the fake server, and no country's own."""
    shipped = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))

    def here(value: object) -> object:
        if isinstance(value, dict):
            return {name: here(inner) for name, inner in value.items()}
        if isinstance(value, list):
            return [here(inner) for inner in value]
        return re.sub(r"^https://[^/]+", fake.root, value) if isinstance(value, str) else value

    moved = here(shipped)
    moved["manners"] |= {"plain_hosts": ["127.0.0.1"], "connect_s": 5.0, "read_s": 5.0}
    moved["heights"] |= {"margin_m": [1500.0, 400.0]}
    moved["national"] = []
    moved["winters"] |= {"since": 2009}
    for name, value in tables.items():
        moved[name] = moved[name] | value if isinstance(value, dict) else value
    return Services.model_validate(moved)


def services_file(path: Path, services: Services) -> Path:
    """Write services as a user would."""
    lines: list[str] = []
    for name, table in services.model_dump(mode="json").items():
        many = isinstance(table, list)
        for one in table if many else [table]:
            lines.append(f"[[{name}]]" if many else f"[{name}]")
            lines += [f"{key} = {json.dumps(value)}" for key, value in one.items()]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def door_of(services: Services, folder: Path | None = None, clock: Clock | None = None) -> Door:
    return Door(services.manners, Answers(folder, services.manners.keep_days), clock or Clock())


def path_of(address: str) -> str:
    return "/" + address.split("/", 3)[3]


def outline(metres: float = 400.0) -> shapely.Polygon:
    """The invented property: an uneven quadrangle about so wide, in degrees."""
    up = metres / 111_195 / 2
    aside = up / np.cos(np.radians(LAT))
    corners = [(-1, -0.8), (0.9, -1), (1, 0.9), (-0.8, 1)]
    return shapely.Polygon([(LON + x * aside, LAT + y * up) for x, y in corners])


def boundary_file(path: Path) -> Path:
    gpd.GeoDataFrame({"name": ["Spray Holm"]}, geometry=[outline()], crs=4326).to_file(path)
    return path


def tiff(
    values: np.ndarray,
    transform: Affine,
    crs: object,
    *,
    nodata: float | None = None,
    scale: float = 1.0,
    offset: float = 0.0,
    tiled: bool = True,
) -> bytes:
    """A GeoTIFF in memory, by default in tiles as the services' are."""
    rows, columns = values.shape
    blocks = {"tiled": True, "blockxsize": 64, "blockysize": 64} if tiled else {}
    with MemoryFile() as file:
        with file.open(
            driver="GTiff", width=columns, height=rows, count=1, dtype=values.dtype,
            crs=rasterio.CRS.from_user_input(crs), transform=transform, nodata=nodata,
            compress="deflate", **blocks,
        ) as out:  # fmt: skip
            out.write(values, 1)
            out.scales, out.offsets = (scale,), (offset,)
        return bytes(file.read())


def hill(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    """Invented heights, m: a slope with a valley across it."""
    x, y = (lon - LON) * 82_600, (lat - LAT) * 111_195
    return 300 + 0.06 * x + 25 * np.cos(y / 350) + 8 * np.sin(x / 200)


@functools.cache
def height_tile(
    kind: str = "float32",
    factor: float = 1.0,
    shift: float = 0.0,
    half: float = 0.05,
    **more: object,
) -> bytes:
    """Heights about the property on cells of one arc-second, ``half`` degrees each way."""
    step = 1 / 3600
    cells = round(2 * half / step)
    transform = Affine(step, 0, LON - half - step / 2, 0, -step, LAT + half + step / 2)
    columns, rows = np.meshgrid(np.arange(cells) + 0.5, np.arange(cells) + 0.5)
    lon, lat = transform @ np.array([columns.ravel(), rows.ravel()])
    values = (hill(lon, lat).reshape(cells, cells) + shift) * factor
    return tiff(values.astype(kind), transform, "EPSG:4326", **more)


IGH = "+proj=igh +datum=WGS84 +units=m +no_defs"


@functools.cache
def soil_grid() -> tuple[Affine, tuple[int, int]]:
    """Transform and shape of 250 m cells about the property in the soil model's own CRS."""
    x, y = pyproj.Transformer.from_crs(4326, IGH, always_xy=True).transform(LON, LAT)
    west, north = np.floor(x / 250) * 250 - 5000, np.ceil(y / 250) * 250 + 5000
    return Affine(250, 0, west, 0, -250, north), (40, 40)


#: What the soil model says, in its own tenths: mean, and the ends of its range.
SOIL = {
    "clay": (280, 150, 420), "sand": (380, 200, 600), "silt": (310, 200, 400),
    "phh2o": (58, 52, 65), "cfvo": (120, 50, 250),
}  # fmt: skip


@functools.cache
def vrt(transform: Affine, shape: tuple[int, int], tile: str, relative: int = 1) -> bytes:
    rows, columns = shape
    numbers = ", ".join(f"{v!r}" for v in transform.to_gdal())
    rectangle = f'xOff="0" yOff="0" xSize="{columns}" ySize="{rows}"'
    return f"""<VRTDataset rasterXSize="{columns}" rasterYSize="{rows}">
  <SRS>{pyproj.CRS(IGH).to_wkt().replace("&", "&amp;").replace("<", "&lt;")}</SRS>
  <GeoTransform>{numbers}</GeoTransform>
  <VRTRasterBand dataType="Int16" band="1"><NoDataValue>-32768</NoDataValue>
    <ComplexSource><SourceFilename relativeToVRT="{relative}">{tile}</SourceFilename>
      <SourceBand>1</SourceBand><SrcRect {rectangle}/><DstRect {rectangle}/></ComplexSource>
  </VRTRasterBand>
</VRTDataset>""".encode()


@functools.cache
def soil_tile(number: int) -> bytes:
    """One layer of soil: two kinds, side by side at the property."""
    transform, shape = soil_grid()
    values = np.full(shape, number, np.int16)
    values[:, :20] += number // 20
    return tiff(values, transform, IGH, nodata=-32768)


def put_soils(fake: Fake, services: Services, soil: dict[str, tuple[int, int, int]] = SOIL) -> None:
    """Lay the soil model's files out: a list of tiles and a tile for each layer."""
    transform, shape = soil_grid()
    for name, numbers in soil.items():
        for depth in ("0-5cm", "5-15cm", "15-30cm"):
            for value, number in zip(("mean", "Q0.05", "Q0.95"), numbers, strict=True):
                address = services.soilgrids.address
                for word, text in (("property", name), ("depth", depth), ("value", value)):
                    address = address.replace(f"{{{word}}}", text)
                path = path_of(address)
                tile = f"tiles/{path.rsplit('/', 1)[1].removesuffix('.vrt')}.tif"
                fake.files[path] = vrt(transform, shape, tile)
                fake.files[f"{path.rsplit('/', 1)[0]}/{tile}"] = soil_tile(number)


def without_a_line(fake: Fake) -> Callable[..., AbstractContextManager]:
    """What opens a raster of the fake server at once, where its line is not what is tried."""

    @contextlib.contextmanager
    def opened(door: Door, address: str, sends: str) -> Iterator[tuple[object, object]]:
        door.head(address, sends)
        with MemoryFile(fake.files[path_of(address)]) as file, file.open() as source:
            yield source, types.SimpleNamespace(on="2026-11-28")

    return opened


def put_depth(fake: Fake, services: Services, centimetres: int = 150) -> None:
    step = 1 / 480
    values = np.full((100, 100), centimetres, np.int16)
    transform = Affine(step, 0, LON - 50 * step, 0, -step, LAT + 50 * step)
    fake.files[path_of(services.depth[-1].address)] = tiff(values, transform, "EPSG:4326")


@functools.cache
def normals_tile(number: int, scale: float, offset: float) -> bytes:
    step = 1 / 120
    transform = Affine(step, 0, LON - 40 * step, 0, -step, LAT + 40 * step)
    return tiff(
        np.full((80, 80), number, np.uint16), transform, "EPSG:4326",
        nodata=65535, scale=scale, offset=offset, tiled=False,
    )  # fmt: skip


def put_normals(fake: Fake, services: Services, scale: float = 0.1) -> None:
    """Monthly means on 1 km, in tenths of a kelvin and of a millimetre as the climatology has."""
    for month in range(1, 13):
        warm = 6 * np.cos(2 * np.pi * (month - 1) / 12)
        for variable, value, offset in (
            ("tasmin", 273.15 + 5 + warm, -273.15),
            ("tasmax", 273.15 + 14 + warm, -273.15),
            ("pr", 60.0, 0.0),
        ):
            address = services.chelsa.address.replace("{variable}", variable)
            fake.files[path_of(address.replace("{month}", f"{month:02d}"))] = normals_tile(
                round(value * 10), scale, offset
            )


@functools.cache
def days(first: int, last: int) -> tuple[datetime, ...]:
    one, end = datetime(first, 1, 1), datetime(last, 12, 31)
    return tuple(one + timedelta(days=n) for n in range((end - one).days + 1))


@functools.cache
def cold(one: datetime) -> float:
    """Invented minimum of a day, °C: coldest in July, some years colder than others."""
    season = np.cos(2 * np.pi * (one.timetuple().tm_yday - 200) / 365)
    return round(6 - 8 * season - 0.5 * (one.year % 5) - 2 * (one.day % 7 == 3), 1)


def power_answer(first: int = 2009, last: int = 2025, **change: object) -> dict:
    """What the gridded weather answers: a wide cell at 410 m."""
    made = [f"{one:%Y%m%d}" for one in days(first, last)]
    minima = {day: cold(one) for day, one in zip(made, days(first, last), strict=True)}
    values = {
        "T2M_MIN": minima,
        "T2M_MAX": {day: low + 9 for day, low in minima.items()},
        "PRECTOTCORR": dict.fromkeys(made, 2.0),
        "WS2M": dict.fromkeys(made, 2.5),
        "RH2M": dict.fromkeys(made, 74.0),
        "ALLSKY_SFC_SW_DWN": dict.fromkeys(made, 14.0),
    }
    units = {"T2M_MIN": "C", "T2M_MAX": "C", "PRECTOTCORR": "mm/day", "WS2M": "m/s", "RH2M": "%",
             "ALLSKY_SFC_SW_DWN": "MJ/m^2/day"}  # fmt: skip
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [LON, LAT, 410.0]},
        "properties": {"parameter": values},
        "header": {"fill_value": -999.0},
        "parameters": {name: {"units": unit} for name, unit in units.items()},
    } | change


@functools.cache
def usual_power() -> bytes:
    return json.dumps(power_answer()).encode()


def put_power(fake: Fake, services: Services, answer: dict | None = None) -> None:
    told = usual_power() if answer is None else json.dumps(answer).encode()
    fake.files[path_of(services.power.address).split("?")[0]] = told


def put_stations(
    fake: Fake, services: Services, stations: list[tuple[str, float, float, float, str]]
) -> None:
    """The lists of stations: number, latitude, longitude, height, name; minima 1990 to 2026."""
    lines = [
        f"{number:<11} {lat:8.4f} {lon:9.4f} {height:6.1f} {'':2} {name:<30}"
        for number, lat, lon, height, name in stations
    ]
    fake.files[path_of(services.ghcn.stations)] = "\n".join(lines).encode()
    kinds = [
        f"{number:<11} {lat:8.4f} {lon:9.4f} {kind} 1990 2026"
        for number, lat, lon, _, _ in stations
        for kind in ("TMAX", "TMIN")
    ]
    fake.files[path_of(services.ghcn.inventory)] = "\n".join(kinds).encode()


def station_rows(
    number: str = "XX000000001", first: int = 2009, last: int = 2025, *, header: bool = True
) -> list[str]:
    """A station's file, line by line."""
    rows = [
        f"{number},{one:%Y%m%d},TMIN,{round(cold(one) * 10)},,,a,0900" for one in days(first, last)
    ]
    return ["ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME"] * header + rows


def put_record(fake: Fake, services: Services, number: str, rows: list[str]) -> None:
    path = path_of(services.ghcn.address.replace("{station}", number))
    fake.files[path] = "\n".join(rows).encode()


def near_station(fake: Fake, services: Services) -> None:
    put_stations(fake, services, [("XX000000001", LAT + 0.05, LON, 320.0, "SPRAY HOLM LIGHT")])
    put_record(fake, services, "XX000000001", station_rows())


def line(*places: tuple[float, float]) -> list[dict[str, float]]:
    """Geometry as the map's service gives it; metres east and north of the property's middle."""
    return [{"lat": LAT + y / 111_195, "lon": LON + x / 82_600} for x, y in places]


def elements() -> list[dict]:
    """A power line, a house, a track, a creek, a pond with an island, a pipe and a gate."""
    house = line((60, 60), (75, 60), (75, 72), (60, 72), (60, 60))
    ring = line((-160, -160), (-110, -160), (-110, -120))
    rest = line((-110, -120), (-160, -120), (-160, -160))
    island = line((-140, -145), (-130, -145), (-130, -135), (-140, -135), (-140, -145))
    return [
        {"type": "way", "id": 1, "tags": {"power": "minor_line"},
         "geometry": line((-3000, 30), (3000, 40))},
        {"type": "way", "id": 2, "tags": {"building": "yes", "name": "Wrack Cottage"},
         "geometry": house},
        {"type": "way", "id": 3, "tags": {"highway": "track"},
         "geometry": line((-200, -20), (0, -10), (200, -40))},
        {"type": "way", "id": 4, "tags": {"waterway": "stream"},
         "geometry": line((-200, -100), (200, -110))},
        {"type": "relation", "id": 5, "tags": {"natural": "water", "type": "multipolygon"},
         "members": [{"type": "way", "role": "outer", "geometry": ring},
                     {"type": "way", "role": "outer", "geometry": rest},
                     {"type": "way", "role": "inner", "geometry": island}]},
        {"type": "way", "id": 6, "tags": {"man_made": "pipeline"},
         "geometry": line((100, -180), (100, 180))},
        {"type": "node", "id": 7, "tags": {"power": "pole"}, **line((10, 32))[0]},
        {"type": "node", "id": 8, "tags": {"barrier": "gate"}, **line((20, -15))[0]},
    ]  # fmt: skip


def put_features(fake: Fake, services: Services, **answer: object) -> None:
    told = {"version": 0.6, "elements": elements()} | answer
    fake.files[path_of(services.overpass.address)] = json.dumps(told).encode()


def glo30_path(services: Services, name: str) -> str:
    return path_of(services.glo30.address.replace("{name}", name))


def put_heights(fake: Fake, services: Services) -> None:
    fake.files[path_of(services.gedtm30.address[0])] = height_tile(scale=0.1)
    fake.files[glo30_path(services, "Copernicus_DSM_COG_10_S43_00_E160_00_DEM")] = height_tile(
        shift=3.0
    )


def put_all(fake: Fake, services: Services) -> None:
    """Everything that a property needs, all services well."""
    put_heights(fake, services)
    put_soils(fake, services)
    put_depth(fake, services)
    put_normals(fake, services)
    put_power(fake, services)
    near_station(fake, services)
    put_features(fake, services)
