"""Whole catchments by the real command, on real worker processes, some of them killed."""

import contextlib
import json
import os
import re
import signal
import struct
import subprocess
import sys
import threading
import time
import zlib
from collections import defaultdict

import dask
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pypdfium2
import pytest
import shapely
from catchment.made_catchment import CRS, MOTHERS, NAMES, made_catchment, small_site
from conftest import command, digests, here
from distributed import LocalCluster
from handover.small_site import SLOW, leave_out
from icalendar import Calendar

from siteplanner import load_site
from siteplanner.base.errors import InputError
from siteplanner.catchment import cluster, one_site
from siteplanner.catchment.one_site import Job, plan_one
from siteplanner.handover.folder import publish
from siteplanner.run import write_plan

#: Bytes from one number of a position to the other, at most.
SIDE_BY_SIDE = 60
#: The catchment reads what the first writes, and no map of a site may hold what is private.
WANTED = ("Writing the nursery's year", "Drawing the map")
FOLDERS = ["far-paddock", "gull-farm", "tern-b-hill-b-1-1"]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A catchment with a broken site, planned: its folder, and the run.

    By a worker in this process and without the writers that take longest.
    """
    folder = tmp_path_factory.mktemp("quick valley")
    file = made_catchment(folder)
    with (
        pytest.MonkeyPatch.context() as patch,
        LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None,
            silence_logs=50,
        ) as workers,
    ):  # fmt: skip
        leave_out([title for title in SLOW if title not in WANTED], patch)
        address = workers.scheduler_address
        done = here("catchment", file, "--out", folder / "out", "--cluster", address)
    return folder, done


@pytest.fixture(scope="module")
def out(made):
    return made[0] / "out"


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    """The same by the command and a worker process, with all files."""
    folder = tmp_path_factory.mktemp("valley")
    file = made_catchment(folder)
    done = command("catchment", file, "--out", folder / "out", "--workers", 1)
    return folder, done


@pytest.fixture(scope="module")
def real_out(real):
    return real[0] / "out"


def words_of(path):
    pages = pypdfium2.PdfDocument(path)
    return "\n".join(page.get_textpage().get_text_bounded() for page in pages)


def test_a_site_that_fails_is_told_and_stops_no_other(made, out):
    done = made[1]
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
    assert "Burnt Flat is not planned:" in done.stderr
    assert re.search(r"farm9/dem\.tif: it cannot be read as a raster.*save the DEM", done.stderr)
    assert sorted(path.name for path in (out / "sites").iterdir()) == FOLDERS
    assert "Not planned, and not in any of the figures: Burnt Flat" in words_of(
        out / "shared/report.pdf"
    )
    assert json.loads((out / "shared/plan.json").read_text())["not_planned"] == ["Burnt Flat"]


def test_progress_is_told_site_by_site(made):
    lines = made[1].stderr.splitlines()
    assert [line for line in lines if re.match(r"\d of 4 sites: .* (planned|failed) …", line)]
    assert sum("of 4 sites:" in line for line in lines) == 4
    assert all(name in made[1].stdout for name in NAMES)


@pytest.mark.long
def test_a_site_is_planned_as_by_the_command_plan(real, real_out, tmp_path):
    write_plan(load_site(real[0] / "farm0"), tmp_path / "plan")
    alone = digests(tmp_path / "plan")
    assert len(alone) > 40
    assert alone == digests(real_out / "sites" / "far-paddock")


def test_pooled_figures_are_the_sums_of_the_plans(out):
    pooled = pd.read_csv(out / "shared/orders.csv").set_index("species")
    wanted = defaultdict(float)
    for folder in FOLDERS:
        plan = out / "sites" / folder
        for row in pd.read_csv(plan / "counts.csv").itertuples():
            wanted["trees", row.species] += row.trees
            wanted["order", row.species] += row.order
        for row in pd.read_csv(plan / "nursery.csv").itertuples():
            wanted["plants", row.species] += row.plants
            wanted["seed_g", row.species] += row.seed_g
    assert len(wanted) > 40
    for (column, species), number in wanted.items():
        assert pooled[column][species] == pytest.approx(number, abs=1e-9), (column, species)
    assert pooled["order"].sum() == sum(n for (c, _), n in wanted.items() if c == "order")
    sites = pyogrio.read_dataframe(out / "shared/catchment.gpkg", layer="sites")
    assert list(sites["name"]) == sorted(NAMES)
    assert sites["trees"].sum() == pooled["trees"].sum()
    assert (sites["order_least"] < sites["order"]).all()
    assert (sites["order"] < sites["order_most"]).all()
    planted = [gpd.read_file(out / "sites" / f / "plan.gpkg", layer="boundary") for f in FOLDERS]
    for site, boundary in zip(sites.geometry, planted, strict=True):
        assert site.equals_exact(boundary.to_crs(4326).geometry[0], 1e-9)


def test_shared_plants_and_seed_go_out_by_the_rule(out):
    by_site = pd.read_csv(out / "shared/orders_by_site.csv").set_index(["species", "site"])
    pooled = pd.read_csv(out / "shared/orders.csv").set_index("species")
    wattle = by_site.loc["Acacia dealbata"]
    # The site that must have the species is served its trees first.
    assert wattle["from_tubes"]["gull-farm"] == wattle["trees"]["gull-farm"] < 40
    assert wattle["from_tubes"].sum() == 40
    assert wattle["from_seed_g"]["gull-farm"] == pytest.approx(0.05)
    assert (
        wattle["lacking"].sum() == pooled["lacking"]["Acacia dealbata"] == wattle["to_raise"].sum()
    )
    banksia = pooled.loc["Banksia marginata"]
    assert banksia["from_tubes"] == banksia["plants"]
    assert banksia["tubes_left"] == 500 - banksia["plants"] > 0
    gum = pooled.loc["Eucalyptus ovata"]
    assert (gum["from_tubes"], gum["lacking"]) == (25, 0)
    assert gum["from_seed_g"] == gum["seed_asked_g"] > 0
    assert pooled.loc["Poa labillardierei", ["order", "tubes_left"]].tolist() == [0, 30]
    short = pd.read_csv(out / "shared/shortages.csv")
    assert set(short["species"]) == {"Acacia dealbata"}
    assert short["stand_ins"].str.startswith("Banksia marginata (suitability").all()
    assert short["stand_ins"].str.contains(f"{banksia['tubes_left']:.0f} shared plants left").all()
    said = re.sub(r"\s+", " ", words_of(out / "shared/report.pdf"))
    assert "a larger stock never leaves a site with less" in said
    assert f"{short['lacking'].sum():,} plants of 1 species" in said


def test_the_calendar_holds_every_dated_job_of_every_site(out):
    table = pd.read_csv(out / "shared/calendar.csv", keep_default_na=False)
    for folder in FOLDERS:
        works = pd.read_csv(out / "sites" / folder / "works.csv")
        batches = pd.read_csv(out / "sites" / folder / "nursery.csv")
        mine = table[table["site"] == folder]
        for job, count in works["job"].value_counts().items():
            assert (mine["job"] == job).sum() == count
        assert (mine["job"] == "Sow").sum() == batches["sow_on"].notna().sum() > 0
    assert (table["start"] <= table["end"]).all()
    assert list(table["start"]) == sorted(table["start"])
    events = Calendar.from_ical((out / "shared/calendar.ics").read_bytes()).walk("VEVENT")
    told = "".join(str(event["description"]) for event in events)
    assert sum(told.count(f"{folder}: ") for folder in FOLDERS) == len(table)
    assert len({str(event["uid"]) for event in events}) == len(events)


def test_text_of_the_sites_stays_text(out):
    said = words_of(out / "shared/report.pdf")
    assert "Tern <b>Hill</b> & =1+1" in said and "Tern <i>valley</i>" in said
    styles = pyogrio.read_dataframe(out / "shared/catchment.gpkg", layer="layer_styles")
    assert list(styles["f_table_name"]) == ["sites"]


# --- mother trees --------------------------------------------------------------------------


def mothers(folder):
    """Exact positions of a site's mother trees: metres, and longitude and latitude."""
    points = gpd.read_file(folder / "mothers.gpkg")
    for frame in (points, points.to_crs(4326)):
        yield from shapely.get_coordinates(frame.geometry)


