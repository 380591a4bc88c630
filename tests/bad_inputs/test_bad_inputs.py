"""Every broken input: one clear sentence with file, place and remedy, and nothing is touched."""

import shutil
import warnings

import pytest
from conftest import command, digests, here

from bad_inputs import (
    archives,
    good_site,
    odd_columns,
    odd_files,
    odd_shapes,
    rasters,
    settings,
    tables,
    tiny_ground,
    vectors,
)

PARTS = (archives, odd_columns, odd_files, odd_shapes, rasters, settings, tables, tiny_ground,
         vectors)  # fmt: skip
CASES = [
    pytest.param(case, id=f"{part.__name__.rpartition('.')[2]}-{case.name}")
    for part in PARTS
    for case in part.TABLE.cases
]
REFUSED = [case for case in CASES if not case.values[0].repair]
#: Warnings that Python shows to programmers alone.
UNSEEN = (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning)
#: Who reads a file that may be wrong beside others.
READER_OF = (
    dict.fromkeys(("species.csv", "species.xlsx", "saved_rates.csv", "stock.csv", "counts.csv"),
                  "species")
    | dict.fromkeys(("climate.csv", "winter_minima.csv", "daily.csv"), "climate")
    | dict.fromkeys(("dem.tif", "dem.vrt", "outline.gpkg"), "ground")
    | dict.fromkeys(("soils.gpkg", "dig.csv"), "soils")
    | {"frost.gpkg": "frost", "fields.gpkg": "paddocks", "no_plant.gpkg": "no_plant",
       "shelter.gpkg": "shelter"}
    | {"boundary": "ground", "geojson": "ground", "soils": "soils", "soil": "soils",
       "textures": "soils", "climate": "climate", "paddocks": "paddocks", "paddock": "paddocks",
       "readings": "frost", "reading": "frost", "things": "no_plant", "thing": "no_plant",
       "kinds": "no_plant"}
)  # fmt: skip
MAPS = {"soils", "frost", "paddocks", "no_plant", "shelter"}
#: What is told only where every file could be read, and what others get in the way of.
LATE = {
    "paddock_smaller_than_a_cell_alone", "property_of_20_m_on_a_coarse_dem", "steeper_than_upright",
    "impossible_ph_of_a_species", "unknown_drainage_of_a_species", "unit_of_another_kind",
    "tolerance_of_no_layer", "paddocks_of_another_property", "property_half_a_metre_wide",
    "layer_not_said",  # which takes the soils' place
    "boundary_in_a_folder_of_one_shapefile", "boundary_in_a_folder_with_its_layer_named",
    "readings_in_a_zipped_shapefile",  # whose parts lie in one folder
}  # fmt: skip
IN_A_PROCESS = ("archives-bomb_in_a_kmz", "settings-not_utf8", "vectors-truncated_boundary")


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    folder = tmp_path_factory.mktemp("good") / "site"
    good_site.good_site(folder)
    return folder


@pytest.fixture
def site(good, tmp_path):
    shutil.copytree(good, tmp_path / "site")
    plan = tmp_path / "plan"
    plan.mkdir()
    (plan / "plan.gpkg").write_bytes(b"an earlier plan")
    (plan / "plan.json").write_text(
        '{"versions": {"siteplanner": "0"}, "files": {"plan.gpkg": "", "trees.csv": ""}}',
        encoding="utf-8",
    )
    (plan / "trees.csv").write_text("tree\n1\n", encoding="utf-8")
    return tmp_path / "site" / "site.toml"


def test_the_good_site_is_good(site):
    done = here("check", site)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Nothing is wrong with the inputs." in done.stdout
    # It has the sample's winters, of which there is something to tell.
    [note] = [line for line in done.stdout.splitlines() if line.startswith("note: ")]
    assert note.startswith("note: winter_minima.csv: winter minima have fallen")


def reader_of(case):
    """Who reads what a case breaks, None where that has to stand alone."""
    if not case.repair:
        return READER_OF.get(case.file)
    # A note begins with its file; else the name says what is odd.
    noted = READER_OF.get(case.what.partition(":")[0])
    return noted or READER_OF.get(case.name.partition("_")[0])


