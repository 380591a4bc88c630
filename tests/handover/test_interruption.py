"""A plan that is stopped at any moment leaves the previous plan, or the new one, and no strays."""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from conftest import digests
from handover.small_site import Warm, small_site

from siteplanner.handover.verify import verify

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to stop runs")
SEED, HITS, AT_ONCE = 20261125, 50, 2


def planned_twice(folder: Path, warm: Warm) -> tuple[list[Path], list[dict[str, str]], float]:
    """Two sites, what the plan of each holds, and how long a run takes once all is warm."""
    sites = [small_site(folder / name, name) for name in ("one", "other")]
    for site in [*sites, sites[0]]:
        done = warm.run("plan", site, "--out", folder / "maps" / "knoll", "--quiet")
        assert (done["code"], done["said"]) == (0, "")
        if site.parent.name == "other" or not (folder / "first").exists():
            shutil.copytree(folder / "maps" / "knoll", folder / (
                "second" if site.parent.name == "other" else "first"))  # fmt: skip
    held = [digests(folder / name) for name in ("first", "second")]
    assert held[0] != held[1] and digests(folder / "maps" / "knoll") == held[0]
    return sites, held, done["seconds"]


def strays(target: Path, seconds: float = 20) -> list[str]:
    """What lies beside the plan once those who clear up have had their time."""
    end = time.monotonic() + seconds
    while True:
        found = [p.name for p in target.parent.iterdir() if p != target]
        if not found or time.monotonic() > end:
            return found
        time.sleep(0.05)


def hit_at_random(folder: Path, seed: int, hits: int) -> dict[str, int]:
    """Kill runs at moments spread over all of a run; give how often which plan stood there."""
    draw, seen = random.Random(seed), {"previous": 0, "new": 0, "not killed": 0}
    target = folder / "maps" / "knoll"
    with Warm(folder) as warm:
        sites, held, seconds = planned_twice(folder, warm)
        late = hits // 5  # some in the last fifth alone, where the plan takes its place
        moments = [(n + draw.random()) / (hits - late) for n in range(hits - late)]
        moments += [0.9 + 0.25 * draw.random() for _ in range(late)]
        draw.shuffle(moments)
        stands = 0
        for moment in moments:
            run = 1 - stands
            done = warm.run("plan", sites[run], "--out", target, "--quiet",
                            hit_after=moment * seconds)  # fmt: skip
            found = digests(target)
            assert found in held, (seed, moment)
            assert verify(target, sites[held.index(found)]).faults == ()
            assert done["code"] in (0, -signal.SIGKILL), done
            now = held.index(found)
            seen["new" if now == run else "previous"] += 1
            seen["not killed"] += done["code"] == 0
            assert done["code"] != 0 or now == run
            stands = now
        assert strays(target) == []
    print(f"seed {seed}, {seconds:.1f} s a run, moments "
          f"{' '.join(f'{m * seconds:.2f}' for m in moments)}: {seen}")  # fmt: skip
    return seen


def test_killed_at_fifty_random_moments(tmp_path):
    folders = [tmp_path / str(n) for n in range(AT_ONCE)]
    for folder in folders:
        folder.mkdir()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        seeds = range(SEED, SEED + AT_ONCE)
        seen = list(pool.map(hit_at_random, folders, seeds, [HITS // AT_ONCE] * AT_ONCE))
    assert sum(s["previous"] + s["new"] for s in seen) == HITS
    assert sum(s["previous"] for s in seen) >= HITS // 2
    assert sum(s["not killed"] for s in seen) < HITS // 3


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """A warm process, a site planned once and another to plan, and a run's seconds."""
    folder = tmp_path_factory.mktemp("stopped")
    with Warm(folder) as warm:
        sites, held, seconds = planned_twice(folder, warm)
        yield warm, sites[1], folder / "maps" / "knoll", held[0], seconds


@pytest.mark.parametrize("share", [0.2, 0.45, 0.7])
def test_a_killed_run_leaves_nothing_beside_the_plan_even_without_another_run(world, share):
    warm, site, target, held, seconds = world
    done = warm.run("plan", site, "--out", target, "--quiet", hit_after=share * seconds)
    assert done["code"] == -signal.SIGKILL
    assert strays(target) == [] and digests(target) == held


@pytest.mark.parametrize("share", [0.25, 0.5, 0.7])
def test_when_the_helper_is_killed_the_run_says_so_and_ends(world, share):
    warm, site, target, held, seconds = world
    done = warm.run("plan", site, "--out", target, "--quiet", hit_after=share * seconds,
                    whom="helper")  # fmt: skip
    assert done["hit"] and done["code"] == 1
    assert done["said"] == (
        f"{target}, layers: the process that writes them was stopped from outside (signal 9); "
        "where memory ran short, close other programs or plan on wider cells ([dem] cell_m), "
        "then run again; the previous plan is as it was.\n"
    )
    assert strays(target, 0) == [] and digests(target) == held


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_told_to_stop_says_so(world, how):
    warm, site, target, held, seconds = world
    done = warm.run("plan", site, "--out", target, "--quiet", hit_after=seconds / 2, how=how)
    assert (done["code"], done["said"]) == (3, "Stopped. The previous plan is as it was.\n")
    assert strays(target, 0) == [] and digests(target) == held
