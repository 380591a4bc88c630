"""The CSV writer and its reading counterpart: what goes in comes back, and nothing runs."""

import csv
import io
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.base.tables import FORMULA_STARTS, shielded, unshielded, write_table
from siteplanner.reading.files.cells import day, read_cells, whole

ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
TRICKY = st.builds("".join, st.lists(st.sampled_from([*FORMULA_STARTS, "'", "a", " ", ",", '"'])))


def written(tmp_path, table, numbers=""):
    path = tmp_path / "table.csv"
    write_table(path, table, numbers)
    return path.read_bytes().decode()


@given(ANY_TEXT | TRICKY)
def test_what_was_shielded_comes_back_and_no_text_runs_as_a_formula(text):
    safe = shielded(text)
    assert unshielded(safe) == text
    assert not safe.startswith(FORMULA_STARTS)
    assert safe == text or text.lstrip("'").startswith(FORMULA_STARTS)


@given(rows=st.lists(st.tuples(ANY_TEXT | TRICKY, st.integers(-99, 99)), max_size=6))
def test_every_text_is_one_cell_and_comes_back(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("t") / "table.csv"
    write_table(path, pd.DataFrame(rows, columns=["name", "count"]))
    text = path.read_bytes().decode()
    read = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert read[0] == ["name", "count"]
    assert [(unshielded(name), int(count)) for name, count in read[1:]] == rows


def test_lines_end_in_a_line_feed_and_unknown_cells_are_empty(tmp_path):
    table = pd.DataFrame(
        {
            "name": ["Knöll", None],
            "count": np.array([3, 0]),
            "share": [0.1 + 0.2, np.nan],
            "on": pd.Series([date(2028, 9, 4), None], dtype=object),
            "plant": [True, False],
        }
    )
    assert written(tmp_path, table) == (
        "name,count,share,on,plant\nKnöll,3,0.3,2028-09-04,True\n,0,,,False\n"
    )


def test_fractions_have_six_decimals_at_most_and_never_an_exponent(tmp_path):
    table = pd.DataFrame({"x": [1234567.0, 1e-7, -1e-9, 2 / 3, 100.0, -0.5]})
    cells = ["1234567", "0", "0", "0.666667", "100", "-0.5"]
    assert written(tmp_path, table) == "\n".join(["x", *cells, ""])


def test_fractions_are_written_as_asked_for_all_columns_or_for_one(tmp_path):
    table = pd.DataFrame({"a": [1.0], "b": [2.5], "n": [7]})
    assert written(tmp_path, table, ".2f") == "a,b,n\n1.00,2.50,7\n"
    assert written(tmp_path, table, {"b": ".0f"}) == "a,b,n\n1,2,7\n"


def test_half_a_character_does_not_stop_the_writing(tmp_path):
    assert written(tmp_path, pd.DataFrame({"a": ["x\ud800"]})) == "a\nx?\n"


def test_a_form_filled_in_comes_back_as_it_was_meant(tmp_path):
    path = tmp_path / "form.csv"
    table = pd.DataFrame({"Species": ["=SUM(A1), x", "'tis"], "count": ["12", ""]})
    write_table(path, table)
    assert "'=SUM(A1), x" in path.read_text()
    cells = read_cells(path, ["species", "count"])
    assert cells.to_dict("list") == {"species": ["=SUM(A1), x", "'tis"], "count": ["12", ""]}
    with pytest.raises(InputError, match="this column is missing"):
        read_cells(path, ["batch"])


def test_numbers_of_plants_are_whole_and_days_are_days():
    assert [whole(t) for t in ("0", "12.0", "-1", "1e9", "nan", "inf")] == [0, 12, *[None] * 4]
    assert day("2028-02-29") == date(2028, 2, 29)
    assert day("2027-02-29") is None and day("4.9.2028") is None
