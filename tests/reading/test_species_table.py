"""The species table: what is read from it, and what is said of mistakes in it."""

import numpy as np
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from siteplanner.base.errors import InputError
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.units import converter
from siteplanner.reading.species.nature import waits_for_shelter
from siteplanner.reading.species.survival_rates import with_saved_rates
from siteplanner.reading.species.table import read_species
from siteplanner.suitability.factors import factors

HEAD = "botanical_name,common_name,roles,expected_survival"
INFOS = {
    "winter_minimum": LayerInfo("Cold", "°C", "m", "s", (-60, 30), name="winter_minimum"),
    "soil_depth": LayerInfo("Depth", "m", "m", "s", (0, 50), name="soil_depth"),
    "slope": LayerInfo("Slope", "degrees", "m", "s", (0, 90), name="slope"),
    "drainage_class": LayerInfo(
        "Drainage", "class", "m", "s", (0, 1), classes=("well", "poor"), name="drainage_class"
    ),
}


def table(tmp_path, columns, *rows):
    path = tmp_path / "species.csv"
    lines = [
        f"{HEAD},{columns}",
        *(f"Acacia a{i},wattle,pioneer,0.8,{r}" for i, r in enumerate(rows)),
    ]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def complaint(tmp_path, columns, *rows):
    with pytest.raises(InputError) as caught:
        factors(read_species(table(tmp_path, columns, *rows)), INFOS)
    return str(caught.value)


def test_points_that_are_not_given_do_not_limit(tmp_path):
    read = read_species(table(tmp_path, "slope thrives to [°],slope dies above [°]", "20,30", ","))
    assert read.points["slope"].tolist() == [
        [-np.inf, -np.inf, 20, 30],
        [-np.inf, -np.inf, np.inf, np.inf],
    ]


def test_class_lists_become_scores(tmp_path):
    path = table(
        tmp_path, "drainage_class thrives in,drainage_class survives in", "well,poor", "Poor,", ","
    )
    found = factors(read_species(path), INFOS)
    assert found[0].scores.tolist() == [[100, 50], [0, 100], [100, 100]]


@pytest.mark.parametrize(
    ("columns", "row", "words"),
    [
        (
            "slope thrives to [°]",
            "steep",
            "Acacia a0, slope thrives to [°]: 'steep' is not a number",
        ),
        ("slope thrives to [°],slope dies above [°]", "30,20", "the points are not in order"),
        ("slop thrives to", "3", "slop: no layer has that name; did you mean 'slope'?"),
        ("slope thrives to [%]", "3", "slope: its unit is given as %; give it in degrees"),
        ("slope thrives in", "well", "slope: it has numbers, not classes"),
        ("drainage_class thrives to", "1", "it has classes, not numbers"),
        ("drainage_class thrives in", "wet", "'wet' is not a class of that layer"),
        ("slope likes [°]", "3", "it is not a fact or a tolerance"),
    ],
)
def test_a_mistake_names_the_species_the_column_and_the_mend(tmp_path, columns, row, words):
    assert words in complaint(tmp_path, columns, row)