def found(position, content):
    """Ways in which an exact position can be read from bytes: both its numbers, side by side.

    As binary numbers, or as text from a decimetre on. To the metre, some row's end would lie
    where a mother tree stands by chance.
    """
    ways = []
    for number in position:
        binary = [struct.pack(f"{order}d", number) for order in "<>"]
        digits = range(1, 4) if number > 1e3 else range(6, 10)
        texts = [f"{number:.{n}f}".encode() for n in digits]
        ways.append([way for way in (*binary, *texts) if way in content])
    east, north = (
        [match.start() for way in of_number for match in re.finditer(re.escape(way), content)]
        for of_number in ways
    )
    beside = any(abs(e - n) <= SIDE_BY_SIDE for e in east for n in north)
    return [way for of_number in ways for way in of_number] if beside else []


def contents(folder):
    """Bytes of every file, those of PDF streams too, by path."""
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        content = path.read_bytes()
        if path.suffix == ".pdf":
            content += words_of(path).encode()
        for stream in re.findall(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
            with contextlib.suppress(zlib.error):
                content += zlib.decompress(stream)
        yield path, content


@pytest.mark.parametrize("which", ["made", pytest.param("real", marks=pytest.mark.long)])
def test_no_file_holds_the_place_of_a_mother_tree(which, request):
    made = request.getfixturevalue(which)
    places = [place for n in range(3) for place in mothers(made[0] / f"farm{n}")]
    assert len(places) == 18
    source = (made[0] / "farm0" / "mothers.gpkg").read_bytes()
    assert all(found(place, source) for place in places[:3])  # the search finds what is there
    looked_at = 0
    for path, content in contents(made[0] / "out"):
        leaks = [way for place in places for way in found(place, content)]
        assert not leaks, (path, leaks)
        looked_at += 1
    assert looked_at > (150 if which == "real" else 100)


def test_files_for_sharing_do_not_name_places_of_seed(out):
    for path, content in contents(out / "shared"):
        for _, name, *_ in MOTHERS:
            assert name.encode() not in content, path
    assert MOTHERS[0][1] in (out / "sites/far-paddock/nursery.csv").read_text()
    seed = pd.read_csv(out / "shared/seed.csv").set_index("species")
    assert seed["permit"]["Eucalyptus ovata"] == "invented permit 7"


# --- again, and blurred --------------------------------------------------------------------


@pytest.fixture(scope="module")
def again(real, tmp_path_factory):
    """The same folder planned again by one worker, one plan damaged, mother trees blurred."""
    folder, _ = real
    out = folder / "out"
    before = digests(out)
    stood = {name: (out / "sites" / name).stat().st_ino for name in FOLDERS}
    with (out / "sites/gull-farm/counts.csv").open("ab") as file:
        file.write(b"damage")
    text = (folder / "catchment.toml").read_text()
    (folder / "catchment.toml").write_text(text.replace("left out", "blurred"))
    try:
        done = command("catchment", folder, "--out", out, "--workers", 1)
        copy = tmp_path_factory.mktemp("blurred")
        (out / "shared/catchment.gpkg").rename(copy / "catchment.gpkg")
    finally:
        (folder / "catchment.toml").write_text(text)
    return before, stood, done, copy


@pytest.mark.long
def test_a_second_run_plans_only_what_is_not_up_to_date(real_out, again):
    _, stood, done, _ = again
    assert done.returncode == 4
    states = dict(re.findall(r"sites: (.*?) (planned|up to date|failed) …", done.stderr))
    assert states == {
        NAMES[0]: "up to date", NAMES[1]: "planned", NAMES[2]: "up to date", "Burnt Flat": "failed"
    }  # fmt: skip
    for name in FOLDERS:
        kept = (real_out / "sites" / name).stat().st_ino == stood[name]
        assert kept == (name != "gull-farm")


@pytest.mark.long
def test_one_worker_or_two_give_the_same_bytes(real, again, tmp_path):
    before, _, _, _ = again  # what one worker made, before mother trees were blurred
    done = command("catchment", real[0], "--out", tmp_path / "two", "--workers", 2)
    assert done.returncode == 4
    assert digests(tmp_path / "two") == before


@pytest.mark.long
def test_a_second_run_gives_the_same_bytes(real_out, again):
    before, _, _, _ = again
    after = digests(real_out)
    blurred = {f"shared/{name}" for name in ("catchment.gpkg", "report.pdf", "plan.json")}
    assert {n: d for n, d in before.items() if n not in blurred} == {
        n: d for n, d in after.items() if n not in blurred
    }


@pytest.mark.long
def test_blurred_mother_trees_stand_in_the_middle_of_a_square_of_a_kilometre(real, again):
    file = again[3] / "catchment.gpkg"
    trees = pyogrio.read_dataframe(file, layer="mother_trees_blurred")
    assert sorted(trees.columns) == ["blurred_to_m", "geometry", "site", "species", "trees"]
    assert trees.groupby("site")["trees"].sum().to_dict() == dict.fromkeys([*FOLDERS], 3)
    metric = shapely.get_coordinates(trees.to_crs(CRS).geometry)
    assert np.abs(metric % 1000 - 500).max() < 1.5  # five decimals of a degree
    content = file.read_bytes()
    for number in range(3):
        exact = list(mothers(real[0] / f"farm{number}"))
        assert not [way for place in exact for way in found(place, content)]
        away = [np.hypot(*(metric - place).T).min() for place in exact[:3]]
        assert all(distance < 1000 / np.sqrt(2) + 2 for distance in away)


# --- workers killed ------------------------------------------------------------------------


@pytest.mark.long
def test_killed_workers_lose_nothing_and_publish_nothing_twice(real, real_out, again, tmp_path):
    """Kill a worker while it plans, then one that has just published a plan."""
    target = tmp_path / "out"
    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0", silence_logs=50
    ) as workers:
        run = subprocess.Popen(
            [sys.executable, "-m", "siteplanner", "catchment", real[0], "--out", target,
             "--cluster", workers.scheduler_address],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            killed, seen = watch(run, target / "sites")
            _, said = run.communicate(timeout=900)
        finally:
            run.kill()
    assert len(killed) == 2
    assert run.returncode == 4, said
    assert "Traceback" not in said
    assert {name: len(folders) for name, folders in seen.items()} == dict.fromkeys(FOLDERS, 1)
    assert sorted(path.name for path in (target / "sites").iterdir()) == FOLDERS
    assert sorted(path.name for path in target.iterdir()) == ["shared", "sites"]
    mine, other = digests(target / "sites"), digests(real_out / "sites")
    assert mine == other
    assert digests(target / "shared")["orders.csv"] == digests(real_out / "shared")["orders.csv"]
    assert (
        digests(target / "shared")["calendar.ics"] == digests(real_out / "shared")["calendar.ics"]
    )


def watch(run, sites):
    """Kill workers by the number in their staging folder's name; see which folders appear."""
    killed, seen, owner = [], defaultdict(set), {}
    end = time.monotonic() + 900
    while run.poll() is None and time.monotonic() < end:
        names = [path.name for path in sites.iterdir()] if sites.is_dir() else []
        for name in names:
            if match := re.fullmatch(r"\.(.+)\.new-(\d+)", name):
                owner[match[1]] = int(match[2])
            elif not name.startswith("."):
                with contextlib.suppress(FileNotFoundError):
                    seen[name].add((sites / name).stat().st_ino)
        if not killed and owner and any((sites / n / "layers").is_dir() for n in names):
            killed.append(next(iter(owner.values())))
            os.kill(killed[0], signal.SIGKILL)
            owner.clear()
        elif len(killed) == 1 and seen and (late := owner.get(next(iter(seen)))):
            killed.append(late)
            with contextlib.suppress(ProcessLookupError):
                os.kill(late, signal.SIGKILL)
        time.sleep(0.002)
    return killed, seen


@pytest.mark.long
def test_a_job_that_kills_its_workers_is_given_up_and_told(tmp_path, monkeypatch):
    def deadly(job):
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr(cluster, "plan_one", deadly)
    told = []
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        cluster.cluster(None, 1, 1) as client,
    ):
        job = Job(tmp_path / "site.toml", tmp_path / "plan")
        (outcome,) = cluster.run(client, [job], lambda number, outcome: told.append(number))
    assert (outcome.state, outcome.ours, told) == ("failed", True, [0])
    assert "every worker that planned it was killed" in str(outcome.errors[0])


