"""The same inputs give the same bytes, whatever the threads, folders, locale or hash seed."""

import os
import shutil

import pytest
from conftest import SITE, command, digests, here
from handover.small_site import small_site


@pytest.mark.long
def test_a_second_run_writes_the_same_bytes(tmp_path):
    site = small_site(tmp_path / "site")
    done = here("plan", site, "--out", tmp_path / "plan", "--quiet")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    same_again(site.parent, tmp_path / "plan", tmp_path)


@pytest.mark.long
def test_a_second_run_on_the_sample_writes_the_same_bytes(sample_plan, tmp_path):
    same_again(SITE.parent, sample_plan, tmp_path)


def same_again(site, plan, tmp_path):
    """Plan a site once more in another folder and environment, and compare."""
    copy = tmp_path / "a site elsewhere"
    shutil.copytree(site, copy, ignore=shutil.ignore_patterns("__pycache__"))
    env = os.environ | {
        "NUMBA_NUM_THREADS": "1",
        "SITEPLANNER_CACHE": str(tmp_path / "empty"),
        "OMP_NUM_THREADS": "1",
        "LC_ALL": "C",
        "TZ": "Pacific/Auckland",
        "PYTHONHASHSEED": "7",
        # Text is ASCII where no encoding is named.
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONUTF8": "0",
        "TMPDIR": str(tmp_path / "passing"),
    }
    (tmp_path / "passing").mkdir()
    done = command("plan", "site.toml", "--out", tmp_path / "again", "--quiet", cwd=copy, env=env)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    first, second = digests(plan), digests(tmp_path / "again")
    assert len(first) > 40
    assert first == second
    assert list((tmp_path / "passing").iterdir()) == []
