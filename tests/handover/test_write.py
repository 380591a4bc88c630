"""All files of a plan: which writers there are, in which order, and what other packages add."""

import sys
from types import SimpleNamespace

import pytest
from toy_package import install

import siteplanner
from siteplanner.base.errors import InputError
from siteplanner.base.plugins import WRITERS, PluginError, offers
from siteplanner.handover.folder.full_disk import told_when_full
from siteplanner.handover.write import write_all, writers


@pytest.fixture
def offered(tmp_path, monkeypatch):
    """A function that installs a package with one writer, of which it is given the text."""

    def add(text):
        place = install(
            tmp_path / "lib", "bird-list", {WRITERS: {"birds": "bird_list:birds"}},
            {"bird_list.py": f"from siteplanner import writer\n{text}"},
        )  # fmt: skip
        monkeypatch.syspath_prepend(place)
        monkeypatch.delitem(sys.modules, "bird_list", raising=False)

    return add


def only_theirs(monkeypatch):
    """Leave out our own writers, which want a whole plan."""
    real = offers
    monkeypatch.setattr(
        "siteplanner.base.plugins.offers", lambda group: [o for o in real(group) if not o.ours]
    )


def test_our_own_writers_come_in_this_order():
    assert [function.__name__ for _, function in writers()] == [
        "geopackage", "counts", "dig", "frost", "works", "workbook", "handheld", "sheets",
        "nursery", "map_page", "hours",
    ]  # fmt: skip
    titles = [title for title, _ in writers()]
    assert len(set(titles)) == len(titles) and all(titles)


def test_a_title_is_attached_and_the_function_stays_as_it_was():
    def birds(plan, folder):
        pass

    assert siteplanner.writer("Writing the birds")(birds) is birds


GOOD = '@writer("Writing birds")\ndef birds(plan, folder): (folder / "b.txt").write_text(plan.name)'


def test_a_writer_of_another_package_is_told_and_writes_its_file(offered, monkeypatch, tmp_path):
    offered(GOOD)
    assert writers()[-1][0] == "Writing birds"
    only_theirs(monkeypatch)
    said = []
    write_all(SimpleNamespace(name="Gull Point"), tmp_path, said.append)
    assert said == ["Writing birds"]
    assert (tmp_path / "b.txt").read_text() == "Gull Point"


def test_a_writer_that_fails_is_named_with_its_line(offered, monkeypatch, tmp_path):
    offered(GOOD)
    only_theirs(monkeypatch)
    with pytest.raises(PluginError) as caught:
        write_all(SimpleNamespace(), tmp_path, lambda words: None)
    assert "writer birds of bird-list failed at bird_list.py line 3: AttributeError" in str(
        caught.value
    )


def test_a_writer_without_a_title_is_named(offered):
    offered("def birds(plan, folder): pass")
    with pytest.raises(InputError, match=r"writer birds has no title: put @writer\("):
        writers()


def test_a_full_disk_is_told_of_though_a_plugin_met_it(offered, monkeypatch, tmp_path):
    offered(
        "import errno\n"
        '@writer("Writing birds")\n'
        "def birds(plan, folder): raise OSError(errno.ENOSPC, 'No space left')"
    )
    only_theirs(monkeypatch)
    with (
        pytest.raises(InputError, match="the disk is full") as caught,
        told_when_full(tmp_path, tmp_path / "plan"),
    ):
        write_all(SimpleNamespace(), tmp_path, lambda words: None)
    assert not isinstance(caught.value, PluginError)
