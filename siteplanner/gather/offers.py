"""What would be asked of whom for a part, in words, before anything is."""

from __future__ import annotations

import shapely

from siteplanner.gather.area import Area, in_words
from siteplanner.gather.found import place_of
from siteplanner.gather.services import Services


def offers(what: str, services: Services, area: Area) -> list[str]:
    """Sentences on each service that may be asked for a part of ``sources.csv``, in order."""
    wide = in_words(area.around(services.heights.margin_m[0]))
    lon, lat = (f"{value:.2f}" for value in area.middle)
    if what == "heights":
        return _heights(services, area, wide)
    if what == "soils":
        two = {"soilgrids": services.soilgrids, "soilgrids_wcs": services.soilgrids_wcs}
        box = in_words(area.around(services.soils.beside_m))
        sends = {"soilgrids": "byte ranges of files", "soilgrids_wcs": f"a box, {box}"}
        said = [_line(two[n].service, two[n].address, sends[n]) for n in services.soils.use]
        return said + [
            _line(one.service, one.address, "byte ranges of one file")
            for one in services.depth
            if shapely.box(*one.bounds).covers(area.outline)
        ]
    point = _line(
        services.power.service, services.power.address, f"a point, {lon} east {lat} north"
    )
    if what == "monthly climate":
        return [
            _line(services.chelsa.service, services.chelsa.address, "byte ranges of files"),
            point,
        ]
    if what == "winter minima":
        own = services.ghcn
        return [_line(own.service, own.address, "the numbers of stations nearby"), point]
    if what == "what to keep clear of":
        box = in_words(area.around(services.overpass.wider_m))
        return [_line(services.overpass.service, services.overpass.address, f"a box, {box}")]
    return ["worked out here; nothing is sent"]


def _heights(services: Services, area: Area, wide: str) -> list[str]:
    said = []
    for kind in services.heights.use:
        if kind == "national":
            said += [
                _line(
                    one.service,
                    one.address,
                    "byte ranges of files" if one.way in ("cog", "vrt") else f"a box, {wide}",
                )
                for one in services.national
                if shapely.box(*one.bounds).covers(area.outline)
            ]
        elif kind == "gedtm30":
            own = services.gedtm30
            said.append(_line(own.service, own.address[0], "byte ranges of one file"))
        else:
            said.append(_line(services.glo30.service, services.glo30.address, "names of 1° tiles"))
    return said


def _line(service: str, address: str, sends: str) -> str:
    return f"{service} ({place_of(address)}); sent: {sends}"
