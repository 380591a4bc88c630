"""A plan made with what was kept of earlier ones is the plan that is made afresh."""

import shutil
from pathlib import Path

import pytest
from desk.warm_edits import Edited, Watched, told_apart
from handover.small_site import small_site

SAMPLE = Path(__file__).parents[2] / "sample_site"


def held(site: Path, edits: int, seed: int) -> Watched:
    """Edit a site so many times and hold each plan to a fresh one."""
    memory = Watched()
    edited = Edited(site, seed, memory)
    for _ in range(edits):
        done, made = edited.edit(), memory.made
        assert told_apart(site, memory) == [], done
        assert memory.changed() == []
        assert memory.made - made < made  # most of it was kept
    return memory


def test_a_warm_plan_is_the_fresh_one(tmp_path):
    held(small_site(tmp_path / "site"), 1, 1)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(4))
def test_warm_plans_are_the_fresh_ones_over_many_edits(tmp_path, seed):
    held(small_site(tmp_path / "site"), 12, seed)


@pytest.mark.long
def test_warm_plans_of_the_sample_are_the_fresh_ones(tmp_path):
    shutil.copytree(SAMPLE, tmp_path / "site")
    held(tmp_path / "site" / "site.toml", 4, 0)
