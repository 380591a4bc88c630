"""Broken tables: climate, species, stock, counts, dig answers and kept survival."""

from __future__ import annotations

from pathlib import Path

import xlsxwriter

from bad_inputs.good_site import SPECIES, CaseTable, change

TABLE = CaseTable()
AS_CSV = "save it as CSV, UTF-8, with commas"
POINT = "with a decimal point"


def swap(site: Path, name: str, old: str, new: str) -> None:
    """Replace the first ``old`` in a file's text."""
    path = site.parent / name
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def species_cell(site: Path, header: str, value: str) -> None:
    """Write ``value`` into a column of the first species."""
    import csv

    path = site.parent / "species.csv"
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    rows[1][rows[0].index(header)] = value
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)


def write(site: Path, name: str, text: str | bytes) -> None:
    """Replace a whole file."""
    data = text.encode() if isinstance(text, str) else text
    (site.parent / name).write_bytes(data)


def with_survival(site: Path, text: str) -> None:
    """Name kept survival in the site file, and write it."""
    write(site, "saved_rates.csv", text)
    change(site, species={"survival": "saved_rates.csv"})


def with_dig(site: Path, old: str, new: str) -> None:
    """Name the dig answers in the site file, with one part of them changed."""
    swap(site, "dig.csv", old, new)
    change(site, soils={"dug": "dig.csv"})


def _refuse_csv(name: str, data: str | bytes, what: str, remedy: str, place: str = "") -> None:
    def breaks(site: Path) -> None:
        write(site, name, data)

    kind = what.replace(" ", "_").strip("_")
    breaks.__name__ = f"{name.partition('.')[0]}_{kind}"
    TABLE.refuse(name, place, what, remedy)(breaks)


for table in ("climate.csv", "winter_minima.csv", "daily.csv", "species.csv", "stock.csv",
              "counts.csv"):  # fmt: skip
    _refuse_csv(table, b"", "is empty", "save or copy it again")
    _refuse_csv(table, b"\xff\xfem\x00o\x00", "not UTF-8", "UTF-8", "byte 0")
    _refuse_csv(table, b"a\x00b\x00\n\x00\x01", "binary", "CSV")
_refuse_csv("species.csv", "<html><body>Log in</body></html>", "column is missing", "choose from",
            "botanical_name")  # fmt: skip
_refuse_csv("winter_minima.csv", "year,min_c\n", "has no rows", "one row")
_refuse_csv("daily.csv", "date,min_c\n", "has no rows", "one row")


@TABLE.refuse("climate.csv", "row 2", "cells", "decimal point")
def decimal_commas_in_the_climate(site):
    swap(site, "climate.csv", "1,9.4,21.3,54", "1,9,4,21,3,54")


@TABLE.refuse("climate.csv", "row 2, tmin_c", "'nan' is not a number", POINT)
def climate_not_a_number(site):
    swap(site, "climate.csv", "1,9.4,", "1,nan,")


@TABLE.refuse("climate.csv", "row 2, tmin_c", "'inf' is not a number", POINT)
def climate_at_infinity(site):
    swap(site, "climate.csv", "1,9.4,", "1,inf,")


@TABLE.refuse("climate.csv", "row 2, tmin_c", "it is empty", POINT)
def one_climate_cell_empty(site):
    swap(site, "climate.csv", "1,9.4,", "1,,")


@TABLE.refuse(
    "climate.csv", "tmin_c in rows 2, 3; rain_mm in every row", "14 cells are empty", POINT
)
def climate_cells_empty(site):
    path = site.parent / "climate.csv"
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    for number, row in enumerate(rows[1:]):
        row[rows[0].index("rain_mm")] = ""
        if number < 2:
            row[rows[0].index("tmin_c")] = ""
    path.write_text("\n".join(map(",".join, rows)) + "\n", encoding="utf-8")


@TABLE.refuse("climate.csv", "month 1, tmax_c", "1e+300 is not possible", "°C")
def climate_of_huge_numbers(site):
    swap(site, "climate.csv", "1,9.4,21.3", "1,9.4,1e300")


@TABLE.refuse("climate.csv", "month 1, tmax_c", "70.3 is not possible", "°C")
def climate_in_fahrenheit(site):
    swap(site, "climate.csv", "1,9.4,21.3", "1,48.9,70.3")


@TABLE.refuse("climate.csv", "month 1", "tmin_c is above tmax_c", "swap them")
def coldest_above_warmest(site):
    swap(site, "climate.csv", "1,9.4,21.3", "1,21.3,9.4")


@TABLE.refuse("climate.csv", "month 1, rain_mm", "-54 mm is not possible", "mean rainfall")
def rain_below_nothing(site):
    swap(site, "climate.csv", "21.3,54", "21.3,-54")


@TABLE.refuse("climate.csv", "month", "each month from 1 to 12 once", "one row for each month")
def a_month_twice(site):
    swap(site, "climate.csv", "\n2,", "\n1,")


