"""A plan that is stopped at any moment leaves the previous plan, or the new one, and no strays.

Named points of a run are in ``test_in_the_way.py``.
"""

from __future__ import annotations

import os
import random
import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from conftest import digests
from handover.small_site import Warm, small_site, strays

from siteplanner.after.verify import verify

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork to stop runs"),
]
SEED, HITS, AT_ONCE = 20261125, 50, 2


def planned_twice(
    target: Path, warm: Warm
) -> tuple[list[Path], list[dict[str, str]], dict[str, float]]:
    """Two sites, what the plan of each holds, and how the last run went; its plan stands."""
    sites = [small_site(warm.folder / name, name) for name in ("one", "other")]
    held = []
    for site in sites:
        done = warm.run("plan", site, "--out", target, "--quiet")
        assert (done["code"], done["said"]) == (0, "")
        held.append(digests(target))
    assert held[0] != held[1]
    return sites, held, done


def hit_at_random(folder: Path, seed: int, hits: int) -> dict[str, int]:
    """Kill runs at moments spread over all of a run; give how often which plan stood there."""
    draw, seen = random.Random(seed), {"previous": 0, "new": 0, "not killed": 0}
    target = folder / "maps" / "knoll"
    with Warm(folder) as warm:
        sites, held, last = planned_twice(target, warm)
        seconds = last["seconds"]
        late = hits // 5  # some in the last fifth alone, where the plan takes its place
        moments = [(n + draw.random()) / (hits - late) for n in range(hits - late)]
        moments += [0.9 + 0.25 * draw.random() for _ in range(late)]
        draw.shuffle(moments)
        stands = 1
        for moment in moments:
            run = 1 - stands
            done = warm.run("plan", sites[run], "--out", target, "--quiet",
                            hit_after=moment * seconds)  # fmt: skip
            found = digests(target)
            assert found in held, (seed, moment)
            assert verify(target, sites[held.index(found)]).errors == ()
            assert done["code"] in (0, -signal.SIGKILL), done
            now = held.index(found)
            seen["new" if now == run else "previous"] += 1
            if done["code"] == 0:  # runs have become faster: aim at what one takes now
                seen["not killed"] += 1
                seconds = min(seconds, done["seconds"])
            assert done["code"] != 0 or now == run
            stands = now
        assert strays(target) == []
    print(f"seed {seed}, at last {seconds:.1f} s a run, parts of it "
          f"{' '.join(f'{moment:.2f}' for moment in moments)}: {seen}")  # fmt: skip
    return seen


def test_killed_at_fifty_random_moments(tmp_path):
    folders = [tmp_path / str(n) for n in range(AT_ONCE)]
    for folder in folders:
        folder.mkdir()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        seeds = range(SEED, SEED + AT_ONCE)
        seen = list(pool.map(hit_at_random, folders, seeds, [HITS // AT_ONCE] * AT_ONCE))
    assert sum(s["previous"] + s["new"] for s in seen) == HITS
    killed = HITS - sum(s["not killed"] for s in seen)
    assert killed >= HITS // 5  # or the moments tell little
