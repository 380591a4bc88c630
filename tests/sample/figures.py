"""Figures of a plan, saved beside the tests, so that a change that should change nothing does not.

``python tests/sample/figures.py PLAN`` compares a plan's folder with the figures that are saved
and says what differs; with ``--save`` it writes them anew, for a change that is meant and told.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio

SAVED = Path(__file__).with_suffix(".json")
#: Columns of each table whose figures are saved: no words, no codes.
TABLES = {
    "counts.csv": ["zone", "paddock", "species", "trees", "infill", "order"],
    "blocks.csv": [
        "block",
        "zone",
        "year",
        "later",
        "trees",
        "order",
        "crew_days",
        "rip_m",
        "cost",
    ],
    "zones.csv": ["zone", "trees", "area_ha", "ground_ha", "density_ha", "survivors"],
    "works.csv": ["year", "month", "place", "job", "quantity"],
    "fences.csv": ["paddock", "fence_m", "gates"],
    "nursery.csv": ["species", "plants", "seed_g", "sow_on", "tubes", "plants_expected"],
    "frost.csv": ["zone", "species", "odds_low", "odds", "odds_high"],
    "frost_dates.csv": ["zone", "first_frost", "last_frost", "growth_starts"],
}
_DIGITS = 5


def figures_of(plan: Path) -> dict[str, dict[str, object]]:
    """Every tree, the tables' figures and each layer's, from the folder of a plan."""
    found: dict[str, dict[str, object]] = {"trees": _trees(plan)}
    for name, columns in TABLES.items():
        frame = pd.read_csv(plan / name)
        found[name] = {"rows": len(frame), "sha256": _digest(frame[columns].to_csv(index=False))}
        found[name] |= {
            column: round(float(frame[column].sum()), 2)
            for column in columns
            if pd.api.types.is_numeric_dtype(frame[column])
        }
    for path in sorted((plan / "layers").glob("*.tif")):
        found[f"layer {path.stem}"] = _layer(path)
    return found


def _trees(plan: Path) -> dict[str, object]:
    """Each tree to the centimetre, with its species, block and row."""
    trees = gpd.read_file(plan / "plan.gpkg", layer="trees", engine="pyogrio")
    frame = pd.DataFrame(trees[["species", "zone", "block", "row", "year", "mother"]])
    frame["x"], frame["y"] = trees.geometry.x.round(2), trees.geometry.y.round(2)
    return {"number": len(frame), "sha256": _digest(frame.to_csv(index=False))}


def _layer(path: Path) -> dict[str, object]:
    with rasterio.open(path) as file:
        values = file.read(1, masked=True).astype(np.float64)
    known = values.compressed()
    known = known[np.isfinite(known)]
    if not known.size:
        return {"known": 0}
    figures = {"mean": known.mean(), "deviation": known.std(), "most": known.max()}
    # As many digits as tell one ground from another, and no last bits.
    return {"known": known.size, **{n: float(f"{v:.{_DIGITS}g}") for n, v in figures.items()}}


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def differences(saved: dict, found: dict) -> list[str]:
    """Say in a line each which figures are not as they were saved."""
    said = []
    for name in sorted(saved.keys() | found.keys()):
        if saved.get(name) != found.get(name):
            said.append(f"{name}: saved {saved.get(name)}, found {found.get(name)}")
    return said


def main() -> None:
    """Compare a plan with the figures that are saved, or keep its figures."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("plan", type=Path)
    words.add_argument("--save", action="store_true")
    asked = words.parse_args()
    found = figures_of(asked.plan)
    if asked.save:
        text = json.dumps(found, indent=1, sort_keys=True, ensure_ascii=False)
        SAVED.write_text(text + "\n", encoding="utf-8")
        return
    said = differences(json.loads(SAVED.read_text(encoding="utf-8")), found)
    print("\n".join(said) or "Every figure is as it was.")
    sys.exit(bool(said))


if __name__ == "__main__":
    main()