@TABLE.refuse("climate.csv", "rain_mm", "column is missing", "did you mean 'rain'")
def rain_by_another_name(site):
    swap(site, "climate.csv", "rain_mm", "rain")


@TABLE.refuse("winter_minima.csv", "row 3, year", "1996 is listed twice", "keep one row")
def a_winter_twice(site):
    swap(site, "winter_minima.csv", "\n1997,", "\n1996,")


@TABLE.refuse("winter_minima.csv", "row 2, year", "1996.5 is not a year", "whole year")
def a_winter_and_a_half(site):
    swap(site, "winter_minima.csv", "\n1996,", "\n1996.5,")


@TABLE.refuse("winter_minima.csv", "row 2, min_c", "-310.0 is not possible", "°C")
def colder_than_nothing(site):
    swap(site, "winter_minima.csv", "1996,-3.1", "1996,-310")


@TABLE.refuse("daily.csv", "row 2, date", "'01/06/2020' is not a date", "write dates as")
def dates_backwards(site):
    swap(site, "daily.csv", "2020-06-01", "01/06/2020")


@TABLE.refuse("daily.csv", "row 3, date", "2020-06-01 is listed twice", "keep one row")
def a_day_twice(site):
    swap(site, "daily.csv", "2020-06-02", "2020-06-01")


@TABLE.refuse("daily.csv", "row 2, date", "'2020-06-31' is not a date", "write dates as")
def a_day_that_never_was(site):
    swap(site, "daily.csv", "2020-06-01", "2020-06-31")


@TABLE.repair("the comma is read as the decimal point in row")
def a_quoted_decimal_comma(site):
    swap(site, "daily.csv", "-1.5", '"-1,5"')


@TABLE.refuse("species.csv", "botanical_name", f"'{SPECIES[0]}' is listed twice", "keep one")
def a_species_twice(site):
    swap(site, "species.csv", "Eucalyptus ovata", SPECIES[0])


@TABLE.refuse("species.csv", f"{SPECIES[0]}, slope", "not in order", "they must rise")
def tolerances_out_of_order(site):
    species_cell(site, "slope thrives to [°]", "80")


@TABLE.refuse("species.csv", f"{SPECIES[0]}, slope", "is not possible", "from 0 to 90")
def steeper_than_upright(site):
    species_cell(site, "slope dies above [°]", "400")


@TABLE.refuse("species.csv", f"{SPECIES[0]}, soil_ph", "is not possible", "from 2 to 12")
def impossible_ph_of_a_species(site):
    species_cell(site, "soil_ph dies above", "73")


@TABLE.refuse("species.csv", f"{SPECIES[0]}, slope dies above [°]", "'inf' is not a number", POINT)
def tolerance_at_infinity(site):
    species_cell(site, "slope dies above [°]", "inf")


@TABLE.repair("the comma is read as the decimal point in")
def tolerance_with_a_decimal_comma(site):
    species_cell(site, "slope dies above [°]", "25,5")


@TABLE.refuse("species.csv", f"{SPECIES[0]}, expected_survival", "'85' is not valid", "0.05 to 1")
def survival_in_percent(site):
    species_cell(site, "expected_survival", "85")


@TABLE.refuse("species.csv", f"{SPECIES[0]}, crown_m", "'wide' is not valid", "leave it empty")
def crown_in_words(site):
    species_cell(site, "crown_m", "wide")


@TABLE.refuse(
    "species.csv", f"{SPECIES[0]}, mature_height_m", "'-20' is not valid", "leave it empty"
)
def tree_that_grows_down(site):
    species_cell(site, "mature_height_m", "-20")


@TABLE.refuse(
    "species.csv", f"{SPECIES[0]}, fruiting_months", "'²' is not a list of months", "12-3"
)
def months_in_superscript(site):
    species_cell(site, "fruiting_months", "²")


@TABLE.refuse("species.csv", f"{SPECIES[0]}, roles", "'pionear' is not a role", "'pioneer'")
def misspelt_role(site):
    species_cell(site, "roles", "pionear")


@TABLE.refuse(
    "species.csv", f"{SPECIES[0]}, drainage_class", "'damp' is not a class", "choose from"
)
def unknown_drainage_of_a_species(site):
    species_cell(site, "drainage_class thrives in", "damp")


@TABLE.refuse("species.csv", "'slope thrives to [°]'", "two columns have this name", "keep one")
def a_column_twice(site):
    swap(site, "species.csv", "slope dies above [°]", "slope thrives to [°]")


@TABLE.refuse("species.csv", "slope", "its unit is given as m", "name the column so")
def unit_of_another_kind(site):
    swap(site, "species.csv", "slope thrives to [°]", "slope thrives to [m]")
    swap(site, "species.csv", "slope dies above [°]", "slope dies above [m]")


