"""One height above the ground for all night minima, whichever file they come from."""

import shutil

import numpy as np
import pandas as pd
import pytest
from site_around import SAMPLE

from siteplanner import load_site
from siteplanner.reading.inputs import read_inputs
from siteplanner.season.frost_by_zone import dates_by_zone
from siteplanner.season.frost_odds import odds_by_zone, odds_table, places_of


def at_grass(folder, lowered: bool):
    """The sample at grass level: by the setting, or by a station that hangs 4 degrees colder."""
    shutil.copytree(SAMPLE, folder)
    site = folder / "site.toml"
    text = site.read_text(encoding="utf-8")
    height = "1.2" if lowered else "0.05"
    text = text.replace(
        "reference_height_m = 1.2", f'reference_height_m = {height}\ngrowth_starts = "09-20"'
    )
    text = text.replace("readings = {", "# readings = {")  # the readings have heights of their own
    site.write_text(text, encoding="utf-8")
    if lowered:
        for name, column in (("climate.csv", "tmin_c"), ("winter_minima.csv", "min_c")):
            table = pd.read_csv(folder / name)
            table[column] -= 4.0
            table.to_csv(folder / name, index=False)
    site = load_site(site)
    return site, read_inputs(site)


def test_months_and_winters_are_brought_to_the_same_height(tmp_path):
    # What stations at 0.05 m and 1.2 m read on the same nights must give the same frost.
    site, converted = at_grass(tmp_path / "converted", lowered=False)
    _, measured = at_grass(tmp_path / "measured", lowered=True)
    lowest = measured.climate.winter_minima.mean()
    assert converted.climate.winter_minima.mean() == pytest.approx(lowest)
    zones = {"A": (lowest - 1.0, 0.5), "B": (lowest + 3.0, 0.5)}
    told, _ = dates_by_zone(zones, converted.climate, site.frost)
    expected, _ = dates_by_zone(zones, measured.climate, site.frost)
    pd.testing.assert_frame_equal(told, expected)
    ground = {zone: places_of(*np.array([both]).T) for zone, both in zones.items()}
    odds = [
        odds_by_zone(odds_table(one.climate, np.array([0.5]), 3), ground, {}, one.species, 3)
        for one in (converted, measured)
    ]
    pd.testing.assert_frame_equal(*odds)


def test_water_and_nursery_go_by_the_screen(tmp_path):
    _, converted = at_grass(tmp_path / "converted", lowered=False)
    table = pd.read_csv(SAMPLE / "climate.csv")
    assert np.array_equal(converted.climate.tmin_c, table["tmin_c"])
    assert converted.climate.night_minima == pytest.approx(table["tmin_c"] - 4.0)
