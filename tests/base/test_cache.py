"""What is kept between runs: never wrong, never in the way, never too much."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pytest

from siteplanner.base.results import cache


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def numbers():
    return {"a": np.arange(300), "b": np.float32(2) * np.ones((2, 3), np.float32)}


def never():
    pytest.fail("it was kept, and is made again")


def test_what_is_kept_comes_back_as_it_was():
    cache.cached("kind", "key", numbers)
    again = cache.cached("kind", "key", never)
    assert {n: (v.dtype, v.shape) for n, v in again.items()} == {
        n: (v.dtype, v.shape) for n, v in numbers().items()
    }
    np.testing.assert_array_equal(again["a"], numbers()["a"])


def spoilt(raw: bytes):
    """The content empty, broken off, of another kind, or with one byte wrong in many places."""
    yield from (b"", raw[:20], raw[:40], raw[:-1], raw + b"x", b"not an archive" * 9)
    for at in range(0, len(raw), 41):
        yield raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :]


def test_a_spoilt_file_is_noticed_and_made_again(place):
    cache.cached("kind", "key", numbers)
    (file,) = place.iterdir()
    whole = file.read_bytes()
    made = []
    for number, content in enumerate(spoilt(whole)):
        file.write_bytes(content)
        found = cache.cached("kind", "key", lambda: made.append(1) or numbers())
        assert len(made) == number + 1
        np.testing.assert_array_equal(found["a"], numbers()["a"])
        assert file.read_bytes() == whole
    assert len(made) > 50 and list(place.iterdir()) == [file]


def test_a_folder_that_cannot_be_used_only_costs_time(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("SITEPLANNER_CACHE", str(tmp_path / "file"))
    for _ in range(2):
        np.testing.assert_array_equal(cache.cached("kind", "key", numbers)["a"], numbers()["a"])


def test_a_full_disk_only_costs_time(place):
    """The largest file allowed is smaller than the result: writing it fails as on a full disk."""
    script = (
        "import resource, numpy as np; from siteplanner.base.results import cache;"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000));"
        "print(cache.cached('kind', 'key', lambda: {'a': np.arange(9999)})['a'].sum())"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert (done.stdout, done.stderr) == (f"{9999 * 9998 // 2}\n", "")
    assert list(place.iterdir()) == []


def test_without_a_home_nothing_is_kept(monkeypatch):
    for name in ("SITEPLANNER_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(cache.Path, "home", lambda: (_ for _ in ()).throw(RuntimeError("none")))
    assert cache.folder() is None
    np.testing.assert_array_equal(cache.cached("kind", "key", numbers)["a"], numbers()["a"])


def test_what_was_used_longest_ago_goes_when_there_is_too_much(place, monkeypatch):
    for number in range(4):
        cache.cached("kind", str(number), numbers)
        os.utime(place / f"kind-{number}.cached", (1000 + number,) * 2)
    size = (place / "kind-0.cached").stat().st_size
    monkeypatch.setattr(cache, "LARGEST_BYTES", 3 * size)
    (place / "killed.part").write_text("half")
    (place / "at work.part").write_text("half")
    os.utime(place / "killed.part", (time.time() - 9999,) * 2)
    cache.cached("kind", "0", never)  # now the one used last
    cache.cached("other", "4", numbers)
    assert {p.name for p in place.iterdir()} == {
        "kind-0.cached", "kind-3.cached", "other-4.cached", "at work.part",
    }  # fmt: skip


def test_nothing_is_kept_where_that_is_asked(place):
    with cache.bypassed():
        cache.cached("kind", "key", numbers)
    assert not place.exists()
    cache.cached("kind", "key", numbers)
    assert len(list(place.iterdir())) == 1


@dataclass(frozen=True)
class Pair:
    a: float
    b: object = None


def test_keys_tell_apart_whatever_may_differ():
    code = ["siteplanner 1.0", "siteplanner/one.py 1"]
    zeros = np.zeros(4)
    parts = [
        [zeros], [np.zeros(4, np.float32)], [np.zeros((2, 2))], [np.array([0, 0, 0, 1.0])],
        [1], [1.0], ["1"], [b"1"], [None], [True], [(1,)], [[1]], [[1], [2]], [[1, 2]], [],
        [Pair(1)], [Pair(2)], [Pair(1, zeros)], [Pair(1, np.ones(4))],
    ]  # fmt: skip
    keys = [cache.key_of(one, code) for one in parts]
    assert len(set(keys)) == len(parts)
    assert keys == [cache.key_of(one, code) for one in parts]
    code[1] = "siteplanner/one.py 2"
    assert not set(keys) & {cache.key_of(one, code) for one in parts}


@pytest.mark.parametrize("part", [gpd.GeoDataFrame(), object(), {1: 2}, np.array([object()]), Pair])
def test_no_key_is_made_of_what_cannot_be_told(part):
    with pytest.raises(TypeError, match="no key can be made of"):
        cache.key_of([part], [])
