"""The sketch map of a report: where the properties lie to each other."""

from __future__ import annotations

import geopandas as gpd
import pyproj
import shapely
from reportlab.lib.colors import HexColor, black
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from siteplanner.base.symbology.colours import GREEN
from siteplanner.handover.paper.drawing import Drawing
from siteplanner.handover.paper.frame import frame_for
from siteplanner.handover.paper.pages import Pen

_LINE_MM = 4.0


class Sketch(Flowable):
    """Outlines and names of sites, true to scale, in a panel of ``wide`` x ``high`` mm.

    Lambert's equal-area projection about the middle of the sites, so that north is up there.
    """

    def __init__(self, sites: gpd.GeoDataFrame, wide: float, high: float) -> None:
        super().__init__()
        self._sites = sites
        self._mm = wide, high
        self.width, self.height = wide * mm, high * mm

    def draw(self) -> None:
        """Draw it where the page has come to."""
        west, south, east, north = self._sites.total_bounds
        middle = f"+lat_0={(south + north) / 2:.4f} +lon_0={(west + east) / 2:.4f}"
        flat = self._sites.to_crs(pyproj.CRS(f"+proj=laea {middle} +units=m"))
        wide, high = self._mm
        pen = Pen(self.canv, wide, high)
        drawing = Drawing(pen, frame_for(flat.total_bounds, 0, 2, wide, high - 4))
        drawing.open()
        for shape in flat.geometry:
            drawing.shape(shape, edge=black, fill=HexColor(GREEN), points=0.8)
        # Names stand above their sites; one that finds no room is left out.
        line = _LINE_MM * drawing.frame.scale / 1000
        for site in flat.itertuples():
            west, _, east, north = site.geometry.bounds
            above = shapely.box(west, north, east, north + line)
            drawing.name(above, str(site.name))
        drawing.close()
        drawing.scale_bar()
        drawing.norths(wide - 8, 10, 0.0)
