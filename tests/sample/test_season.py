"""README's season, step by step: each of its commands, in order, on a small site."""

import re
import shlex

import pandas as pd
import pytest
from conftest import ROOT, here
from handover.small_site import small_site


def steps():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.partition("## A season, step by step")[2].partition("\n## ")[0]
    return re.findall(r"\| `(siteplanner [^`]*)` \|", table)


def test_the_readme_has_the_whole_season():
    words = " ".join(steps())
    for word in ("plan SITE", "printed", "planted", "--damage", "--draw", "--save-rates"):
        assert word in words
    assert len(steps()) == 8


@pytest.mark.xdist_group("season")
@pytest.mark.usefixtures("quick_plans")
def test_each_step_of_the_season_runs(tmp_path, monkeypatch):
    site = small_site(tmp_path / "site", name="Gull rise")
    text = site.read_text("utf-8").partition("[nursery]")[0]
    site.write_text(f"{text}\n[nursery]\nplant_on = 2028\n", "utf-8")
    monkeypatch.chdir(tmp_path)
    form = tmp_path / "survival" / "gull-rise" / "rows_to_count.csv"
    said = []
    for step in steps():
        blocks = ["A1", "A2"]
        plan = tmp_path / "maps" / "gull-rise"
        if (plan / "blocks.csv").exists():
            blocks = list(pd.read_csv(plan / "blocks.csv")["block"])[:2]
        words = shlex.split(step)[1:]
        words = [w for w in words if w not in ("A1", "A2")] + (blocks if "A1" in words else [])
        words = [str(site) if w == "SITE" else str(form) if w == form.name else w for w in words]
        if "--damage" in words:
            line = f"{blocks[0]},1,,browsing,all,replant same,,2029-05-02,fence was down"
            head = "block,rows,species,cause,dead,do,replace_with,date,note"
            (tmp_path / "damage.csv").write_text(f"{head}\n{line}\n", "utf-8")
        if "--save-rates" in words:
            counted = pd.read_csv(form)
            counted["alive"] = (0.8 * counted["planted"]).astype(int)
            counted.to_csv(form, index=False)
        done = here(*words)
        assert done.returncode == 0, (step, done.stdout, done.stderr)
        said.append(done.stdout)
        if step == steps()[0]:
            before = pd.read_csv(plan / "rows.csv")
    # What was printed and planted is in the last plan as it was in the first.
    after = pd.read_csv(plan / "rows.csv")
    stays = [frame[frame["block"].isin(blocks)].reset_index(drop=True) for frame in (before, after)]
    columns = ["block", "row", "species", "trees"]
    pd.testing.assert_frame_equal(stays[0][columns], stays[1][columns])
