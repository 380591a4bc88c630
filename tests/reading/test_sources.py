"""Where files are from: the table is read, and only the site's own files count."""

import pytest
from handover.small_site import small_site

from siteplanner.base.errors import InputError
from siteplanner.handover.credits import credit_lines, map_credit
from siteplanner.reading.files.sources import Source, read_sources, sources_of
from siteplanner.reading.input_files import files, hashes
from siteplanner.site.site_file import load_site

CREDIT = "© Some mappers, share alike 1.0"


def with_sources(folder, text):
    path = small_site(folder)
    (folder / "from.csv").write_text(text, "utf-8")
    site = path.read_text("utf-8").replace("[site]\n", '[site]\nsources = "from.csv"\n')
    path.write_text(site, "utf-8")
    return load_site(path)


def test_only_what_the_site_uses_is_credited(tmp_path):
    site = with_sources(
        tmp_path / "site",
        "what,file,credit,licence\n"
        "heights,dem.tif,A survey,free\nsoils,./soils.gpkg,,free\n"
        "old heights,gone.tif,Nobody,free\n",
    )
    found = sources_of(site, files(site))
    assert [one.what for one in found] == ["heights", "soils"]
    assert credit_lines(found) == ["Heights: A survey."]
    assert "from.csv" in hashes(site)


def test_a_table_without_its_columns_is_an_error_that_names_them(tmp_path):
    path = tmp_path / "from.csv"
    path.write_text("kind,path\nheights,dem.tif\n", "utf-8")
    with pytest.raises(InputError) as caught:
        read_sources(path)
    assert "what: this column is missing" in str(caught.value)
    assert "file: this column is missing" in str(caught.value)


def test_words_of_a_licence_are_said_once_with_what_they_are_for():
    kept = "what to keep clear of"
    rows = [
        Source("heights", "a.tif", credit="A survey."),
        Source("soils", "b.gpkg", credit="A survey."),
        Source(kept, "c.gpkg", credit=CREDIT, licence="ODbL (share alike)"),
        Source("climate", "d.csv"),
    ]
    first, second = credit_lines(rows)
    assert first == "Heights, soils: A survey."
    assert second.startswith(f"What to keep clear of: {CREDIT}. Licence: ODbL (share alike).")
    assert "under the same licence" in second
    assert map_credit(rows) == CREDIT
    assert map_credit([Source(kept, "c.gpkg", credit="x" * 61)]) == ""
    assert credit_lines([]) == [] and map_credit([]) == ""
