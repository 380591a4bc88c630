"""Planning as the page sees it, with a stand-in for the process that plans; and that process."""

import asyncio
import sys

import pytest
from desk.desk_site import in_a_loop
from handover.small_site import small_site

from siteplanner.desk import worker
from siteplanner.desk.planning import Planning

SAYS = """
import json, sys
for line in sys.stdin:
    job = json.loads(line)
    if "map" in job:
        print(job["only"].pop(0), flush=True)
        print('{"map": {"stamp": "s", "trees": 1, "area_ha": 2, "warnings": [], "cautions": []}}',
              flush=True)
    else:
        for said in job["only"][1:]:
            print(said, flush=True)
"""
#: It dies slowly: its output is closed well before it is gone.
WAITS = """
import json, os, signal, sys, time
def end(*_):
    os.close(1); time.sleep(0.3); os._exit(0)
signal.signal(signal.SIGTERM, end)
for line in sys.stdin:
    print('{"step": "Waiting"}', flush=True)
    if not json.loads(line)["only"]:
        time.sleep(60)
    print('{"done": true}', flush=True)
"""


async def until(planning, *states):
    while planning.state.doing not in states:
        await asyncio.wait_for(planning.after(planning.state.number), 20)
    return planning.state


def run(program, use):
    async def whole():
        planning = Planning((sys.executable, "-S", "-c", program))
        try:
            return await use(planning)
        finally:
            await planning.close()

    return in_a_loop(whole())


def test_steps_are_counted_and_the_next_bar_knows_how_many(tmp_path):
    async def use(planning):
        said = ['{"step": "One"}', '{"step": "Two"}', '{"done": true}']
        assert planning.start(tmp_path, tmp_path, said)
        assert not planning.start(tmp_path, tmp_path, said)  # one at a time
        first = await until(planning, "done")
        planning.start(tmp_path, tmp_path, said)
        return first, planning.state, await until(planning, "done")

    first, again, last = run(SAYS, use)
    assert (first.steps, again.of, last.steps) == (2, 2, 2)


#: Makes each map at once, and never comes to an end with sheets and files of "slow" plans.
MAPS = """
import json, os, sys, time
for line in sys.stdin:
    job = json.loads(line)
    if "map" in job:
        print(json.dumps({"map": {"stamp": str(os.getpid()), "trees": 1, "area_ha": 2,
                                  "warnings": [], "cautions": []}}), flush=True)
    else:
        print('{"step": "Drawing the sheets"}', flush=True)
        time.sleep(60 * (job["only"] == ["slow"]))
        print('{"done": true}', flush=True)
"""


def test_the_map_comes_first_and_a_newer_plan_gives_up_the_files_behind_it(tmp_path):
    async def use(planning):
        planning.start(tmp_path, tmp_path, ["slow"])
        first = await until(planning, "behind")
        maker = planning.shown({"files": ["of before"], "trees": 7})
        ahead = planning.ahead("map.html"), planning.ahead("sheets.pdf")
        assert planning.start(tmp_path, tmp_path, ["quick"])
        last = await until(planning, "done", "failed", "stopped")
        return first, maker, ahead, last, planning.shown(None)

    first, maker, ahead, last, shown = run(MAPS, use)
    assert first.doing == "behind" and last.doing == "done"
    assert maker["trees"] == 1 and maker["files"] == ["of before"] and maker["behind"]
    assert ahead[0].name == "map.html" and ahead[1] is None
    assert shown is None  # the plan's folder has it now


#: Says trees, then what is wrong, or nothing more.
TREES = """
import json, sys, time
for line in sys.stdin:
    for said in json.loads(line)["only"]:
        print(said, flush=True)
"""


def test_trees_come_ahead_and_go_with_the_plan_that_failed(tmp_path):
    async def use(planning):
        before = planning.trees
        said = ['{"trees": "0123456789abcdefgh"}', '{"sentences": ["a: b; c."]}']
        planning.start(tmp_path, tmp_path, said[:1])
        while not planning.state.trees:
            await asyncio.wait_for(planning.after(planning.state.number), 20)
        ahead = planning.state, planning.trees
        await planning.stop()
        stopped = planning.state, planning.trees
        planning.start(tmp_path, tmp_path, said)
        return before, ahead, stopped, await until(planning, "failed")

    before, (state, path), (stopped, gone), failed = run(TREES, use)
    assert before is None and state.doing == "running" and state.trees == "0123456789abcdef"
    assert path.name == "trees.json"
    assert stopped.doing == "stopped" and gone is None
    assert failed.trees == ""


def test_stopped_behind_the_map_the_process_that_remembers_stays(tmp_path):
    async def use(planning):
        makers = []
        for only in ("slow", "quick"):
            planning.start(tmp_path, tmp_path, [only])
            await until(planning, "behind")
            makers.append(planning.shown(None)["stamp"])
            if only == "slow":
                await planning.stop()
                makers.append(planning.state)
                makers.append(planning.ahead("map.html"))
        return makers, await until(planning, "done", "failed")

    (before, stopped, ahead, after), last = run(MAPS, use)
    assert stopped.doing == "stopped" and ahead is None
    assert stopped.sentences == ("Stopped. The previous plan has not changed.",)
    assert before == after and last.doing == "done"


def test_what_is_wrong_comes_as_sentences(tmp_path):
    async def use(planning):
        planning.start(tmp_path, tmp_path, ['{"sentences": ["a: b; c."]}'])
        return await until(planning, "failed")

    assert run(SAYS, use).sentences == ("a: b; c.",)


def test_a_process_that_dies_is_said(tmp_path):
    async def use(planning):
        planning.start(tmp_path, tmp_path, ["x"])
        return await until(planning, "failed")

    program = "import sys; sys.stdin.readline(); raise SystemExit(7)"
    assert "ended without a word (code 7)" in run(program, use).sentences[0]


def test_after_stop_the_next_plan_is_made(tmp_path):
    async def use(planning):
        planning.start(tmp_path, tmp_path)
        while planning.state.step != "Waiting":
            await planning.after(planning.state.number)
        stop = asyncio.create_task(planning.stop())
        stopped = await until(planning, "stopped", "failed")
        planning.start(tmp_path, tmp_path, ["x"])
        await stop
        return stopped, await until(planning, "done", "failed")

    stopped, done = run(WAITS, use)
    assert stopped.sentences == ("Stopped. The previous plan has not changed.",)
    assert done.doing == "done"


def test_the_process_that_plans_says_every_error_and_goes_on(tmp_path):
    site = small_site(tmp_path / "site")
    text = site.read_text("utf-8")
    said = []
    for wrong in (text + "\n[nothing]\n", text.replace("soils.gpkg", "gone.gpkg")):
        site.write_text(wrong, "utf-8")
        job = {"site": str(site), "out": str(tmp_path / "plan"), "only": []}
        worker.planned(job, lambda **what: said.append(what))
    assert "this setting does not exist" in said[0]["sentences"][0]
    assert any("gone.gpkg: this file does not exist" in s for s in said[-1]["sentences"])
    assert not (tmp_path / "plan").exists()


@pytest.mark.parametrize("error", [RuntimeError("x"), MemoryError()])
def test_a_mistake_of_ours_is_a_sentence_too(monkeypatch, tmp_path, error):
    def broken(*_, **__):
        raise error

    monkeypatch.setattr("siteplanner.run.write_plan", broken)
    said = []
    job = {"site": str(small_site(tmp_path / "site")), "out": str(tmp_path / "plan")}
    worker.planned(job, lambda **what: said.append(what))
    assert f"siteplanner failed ({type(error).__name__}" in said[0]["sentences"][0]
