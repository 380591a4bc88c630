"""Single settings of a site file are changed; comments and all else stay where they are."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.site.edit import set_in_site, with_settings

TEXT = """\
# Mine.
[mix]
least_species = 3   # agreed

# The nursery is run by two of us,
# on Fridays.
[nursery]   # ours
plant_on = 2028
"""
PATH = Path("site.toml")


def test_a_new_setting_goes_to_the_head_of_its_table():
    # At its end it would stand below the comment on the next table.
    after = with_settings(PATH, TEXT, "mix", {"budget": 900, "never": ["Acacia dealbata"]})
    head = '[mix]\nnever = ["Acacia dealbata"]\nbudget = 900\nleast_species = 3   # agreed\n'
    assert after == TEXT.replace("[mix]\nleast_species = 3   # agreed\n", head)


def test_the_command_and_the_desk_write_alike(tmp_path):
    text = '[site]\nname = "A"\n[boundary]\nfile = "a.gpkg"\n[dem]\nfile = "a.tif"\n'
    text += '[soils]\nfile = "a.gpkg"\n[species]\nfile = "a.csv"\n[climate]\n[paddocks]\n'
    text += 'file = "a.gpkg"\n# On mixes.\n' + TEXT.removeprefix("# Mine.\n")
    site = tmp_path / "site.toml"
    site.write_text(text, "utf-8")
    set_in_site(site, ["mix.budget=900", "nursery.stock=stock.csv"])
    wanted = with_settings(site, text, "mix", {"budget": 900})
    wanted = with_settings(site, wanted, "nursery", {"stock": "stock.csv"})
    assert site.read_text("utf-8") == wanted
    assert "[nursery]   # ours\nstock = " in wanted


def test_what_is_there_is_changed_in_its_place_and_taken_out():
    after = with_settings(PATH, TEXT, "mix", {"least_species": 5})
    assert after == TEXT.replace("= 3 ", "= 5 ")
    assert "least" not in with_settings(PATH, TEXT, "mix", {"least_species": None})
    assert with_settings(PATH, TEXT, "mix", {"budget": None}) == TEXT


def test_a_table_that_is_not_there_and_one_that_is_none():
    after = with_settings(PATH, TEXT, "frost", {"hollows": {"file": "h.gpkg", "layer": "h"}})
    assert tomllib.loads(after)["frost"] == {"hollows": {"file": "h.gpkg", "layer": "h"}}
    assert after.startswith(TEXT)
    with pytest.raises(InputError, match="it lies in a setting that is no table"):
        with_settings(PATH, "mix = 3\n", "mix", {"budget": 1})


def test_a_header_within_a_text_is_no_header():
    text = 'note = """\n[mix]\n"""\n[mix]\nleast_species = 3\n'
    after = tomllib.loads(with_settings(PATH, text, "mix", {"budget": 1}))
    assert after == {"note": "[mix]\n", "mix": {"least_species": 3, "budget": 1}}


KEYS = st.sampled_from(["least_species", "budget", "a.b", "never", "ü"])
VALUES = st.one_of(
    st.integers(-9, 9), st.booleans(), st.text(max_size=6), st.lists(st.text(max_size=3)),
    st.dictionaries(st.text(max_size=3), st.integers(0, 9), max_size=2),
)  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(["mix", "nursery", "new one"]), KEYS, VALUES)))
def test_any_settings_are_read_back_and_no_comment_is_lost(changes):
    text, wanted = TEXT, tomllib.loads(TEXT)
    for table, key, value in changes:
        text = with_settings(PATH, text, table, {key: value})
        wanted.setdefault(table, {})[key] = value
    assert tomllib.loads(text) == wanted
    assert [line for line in text.splitlines() if line.startswith("#")] == [
        line for line in TEXT.splitlines() if line.startswith("#")
    ]
