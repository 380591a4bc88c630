"""The species table: what is read from it, and what is said of mistakes in it."""

import numpy as np
import pytest

from siteplanner.errors import InputError
from siteplanner.ground.layer import LayerInfo
from siteplanner.species.table import factors, read_species

HEAD = "botanical_name,common_name,roles,expected_survival"
INFOS = {
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
        ("slope thrives to [°]", "steep", "Acacia a0, slope thrives to [°]: 'steep' is no number"),
        ("slope thrives to [°],slope dies above [°]", "30,20", "the points are not in order"),
        ("slop thrives to", "3", "slop: no layer has that name; did you mean 'slope'?"),
        ("slope thrives to [%]", "3", "slope: its unit is given as %; give it in degrees"),
        ("slope thrives in", "well", "slope: it has numbers, not classes"),
        ("drainage_class thrives to", "1", "it has classes, not numbers"),
        ("drainage_class thrives in", "wet", "'wet' is no class of that layer"),
        ("slope likes [°]", "3", "it is no fact and no tolerance"),
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
    assert "'Acacia a' stands there twice" in text
    assert "expected_survival: '2' will not do; write the share expected to live" in text
    assert "'pioner' is no role; did you mean 'pioneer'?" in text
    assert len(caught.value.faults) == 3
