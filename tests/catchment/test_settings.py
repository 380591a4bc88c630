"""A catchment file is read like a site file: every error in one pass, each with its remedy."""

import pytest
from catchment.made_catchment import small_site

from siteplanner.base.errors import InputError
from siteplanner.catchment.run import plan_catchment
from siteplanner.catchment.settings import find_sites, load_catchment
from siteplanner.catchment.stock import read_seed


def catchment(folder, text):
    path = folder / "catchment.toml"
    path.write_text(text, encoding="utf-8")
    return path


def said(error):
    return [str(detail) for detail in error.value.errors]


def test_all_errors_are_told_together_with_their_remedy(tmp_path):
    text = '[catchment]\nnmae = "x"\nsites = []\n[privacy]\nseed_sources = "shown"\ngrid_m = 10\n'
    with pytest.raises(InputError) as error:
        load_catchment(catchment(tmp_path, text))
    words = said(error)
    assert len(words) == 5
    assert all(str(tmp_path / "catchment.toml") in line for line in words)
    assert any(
        "catchment.nmae: this setting does not exist; did you mean 'name'" in line for line in words
    )
    assert any("catchment.name: this setting is missing" in line for line in words)
    assert any("privacy.grid_m: 10 is not valid; it should be greater" in line for line in words)


@pytest.mark.parametrize("folder", ["", "none"])
def test_a_missing_or_broken_file_is_told(tmp_path, folder):
    with pytest.raises(InputError, match=r"this file does not exist.*catchment\.toml"):
        load_catchment(tmp_path / folder / "catchment.toml")
    with pytest.raises(InputError, match="not valid TOML"):
        load_catchment(catchment(tmp_path, "[catchment\n"))


def test_errors_of_sites_and_stock_come_together(tmp_path):
    (tmp_path / "tubes.csv").write_text("species,plants\nAcacia dealbata,many\n,3\n")
    (tmp_path / "seed.csv").write_text("species,grams\nAcacia dealbata,1.00005\n")
    text = (
        '[catchment]\nname = "x"\nsites = ["nowhere/site.toml", "no*/site.toml", "/abs*/x"]\n'
        '[stock]\ntubes = "tubes.csv"\nseed = "seed.csv"\n'
    )
    with pytest.raises(InputError) as error:
        plan_catchment(load_catchment(catchment(tmp_path, text)), tmp_path / "out")
    words = said(error)
    assert len(words) == 6
    assert "entry 1: there is no file" in words[0]
    assert "entry 2: no site file matches 'no*/site.toml'; check the pattern" in words[1]
    assert "entry 3: '/abs*/x' is not a valid pattern" in words[2]
    assert "tubes.csv, row 2, plants: 'many' is not a number of plants" in words[3]
    assert "tubes.csv, row 3, species: it is empty" in words[4]
    assert "seed.csv, row 2, grams: '1.00005' is not a weight of seed" in words[5]
    assert not (tmp_path / "out").exists()


def test_two_sites_for_one_folder_are_named_both(tmp_path):
    small_site(tmp_path / "one", "Gull Farm", 0)
    small_site(tmp_path / "two", "gull--FARM", 1)
    text = '[catchment]\nname = "x"\nsites = ["one/site.toml", "*/site.toml"]\n'
    read = load_catchment(catchment(tmp_path, text))
    with pytest.raises(InputError) as error:
        find_sites(read)
    (words,) = said(error)
    assert "'Gull Farm'" in words and "'gull--FARM'" in words
    assert str(tmp_path / "one") in words and str(tmp_path / "two") in words
    assert "give each site its own name" in words


def test_a_site_named_twice_counts_once_and_a_broken_one_is_told(tmp_path):
    small_site(tmp_path / "one", "Gull Farm", 0)
    (tmp_path / "two").mkdir()
    (tmp_path / "two" / "site.toml").write_text("name = \n")
    text = '[catchment]\nname = "x"\nsites = ["one", "one/site.toml", "*/site.toml"]\n'
    good, bad = find_sites(load_catchment(catchment(tmp_path, text)))
    assert (good.name, good.slug, good.errors) == ("Gull Farm", "gull-farm", ())
    assert bad.name == "two"
    assert "not valid TOML" in str(bad.errors[0])


def test_seed_is_read_to_the_milligram(tmp_path):
    path = tmp_path / "seed.csv"
    path.write_text("species,grams\nAcacia dealbata,0.3\nAcacia dealbata,12.001\n'=A,2\n")
    assert read_seed(path) == {"Acacia dealbata": 12_301, "=A": 2000}
