"""Columns that are not there, numbers and words as other people write them."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd

from bad_inputs.good_site import SQUARE, CaseTable, at, change
from bad_inputs.tables import species_cell, swap, write
from bad_inputs.vectors import fields, redo

TABLE = CaseTable()


def without(site: Path, name: str, column: str, layer: str | None = None) -> None:
    redo(site, name, lambda f: f.drop(columns=column), layer)


@TABLE.take("paddocks: 2, of which 2 to plant")
def paddocks_without_names_or_marks(site):
    fields(site, [at(50, 50).buffer(30), at(150, 150).buffer(30)], ["", ""], [0, 0])
    change(site, paddocks={"columns": {"name": "", "plant": ""}})


@TABLE.refuse("fields.gpkg", "layer land", "there is no column 'plant'", 'write plant = ""')
def paddocks_with_no_mark_and_nothing_said(site):
    fields(site, [SQUARE], ["All"], [1])
    without(site, "fields.gpkg", "plant")


def _soil_column(column: str) -> None:
    def breaks(site: Path) -> None:
        without(site, "soils.gpkg", column)
        change(site, soils={"columns": {column: ""}})

    breaks.__name__ = f"soils_without_{column}"
    TABLE.take("soil: 4 polygons")(breaks)


for _column in ("unit", "texture", "drainage", "depth_m", "ph", "stones_percent"):
    _soil_column(_column)


@TABLE.refuse("soils.gpkg", "layer soils", "there is no column 'ph'", 'write ph = ""')
def soils_without_ph_and_nothing_said(site):
    without(site, "soils.gpkg", "ph")


@TABLE.take("frost: 2 readings, 1 hand-drawn")
def readings_and_hollows_without_names(site):
    without(site, "frost.gpkg", "name", "readings")
    without(site, "frost.gpkg", "name", "hollows")
    readings = {"file": "frost.gpkg", "layer": "readings", "columns": {"name": ""}}
    hollows = {"file": "frost.gpkg", "layer": "hollows", "columns": {"name": ""}}
    change(site, frost={"readings": readings, "hollows": hollows})


@TABLE.refuse("frost.gpkg", "layer readings", "no column for height_m, which is needed", "name")
def readings_said_to_have_no_height(site):
    readings = {"file": "frost.gpkg", "layer": "readings", "columns": {"height_m": ""}}
    change(site, frost={"readings": readings})


@TABLE.take("to keep clear of: 1 features")
def things_without_a_kind_or_a_name(site):
    without(site, "no_plant.gpkg", "kind")
    without(site, "no_plant.gpkg", "name")
    change(site, no_plant={"columns": {"kind": "", "name": ""}})


@TABLE.take("to keep clear of: 1 features")
def kinds_in_another_language(site):
    redo(site, "no_plant.gpkg", lambda f: f.assign(kind=["Weg"]))
    change(site, no_plant={"words": {"weg": "track"}})


@TABLE.refuse("no_plant.gpkg", "features 1, 3, kind", "'Weg' is not a kind", "no_plant.words")
def kinds_in_another_language_and_nothing_said(site):
    def edit(frame):
        three = gpd.pd.concat([frame] * 3, ignore_index=True)
        return three.assign(kind=["Weg", "track", "Weg"])

    redo(site, "no_plant.gpkg", edit)


@TABLE.refuse("no_plant.gpkg", "feature 1, kind", "'path' is not a kind", "choose from")
def a_word_that_means_no_kind(site):
    redo(site, "no_plant.gpkg", lambda f: f.assign(kind=["Weg"]))
    change(site, no_plant={"words": {"Weg": "path"}})


@TABLE.take("soil: 4 polygons")
def textures_in_another_language(site):
    redo(site, "soils.gpkg", lambda f: f.assign(texture=["Lehm", "Ton", "LEHM", "Ton"]))
    change(site, soils={"words": {"texture": {"Lehm": "loam", "ton": "clay"}}})


@TABLE.refuse("soils.gpkg", "soil units B, D, texture", "'ton' is not a texture", "words.texture")
def textures_in_another_language_half_said(site):
    redo(site, "soils.gpkg", lambda f: f.assign(texture=["Lehm", "Ton", "Lehm", "Ton"]))
    change(site, soils={"words": {"texture": {"Lehm": "loam"}}})


@TABLE.repair("soils.gpkg: a lone dash is read as not known in soil unit A, ph; soil unit B, ph")
def dashes_in_the_soils(site):
    redo(site, "soils.gpkg", lambda f: f.assign(ph=["-", "–", "5.5", "5,8"]))


@TABLE.refuse("soils.gpkg", "soil unit A, depth_m", "'1,250' is not valid", "decimal point")
def a_comma_that_may_be_either(site):
    redo(site, "soils.gpkg", lambda f: f.assign(depth_m=["1,250", "1", "1", "1"]))


@TABLE.repair("frost.gpkg: the comma is read as the decimal point in Flat, winter_min_c: -7,5")
def decimal_commas_in_the_readings(site):
    redo(site, "frost.gpkg", lambda f: f.assign(winter_min_c=["-7,5", "-4,0"]), "readings")


@TABLE.repair("shelter.gpkg: the comma is read as the decimal point in line 1, porosity: 0,4")
def decimal_comma_in_the_shelter(site):
    redo(site, "shelter.gpkg", lambda f: f.assign(porosity=["0,4"]))


@TABLE.repair("winter_minima.csv: the comma is read as the decimal point in row 2, min_c", "and")
def winters_as_a_spreadsheet_in_europe_saves_them(site):
    text = (site.parent / "winter_minima.csv").read_text(encoding="utf-8")
    write(site, "winter_minima.csv", text.replace(",", ";").replace(".", ","))


@TABLE.take("850 mm rain")
def climate_divided_by_tabs(site):
    text = (site.parent / "climate.csv").read_text(encoding="utf-8")
    write(site, "climate.csv", text.replace(",", "\t"))


@TABLE.refuse("climate.csv", "row 2, rain_mm", "a lone dash may mean none", "write 0")
def a_dash_for_the_rain(site):
    swap(site, "climate.csv", "21.3,54", "21.3,-")


def _last(site, name):
    return (site.parent / name).read_text(encoding="utf-8").splitlines()[-1]


@TABLE.repair("winter_minima.csv: a lone dash is read as not known in row 31, min_c", "29 winter")
def a_dash_for_a_winter(site):
    swap(site, "winter_minima.csv", _last(site, "winter_minima.csv"), "2025,–")


@TABLE.repair("daily.csv: a lone dash is read as not known in row 3, min_c")
def a_dash_for_a_night(site):
    swap(site, "daily.csv", "2020-06-02,-3.0", "2020-06-02,-")


@TABLE.repair("climate.csv: not used, since it is not known throughout: wind_m_s", "Hargreaves")
def a_dash_for_the_wind(site):
    text = (site.parent / "climate.csv").read_text(encoding="utf-8")
    head, *rows = text.splitlines()
    rows = [f"{row},{'-' if n == 3 else 2.5}" for n, row in enumerate(rows)]
    write(site, "climate.csv", "\n".join([f"{head},wind_m_s", *rows]))


@TABLE.repair(
    "dig.csv: the comma is read as the decimal point in row 2, depth_m: 0,8", "a lone dash"
)
def decimal_commas_and_dashes_in_dug_spots(site):
    swap(site, "dig.csv", ",0.8,0.3,,5,5.6", ',"0,8",0.3,-,5,"5,6"')
    change(site, soils={"dug": "dig.csv"})


@TABLE.repair("species.csv: a lone dash is read as not known in Eucalyptus rodwayi, slope dies")
def a_dash_for_a_tolerance(site):
    header = "slope dies above [°]"
    species_cell(site, header, "-")
    change(site)


@TABLE.refuse("stock.csv", "row 2, species", "'Acacia' is not in the species table", "choose")
def stock_with_semicolons_and_a_strange_species(site):
    write(site, "stock.csv", "species;plants\nAcacia;4\n")
