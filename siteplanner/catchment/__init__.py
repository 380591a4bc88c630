"""Beyond one property: many sites planned together, and ground of any size in tiles."""