def test_a_cluster_that_does_not_answer_is_told(made, monkeypatch):
    monkeypatch.setattr(cluster, "_CONNECT_S", 1)
    with (
        pytest.raises(InputError, match=r"tcp://127\.0\.0\.1:9: the Dask cluster does not answer"),
        cluster.cluster("tcp://127.0.0.1:9", None, 1),
    ):
        pass


# --- one site ------------------------------------------------------------------------------


@pytest.mark.long
def test_a_plan_that_somebody_else_is_writing_is_waited_for(tmp_path):
    job = Job(small_site(tmp_path / "farm", "Gull Farm", 0), tmp_path / "plan")
    found = []
    with publish.staged(tmp_path / "plan") as staging:
        thread = threading.Thread(target=lambda: found.append(plan_one(job)))
        thread.start()
        time.sleep(1.0)
        assert not found
        (staging / "plan.json").write_text('{"versions": {"siteplanner": "0"}, "files": {}}')
    thread.join(60)
    assert [outcome.state for outcome in found] == ["planned"]
    assert plan_one(job).state == "up to date"
    readings = tmp_path / "farm" / "climate.csv"
    readings.write_text(readings.read_text().replace(readings.read_text().split()[1], ""))
    assert not one_site.up_to_date(load_site(job.file), job.folder)


def test_a_worker_with_another_version_is_refused(tmp_path):
    outcome = plan_one(Job(tmp_path / "site.toml", tmp_path / "plan", version="0.0"))
    assert (outcome.state, outcome.ours) == ("failed", True)
    assert "install the same version on every worker" in str(outcome.errors[0])
