"""Classes of suitability and their words; apart from the scoring, so that reading is quick."""

from __future__ import annotations

#: Lowest score of each class, best first. FAO Soils Bulletin 32 (1976) names the classes; the
#: break points are those of parametric land evaluation, from memory.
CLASSES: tuple[tuple[str, int, str], ...] = (
    ("S1", 85, "suits well"),
    ("S2", 60, "suits"),
    ("S3", 40, "marginal"),
    ("N1", 25, "do not plant"),
    ("N2", 0, "do not plant"),
)
NOT_SCORED = 255