def together(cases):
    """The cases in bundles of faults that one site can have at once: each is told beside the rest.

    Of each reader there is one fault in a bundle; where the DEM or the boundary is wrong there is
    none of another map.
    """
    bundles: list[tuple[list, set[str]]] = []
    for case in cases:
        one = case.values[0]
        reader = reader_of(one)
        if reader is None or one.name in LATE:
            bundles.append(([case], {"alone"}))
            continue
        kind = f"repaired {one.repair}"
        clash = {"alone", reader, f"repaired {not one.repair}"}
        if not one.repair and reader == "ground":
            clash |= MAPS
        if not one.repair and reader in MAPS:
            clash.add("ground")
        for members, readers in bundles:
            if not readers & clash:
                members.append(case)
                readers |= {reader, kind}
                break
        else:
            bundles.append(([case], {reader, kind}))
    return [
        pytest.param([case.values[0] for case in members], id="+".join(case.id for case in members))
        for members, _ in bundles
    ]


@pytest.mark.parametrize("cases", together(CASES))
def test_it_is_refused_in_one_sentence_or_mended_and_told(cases, good, site, caplog):
    told(cases, site, caplog, good)


@pytest.mark.long
@pytest.mark.parametrize("case", CASES)
def test_so_it_is_alone_in_a_site_that_is_read_whole(case, site, caplog):
    told([case], site, caplog)


def told(cases, site, caplog, good=None):
    """Break a site in ways that go together, check it, and look for each in what is said.

    With the folder of the ``good`` site what is as there is left out.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for case in cases:
            case.breaks(site)
    if good is not None:
        good_site.leave_out_what_is_good(site, good)
    before = digests(site.parent.parent)
    with warnings.catch_warnings(record=True) as warned:
        warnings.resetwarnings()
        done = here("check", site)
    code, out, err = done.returncode, done.stdout, done.stderr
    assert "Traceback" not in err and digests(site.parent.parent) == before
    assert [str(one) for one in warned if not issubclass(one.category, UNSEEN)] == []
    assert caplog.records == [] and "Warning" not in err
    if cases[0].repair:
        assert (code, err) == (0, "")
        notes = [line for line in out.splitlines() if line.startswith("note: ")]
        for case in cases:
            assert any(case.what in line for line in notes), (case.name, out)
            assert [words for words in case.also if words not in out] == [], (case.name, out)
        return
    assert code == 1, err
    said = err.splitlines()
    assert all(": " in line and "; " in line for line in said), err
    for case in cases:
        assert any(fits(case, site, line) for line in said), (case.name, err)


@pytest.mark.parametrize(
    "case",
    # One in a hundred by default: what is refused is tried above.
    [pytest.param(*case.values, id=case.id, marks=[pytest.mark.long] if n % 100 else [])
     for n, case in enumerate(REFUSED)],
)  # fmt: skip
def test_the_plan_is_refused_alike_and_the_previous_one_stays(case, site):
    case.breaks(site)
    before = digests(site.parent.parent)
    done = here("plan", site, "--out", site.parent.parent / "plan", "--quiet")
    assert done.returncode == 1 and done.stdout == ""
    assert done.stderr == here("check", site).stderr != ""
    assert digests(site.parent.parent) == before


@pytest.mark.long
@pytest.mark.parametrize("case", [case for case in CASES if case.id in IN_A_PROCESS])
def test_the_command_itself_says_so(case, site):
    case.breaks(site)
    done = command("check", site)
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert any(fits(case, site, line) for line in done.stderr.splitlines())


def fits(case, site, line):
    """Whether a sentence has file, place, error and remedy of a case, each where it belongs."""
    file = str(site.parent / case.file)
    head, _, rest = line[len(file) :].partition(": ")
    _, said, remedy = rest.partition(case.what) if case.what else ("", "", rest)
    return (
        line.startswith(file)
        and (case.place in head if case.place else head == "")
        and said == case.what
        and "; " in remedy
        and case.remedy in remedy
        and line.endswith((".", "?"))
    )


def test_the_table_is_long_and_no_case_stands_twice():
    names = [case.id for case in CASES]
    assert len(set(names)) == len(names) >= 120
