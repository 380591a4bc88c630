"""A small site made once a file, and a desk that opens a copy of it."""

import shutil
from pathlib import Path

import pytest
from desk.desk_site import desk_site

from siteplanner.desk.site_desk import SiteDesk


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return desk_site(tmp_path_factory.mktemp("made") / "site").parent


@pytest.fixture
def desk(made, tmp_path):
    return SiteDesk(Path(shutil.copytree(made, tmp_path / "site")))
