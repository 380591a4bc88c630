"""What a desktop GIS calls the fields of the plan's layers, and how it rounds them."""

from __future__ import annotations

from collections.abc import Iterable

from siteplanner.base.symbology.qml import FieldWords

#: Every field of the GeoPackage: its name for people, and digits after the point.
FIELDS: dict[str, FieldWords] = {
    "name": FieldWords("Name"),
    "plant": FieldWords("Plant in this plan"),
    "zone": FieldWords("Zone"),
    "title": FieldWords("What it is"),
    "ground": FieldWords("Ground"),
    "ground_kind": FieldWords("Kind of ground"),
    "area_ha": FieldWords("Area, ha", 2),
    "pattern": FieldWords("Pattern"),
    "spacing_m": FieldWords("Spacing, m", 1),
    "density_ha": FieldWords("Trees per hectare", 0),
    "trees": FieldWords("Trees"),
    "block": FieldWords("Block"),
    "paddock": FieldWords("Paddock"),
    "rows": FieldWords("Rows"),
    "bearing_deg": FieldWords("Bearing of rows from grid north, °", 0),
    "steep": FieldWords("What is done as it is steep"),
    "status": FieldWords("Status"),
    "year": FieldWords("Year"),
    "hollow": FieldWords("Hollow"),
    "depth_m": FieldWords("Depth, m", 1),
    "kind": FieldWords("Kind"),
    "setback_m": FieldWords("Kept clear, m", 1),
    "row": FieldWords("Row"),
    "length_m": FieldWords("Length, m", 1),
    "ground_spacing_m": FieldWords("Spacing along the ground, m", 1),
    "species": FieldWords("Species"),
    "common_name": FieldWords("Common name"),
    "number": FieldWords("Tree in its row"),
    "mother": FieldWords("Mother tree"),
    "winter_min_c": FieldWords("Coldest of the winter, °C", 1),
    "height_m": FieldWords("Height of instrument, m", 2),
    "at_reference_c": FieldWords("At reference height, °C", 1),
    "estimated_c": FieldWords("Estimate there, °C", 1),
}


def words_for(fields: Iterable[str]) -> dict[str, FieldWords]:
    """Give the words for the fields of a layer, in its order."""
    return {field: FIELDS[field] for field in fields}
