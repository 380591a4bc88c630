"""A site on which one species suits: it is planted everywhere, and the plan says why alone."""

import pandas as pd
import pytest
from handover.small_site import small_site
from site_around import laid_out

from siteplanner.base.errors import InputError
from siteplanner.site.site_file import load_site

_RAIN = ["annual_rainfall dies below [mm]", "annual_rainfall thrives from [mm]"]


def with_wet_species(folder, wet_from):
    """The layout of the small site, whose species from ``wet_from`` on want 4 m of rain."""
    path = small_site(folder)
    table = pd.read_csv(folder / "species.csv")
    table.loc[wet_from:, _RAIN] = [3000, 4000]
    table.to_csv(folder / "species.csv", index=False)
    loose = "least_species = 1\nlargest_share = 1.0\nlowest_suitability = 0"
    text = path.read_text("utf-8")
    assert loose in text
    path.write_text(text.replace(loose, "lowest_suitability = 40"), "utf-8")
    site = load_site(path)
    return laid_out(site)


def test_one_species_that_suits_takes_all_places_and_the_plan_says_why(tmp_path):
    layout = with_wet_species(tmp_path / "dry", 1)
    assert layout.counts["species"].unique().tolist() == ["Eucalyptus rodwayi"]
    assert not any("left empty" in note for note in layout.notes)
    assert "5 of 6 species do not suit this site: too dry." in layout.notes
    (said,) = [note for note in layout.notes if note.startswith("Zone A: ")]
    trees = len(layout.trees)
    assert "no species should exceed 35% of the trees; Eucalyptus rodwayi does" in said
    assert f"because it alone suits {trees} of the {trees} places" in said


def test_where_no_species_suits_the_error_says_why(tmp_path):
    with pytest.raises(InputError, match="6 of 6 species do not suit this site: too dry"):
        with_wet_species(tmp_path / "drier", 0)