@TABLE.refuse("species.csv", "slop", "no layer has that name", "did you mean 'slope'")
def tolerance_of_no_layer(site):
    swap(site, "species.csv", "slope thrives to", "slop thrives to")


@TABLE.refuse("species.csv", "", "lists no species", "one row for each species")
def header_alone(site):
    path = site.parent / "species.csv"
    path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")


@TABLE.refuse("species.csv", "row 2", "cells, the header has", "double quotes")
def a_row_too_long(site):
    swap(site, "species.csv", "Eucalyptus rodwayi,", "Eucalyptus rodwayi,x,")


@TABLE.refuse("species.csv", "row", "cannot be read as a CSV table", AS_CSV)
def quote_never_closed(site):
    swap(site, "species.csv", "Eucalyptus rodwayi,", '"Eucalyptus rodwayi,')
    path = site.parent / "species.csv"
    path.write_text(path.read_text(encoding="utf-8").replace('",', ","), encoding="utf-8")


@TABLE.refuse("stock.csv", "row 2, plants", "'-4' is not a number of plants", "whole number")
def fewer_plants_than_none(site):
    write(site, "stock.csv", f"species,plants\n{SPECIES[0]},-4\n")


@TABLE.refuse("stock.csv", "row 2, plants", "'nan' is not a number of plants", "whole number")
def stock_not_a_number(site):
    write(site, "stock.csv", f"species,plants\n{SPECIES[0]},nan\n")


@TABLE.refuse("stock.csv", "row 2, species", "not in the species table", "did you mean")
def stock_of_a_species_misspelt(site):
    write(site, "stock.csv", "species,plants\nEucalyptus rodwayii,4\n")


@TABLE.refuse("counts.csv", "row 2, stage", "'grown' is not a stage", "choose from")
def count_of_no_stage(site):
    swap(site, "counts.csv", "germinated", "grown")


@TABLE.refuse("counts.csv", "row 2, date", "'04.03.2028' is not a date", "year-month-day")
def count_on_a_date_backwards(site):
    swap(site, "counts.csv", "2028-03-04", "04.03.2028")


@TABLE.refuse("counts.csv", "row 2, count", "'1e400' is not a count", "whole number")
def count_without_end(site):
    swap(site, "counts.csv", ",120,", ",1e400,")


@TABLE.refuse("saved_rates.csv", "row 2, species", "not in the species table", "did you mean")
def saved_rates_of_a_stranger(site):
    with_survival(site, "species,expected_survival\nEucalyptus rodway,0.5\n")


@TABLE.refuse("saved_rates.csv", f"{SPECIES[0]}, expected_survival", "'nan' is not valid", "0 to 1")
def saved_rates_not_a_number(site):
    with_survival(site, f"species,expected_survival\n{SPECIES[0]},nan\n")


@TABLE.refuse("saved_rates.csv", f"{SPECIES[0]}", "is listed twice", "keep one row")
def saved_rates_twice(site):
    with_survival(site, f"species,expected_survival\n{SPECIES[0]},0.5\n{SPECIES[0]},0.9\n")


@TABLE.refuse("dig.csv", "row 2, depth_m", "'deep' is not valid", "from 0 to 50")
def dug_in_words(site):
    with_dig(site, ",0.8,", ",deep,")


@TABLE.refuse("dig.csv", "row 2, ph", "'nan' is not valid", "from 2 to 11")
def dug_not_a_number(site):
    with_dig(site, ",5.6", ",nan")


@TABLE.refuse("dig.csv", "row 2, reach_m", "'inf' is not valid", "from 1 to 1000")
def dug_without_end(site):
    with_dig(site, ",20,loam", ",inf,loam")


@TABLE.refuse("dig.csv", "row 2, easting", "is empty", "write")
def dug_nowhere(site):
    with_dig(site, "1,620150.0,", "1,,")


@TABLE.refuse("dig.csv", "row 2", "no soil polygon is within", "easting")
def dug_on_another_property(site):
    with_dig(site, "1,620150.0,", "1,720150.0,")


@TABLE.refuse("dig.csv", "row 2, texture", "'lome' is not a texture class", "did you mean 'loam'")
def dug_texture_misspelt(site):
    with_dig(site, "loam", "lome")


@TABLE.repair("What was found at 1 dug spots")
def dug_as_it_should_be(site):
    change(site, soils={"dug": "dig.csv"})


@TABLE.refuse("species.xlsx", "", "cannot be read as a workbook", "save it as XLSX or as CSV")
def workbook_that_is_a_csv(site):
    (site.parent / "species.csv").rename(site.parent / "species.xlsx")
    change(site, species={"file": "species.xlsx"})


@TABLE.refuse("species.xlsx", "", "has no table", "write a header")
def workbook_without_cells(site):
    with xlsxwriter.Workbook(site.parent / "species.xlsx") as book:
        book.add_worksheet()
    change(site, species={"file": "species.xlsx"})