def test_facts_are_checked_together(tmp_path):
    path = tmp_path / "species.csv"
    path.write_text(f"{HEAD}\nAcacia a,w,pioner,2\nAcacia a,w,pioneer,0.8\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_species(path)
    text = str(caught.value)
    assert "'Acacia a' is listed twice" in text
    assert "expected_survival: '2' is not valid; write the share expected to live" in text
    assert "'pioner' is not a role; did you mean 'pioneer'?" in text
    assert len(caught.value.errors) == 3


def test_units_in_the_header_are_converted(tmp_path):
    path = table(
        tmp_path,
        "winter_minimum dies below [°F],soil_depth thrives from [inches],mature_height [ft]",
        "14,24,50",
        ",,",
    )
    read = read_species(path)
    cold, depth = factors(read, INFOS)
    # By definition: 14 °F is -10 °C, 24 in is 0.6096 m, 50 ft is 15.24 m.
    assert cold.points[0, 0] == pytest.approx(-10) and depth.points[0, 1] == pytest.approx(0.6096)
    assert np.isneginf(cold.points[1, 0])
    assert read.facts["mature_height_m"].iloc[0] == pytest.approx(15.24)
    assert np.isnan(read.facts["mature_height_m"].iloc[1])


@given(st.floats(-500, 500))
def test_converting_there_and_back_gives_the_same(value):
    for one, other in (("°F", "°C"), ("ft", "m"), ("mph", "m/s")):
        there = converter(one, other)(np.array([value]))
        assert converter(other, one)(there)[0] == pytest.approx(value, abs=1e-9)


def test_units_of_another_kind_are_refused():
    assert converter("ft", "°C") is None and converter("%", "degrees") is None
    assert converter("%", "percent of volume") is not None


def test_a_workbook_reads_as_the_csv_does(tmp_path):
    path = table(
        tmp_path, "slope thrives to [°],drainage_class thrives in,shade", "20.5,well,deep", ",,"
    )
    read = read_species(path)
    book = xlsxwriter.Workbook(tmp_path / "species.xlsx")
    sheet = book.add_worksheet()
    sheet.write(0, 0, "# a note above the header")
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        for column, cell in enumerate(line.split(",")):
            try:
                sheet.write_number(number, column, float(cell))
            except ValueError:
                sheet.write_string(number, column, cell)
    book.close()
    again = read_species(tmp_path / "species.xlsx")
    assert again.facts.equals(read.facts) and again.classes == read.classes
    assert (again.points["slope"] == read.points["slope"]).all()
    assert read.facts["shade"].tolist() == ["deep", ""]


def test_errors_name_the_row_of_the_file_below_a_note(tmp_path):
    path = table(tmp_path, "slope thrives to [°]", "20")
    path.write_text(
        "# a note\n" + path.read_text(encoding="utf-8") + "\n,w,pioneer,0.8,\n", "utf-8"
    )
    with pytest.raises(InputError, match="row 4, botanical_name: it is empty"):
        read_species(path)


def test_every_value_may_say_where_it_comes_from(tmp_path):
    columns = "slope thrives to [°],slope source,expected_survival source"
    read = read_species(table(tmp_path, columns, "20,published: a book (1999),from memory"))
    assert read.sources.iloc[0].to_dict() == {
        "slope": "published: a book (1999)", "expected_survival": "from memory",
    }  # fmt: skip
    assert "does not say what kind of source" in complaint(tmp_path, columns, "20,a book,")
    assert "did you mean 'slope'?" in complaint(tmp_path, "slope thrives to [°],slop source", "9,")


def test_seed_and_nature_facts_are_read_and_empty_cells_are_unknown(tmp_path):
    path = table(
        tmp_path,
        "dioecious,gather_unit,viable_seeds_a_unit,units_a_plant,storage,pretreatment_c,light,"
        "sowing_depth_mm,fire_response,nitrogen_fixing,goes_in_year,native_region",
        "yes,handful of pods,80,400,dry and airtight,90,either,5,from seed,yes,1,Tasmania",
        ",,,,,,,,,,,",
    )
    known, unknown = read_species(path).facts.to_dict("records")
    assert known["gather_unit"] == "handful of pods" and known["viable_seeds_a_unit"] == 80
    assert (known["dioecious"], known["storage"]) == ("yes", "dry and airtight")
    assert (known["sowing_depth_mm"], known["goes_in_year"]) == (5, 1)
    assert known["native_region"] == "Tasmania"
    assert unknown["storage"] == unknown["fire_response"] == unknown["native_region"] == ""
    assert np.isnan(unknown["sowing_depth_mm"]) and np.isnan(unknown["goes_in_year"])


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("storage", "sow fesh", "Acacia a0, storage: 'sow fesh' is not valid; did you mean 'sow"),
        ("sowing_depth_mm", "-1", "sowing_depth_mm: '-1' is not valid; write a number from 0"),
        ("nitrogen_fixing", "perhaps", "leave it empty when unknown"),
        ("survival_on_dry", "0", "survival_on_dry: '0' is not valid"),
    ],
)
def test_a_fact_that_cannot_be_is_refused(tmp_path, column, cell, words):
    assert words in complaint(tmp_path, column, cell)


def test_facts_of_a_kind_may_share_a_source(tmp_path):
    path = table(tmp_path, "fruit,gathering source", "pod,from memory")
    assert read_species(path).sources["gathering"].tolist() == ["from memory"]
    assert "did you mean 'gathering'" in complaint(tmp_path, "gathring source", "from memory")


def test_survival_is_the_least_of_the_ground_s_marks(tmp_path):
    path = table(tmp_path, "survival_on_dry,survival_on_rocky", "0.6,0.7", "0.5,", ",")
    read = read_species(path)
    assert read.survival_on("dry rocky").tolist() == [0.6, 0.5, 0.8]
    assert read.survival_on("rocky").tolist() == [0.7, 0.8, 0.8]
    assert read.survival_on("ordinary").tolist() == [0.8, 0.8, 0.8]


def test_a_count_on_all_ground_goes_before_what_the_table_expects_of_one_kind(tmp_path):
    read = read_species(table(tmp_path, "survival_on_dry", "0.6", "0.5"))
    saved = tmp_path / "expected_survival.csv"
    saved.write_text("species,expected_survival\nAcacia a0,0.9\n", encoding="utf-8")
    counted, _ = with_saved_rates(read, saved)
    assert counted.survival_on("dry").tolist() == [0.9, 0.5]


def test_what_goes_in_after_the_first_year_waits_for_shelter_and_so_do_those_named(tmp_path):
    facts = read_species(table(tmp_path, "goes_in_year", "1", "3", "")).facts
    assert waits_for_shelter(facts).tolist() == [False, True, False]
    assert waits_for_shelter(facts, ["Acacia a0"]).tolist() == [True, True, False]
    assert waits_for_shelter(facts[["botanical_name"]], ["Acacia a2"]).tolist() == [
        False, False, True,
    ]  # fmt: skip


def test_stock_poison_and_disease_are_cautions_that_are_said_once(tmp_path):
    path = table(
        tmp_path,
        "cautions,stock_poison,disease",
        "thorny,leaf kills stock,",
        ",seed harms horses,leaf rust",
        "poisonous to stock,leaf kills stock,",
        "thorny,none known; leaf edges cut,",
        "a serious disease spreads,,a dieback",
        "thorny,not known: ask,",
    )
    assert read_species(path).facts["cautions"].tolist() == [
        "thorny; poison for stock: leaf kills stock",
        "poison for stock: seed harms horses; disease: leaf rust",
        "poisonous to stock",
        "thorny",
        "a serious disease spreads",
        "thorny; safe for stock or not: ask",
    ]
