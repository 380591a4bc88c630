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


@pytest.mark.parametrize("whole", [False, pytest.param(True, marks=pytest.mark.long)])
@pytest.mark.parametrize("case", CASES)
def test_it_is_refused_in_one_sentence_or_mended_and_told(case, whole, good, site, caplog):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        case.breaks(site)
    if not whole:  # what is good as it was is read by the long run
        good_site.leave_out_what_is_good(site, good)
    before = digests(site.parent.parent)
    with warnings.catch_warnings(record=True) as warned:
        warnings.resetwarnings()
        done = here("check", site)
    code, out, err = done.returncode, done.stdout, done.stderr
    assert "Traceback" not in err and digests(site.parent.parent) == before
    assert [str(one) for one in warned if not issubclass(one.category, UNSEEN)] == []
    assert caplog.records == [] and "Warning" not in err
    if case.repair:
        assert (code, err) == (0, "")
        notes = [line for line in out.splitlines() if line.startswith("note: ")]
        assert any(case.what in line for line in notes), out
        assert [words for words in case.also if words not in out] == [], out
        return
    assert code == 1, err
    said = err.splitlines()
    assert all(": " in line and "; " in line for line in said), err
    assert any(fits(case, site, line) for line in said), err


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
