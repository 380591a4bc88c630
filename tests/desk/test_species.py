"""The species list: a tick is a setting, what is filled in a cell of the user's own table."""

import csv
import io
import tomllib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.desk.drawing.features import WrongError
from siteplanner.desk.drawing.saving import StaleError
from siteplanner.desk.table_cells import with_cells
from siteplanner.reading.species.table import read_species
from siteplanner.site.edit import set_in_site


def change(desk, name, **what):
    return desk.change_species({"version": desk.species()["version"], "name": name, **what})


def of(listed, name):
    return next(one for one in listed["species"] if one["name"] == name)


def test_a_species_that_is_not_ticked_is_barred_in_the_site_file(desk):
    name = desk.species()["species"][3]["name"]
    assert not of(change(desk, name, plant=False), name)["plant"]
    assert tomllib.loads(desk.path.read_text("utf-8"))["mix"]["never"] == [name]
    assert of(change(desk, name, plant=True), name)["plant"]
    assert "never" not in tomllib.loads(desk.path.read_text("utf-8"))["mix"]


def test_what_must_be_planted_cannot_be_barred(desk):
    name = desk.species()["species"][0]["name"]
    set_in_site(desk.path, [f'mix.must=["{name}"]'])
    now = desk.path.read_bytes()
    with pytest.raises(WrongError) as refused:
        change(desk, name, plant=False)
    [(_, column, sentence)] = refused.value.errors
    assert column == "plant" and "is in both must and never; remove it from one" in sentence
    assert desk.path.read_bytes() == now


def test_seed_is_a_column_of_the_users_own_table_and_all_else_stays(desk):
    file = desk.folder / "species.csv"
    file.write_bytes(b"# our list\n" + file.read_bytes())
    before = file.read_bytes()
    [first, *_, last] = (one["name"] for one in desk.species()["species"])
    assert of(change(desk, last, seed=True), last)["seed"]
    facts = read_species(file).facts.set_index("botanical_name")["have_seed"]
    assert facts[last] == "yes" and set(facts.drop(last)) == {""}
    assert (desk.folder / ".before" / "species.00001.csv").read_bytes() == before
    now, was = file.read_bytes().splitlines(), before.splitlines()
    assert now[0] == was[0] and now[1] == was[1] + b",have_seed"
    assert now[2:-1] == [line + b"," for line in was[2:-1]] and now[-1] == was[-1] + b",yes"
    assert not of(change(desk, last, seed=False), last)["seed"]
    assert file.read_bytes().splitlines()[-1] == was[-1] + b","
    assert not of(desk.species(), first)["seed"]


def test_what_the_reader_refuses_stands_beside_its_field(desk):
    file, name = desk.folder / "species.csv", desk.species()["species"][2]["name"]
    now = file.read_bytes()
    with pytest.raises(WrongError) as refused:
        change(desk, name, values={"expected_survival": "1.4"})
    [(_, column, sentence)] = refused.value.errors
    assert column == "expected_survival" and ".new" not in sentence
    assert "species.csv" in sentence and "write the share expected to live" in sentence
    assert file.read_bytes() == now
    saved = change(desk, name, values={"expected_survival": "0.7", "botanical_name": "Other"})
    assert of(saved, name)["values"]["expected_survival"] == "0.7"


def test_two_tabs_and_an_unknown_species(desk):
    version, name = desk.species()["version"], desk.species()["species"][0]["name"]
    change(desk, name, seed=True)
    with pytest.raises(StaleError):
        desk.change_species({"version": version, "name": name, "seed": False})
    with pytest.raises(InputError, match="the table has no such species"):
        change(desk, "Nothing here", plant=False)


WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=6)


@given(
    st.lists(st.lists(WORDS, min_size=2, max_size=2), min_size=1, max_size=5),
    st.sampled_from([",", ";", "\t"]), st.sampled_from(["\n", "\r\n"]), WORDS,
)  # fmt: skip
@example([["n0", " with; space, "]], ";", "\n", "yes")
def test_one_cell_changes_and_every_other_is_read_as_before(rows, between, end, text):
    table = [["name", "what"], *([f"n{n}", *row[1:]] for n, row in enumerate(rows))]
    out = io.StringIO(newline="")
    csv.writer(out, "unix", delimiter=between, lineterminator=end).writerows(table)
    data = b"\xef\xbb\xbf# mine" + end.encode() + out.getvalue().encode()
    after = with_cells(data, "name", {("n0", "seed"): text, ("none", "what"): "x"})
    head, _, rest = after.decode("utf-8-sig").partition(end)
    read = list(csv.reader(io.StringIO(rest, newline=""), delimiter=between))
    added = ["seed", text, *[""] * (len(rows) - 1)]
    assert head == "# mine" and after[:3] == data[:3]
    assert read == [[*row, more] for row, more in zip(table, added, strict=True)]
