"""The same inputs give the same bytes, whatever the threads, folders, locale or hash seed."""

import os
import shutil

from conftest import SITE, command, digests


def test_a_second_run_writes_the_same_bytes(sample_plan, tmp_path):
    copy = tmp_path / "a site elsewhere"
    shutil.copytree(SITE.parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
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
    first, second = digests(sample_plan), digests(tmp_path / "again")
    assert len(first) > 40
    assert first == second
    assert list((tmp_path / "passing").iterdir()) == []
