"""How many trees a hectare each pattern should hold, from its geometry."""

import numpy as np

from siteplanner.planting.rows.patterns import ROW_SPACING


def density_per_ha(pattern: str, spacing_m: float, row_spacing_m: float | None = None) -> float:
    """Stems per map hectare of the built-in patterns; NaN for others."""
    squares = 10_000 / spacing_m**2
    triangles = squares * 2 / np.sqrt(3)
    return {
        "square": squares,
        "triangular": triangles,
        "strip": triangles,
        "rectangular": 10_000 / (spacing_m * (row_spacing_m or ROW_SPACING * spacing_m)),
        "contour": squares,
        "natural": squares,
        "clumps": squares,
        "enrichment": squares / 4,
    }.get(pattern, float("nan"))
