"""What counts teach is kept by species and ground, adds up, and is read by the plan."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from after.test_damage import GUM, WATTLE, filled, form, judged, saved, site, written
from conftest import SITE
from handover.small_site import small_site

from siteplanner.after.learnt import LEARNT, read_learnt, save_rates
from siteplanner.base.errors import InputError
from siteplanner.planting.counts import split
from siteplanner.planting.lay_out import READS, lay_out
from siteplanner.planting.mix.allocation import candidates_of
from siteplanner.reading.species.survival_rates import with_saved_rates
from siteplanner.reading.species.table import read_species
from siteplanner.site.planting import Mix
from siteplanner.site.site_file import load_site
from siteplanner.suitability.of_site import assessed

__all__ = ["form", "site"]  # fixtures


def kept(site):
    frame = pd.read_csv(site.folder / "expected_survival.csv", keep_default_na=False)
    return frame.set_index(["species", "ground"])


def keep(site, *counts):
    return save_rates(judged(site, list(counts)), site, list(counts))


def of_block(form, name, block, share):
    frame = pd.read_csv(filled(form, name, share))
    return saved(frame[frame["block"] == block], form.with_name(name))


def test_a_second_save_adds_to_the_first_and_the_same_file_does_not(site, form):
    first = of_block(form, "first.csv", "A1", 0.5)
    keep(site, first)
    one = kept(site)
    second = of_block(form, "second.csv", "A2", 1.0)
    keep(site, second)
    both = kept(site)
    gum = GUM, "frosty wet"
    assert one.loc[gum, "counted"] == 36 and both.loc[gum, "counted"] == 72
    assert one.loc[gum, "alive"] == 18 and both.loc[gum, "alive"] == 54
    assert one.loc[gum, "expected_survival"] < both.loc[gum, "expected_survival"]
    # Twenty trees' belief in the table, then 54 of 72; rows differ, so they are worth fewer.
    before = read_species(site.folder / "species.csv").facts.set_index("botanical_name")
    hoped = before.loc[GUM, "expected_survival"]
    assert 0.75 <= both.loc[gum, "expected_survival"] <= hoped
    again, said = keep(site, second.rename(form.with_name("renamed.csv")))
    assert again is None and "were used before" in said[0] and kept(site).equals(both)


def test_the_same_trees_counted_later_do_not_count_twice(site, form):
    early = pd.read_csv(filled(form, "early.csv", 1.0)).assign(date="2029-03-01")
    keep(site, saved(early, form.with_name("early.csv")))
    one = kept(site)
    late = pd.read_csv(filled(form, "late.csv", 0.5)).assign(date="2030-03-01")
    _, said = keep(site, saved(late, form.with_name("late.csv")))
    both = kept(site)
    assert both["counted"].equals(one["counted"]) and (both["alive"] < one["alive"]).all()
    assert "A1, A2, B1: counted before" in said[0]


def test_what_is_kept_has_its_ground_and_cause(site, form):
    frame = pd.read_csv(filled(form, "frost.csv", 1.0, A1=0.5))
    frame["frost"] = frame["planted"] - frame["alive"]
    keep(site, saved(frame, form.with_name("frost.csv")))
    table = kept(site)
    assert set(table.index) == {(GUM, "frosty wet"), (WATTLE, "frosty wet"), (GUM, "ordinary")}
    assert table.loc[(GUM, "frosty wet"), "causes"] == "frost 18"
    assert table.loc[(GUM, "ordinary"), "causes"] == ""
    assert (table["learnt_from"] == "frost.csv").all()


def test_rows_saved_without_a_ground_stay_and_count_elsewhere(site, form):
    path = site.folder / "expected_survival.csv"
    path.write_text(
        "species,expected_survival,low,high,counted,learnt_from\n"
        f"{GUM},0.42,0.3,0.5,80,old.csv\n{WATTLE},0.61,0.5,0.7,60,old.csv\n",
        encoding="utf-8",
    )
    keep(site, of_block(form, "flat.csv", "A1", 1.0))
    assert kept(site).loc[(GUM, ""), "expected_survival"] == 0.42
    table, said = with_saved_rates(read_species(site.folder / "species.csv"), path)
    names = list(table.facts["botanical_name"])
    gum, wattle = names.index(GUM), names.index(WATTLE)
    flat, slope = table.survival_on("frosty wet"), table.survival_on("dry")
    assert slope[gum] == 0.42 and slope[wattle] == 0.61
    assert flat[gum] > 0.8 and flat[wattle] > 0.8 and "by kind of ground" in said


def test_the_plan_mixes_and_orders_by_what_was_learnt_of_each_ground(tmp_path):
    path = tmp_path / "rates.csv"
    path.write_text(
        f"species,ground,expected_survival\n{GUM},frosty wet,0.25\n{GUM},ordinary,0.5\n",
        encoding="utf-8",
    )
    plain = read_species(SITE.parent / "species.csv")
    table, _ = with_saved_rates(plain, path)
    number = list(table.facts["botanical_name"]).index(GUM)
    shares = {g: candidates_of(table, Mix(), g).survival for g in ("frosty wet", "ordinary", "dry")}
    was = {g: candidates_of(plain, Mix(), g).survival for g in shares}
    assert [shares[g][number] for g in shares] == [0.25, 0.5, was["dry"][number]]
    assert all(
        np.array_equal(np.delete(shares[g], number), np.delete(was[g], number)) for g in shares
    )
    # Three trees at 0.9 ask for 3.3 plants and three at 0.7 for 4.3: 4 and 5, each rounded alone.
    trees = pd.DataFrame({"zone": list("AAABBB"), "species": GUM})
    trees["survival"] = [0.9] * 3 + [0.7] * 3
    counts = split(trees, ["zone", "species"], table.facts)
    assert counts.set_index("zone")["order"].to_dict() == {"A": 4, "B": 5}


def test_a_plan_orders_by_the_rates_of_its_own_ground(tmp_path):
    site = load_site(small_site(tmp_path / "site"))
    inputs, ground, suitability = assessed(site, set(READS))
    before = lay_out(inputs, ground, suitability, site)
    name = before.counts.groupby("species")["trees"].sum().idxmax()
    zone = before.counts[before.counts["species"] == name].groupby("zone")["trees"].sum().idxmax()
    kind = before.zones.set_index("zone").loc[zone, "ground_kind"]
    path = tmp_path / "rates.csv"
    lines = [f"{name},{kind},0.5", f"{name},frosty wet steep rocky,0.1"]
    path.write_text("\n".join(["species,ground,expected_survival", *lines]) + "\n", "utf-8")
    species, _ = with_saved_rates(inputs.species, path)
    after = lay_out(replace(inputs, species=species), ground, suitability, site)
    mine = after.trees["species"] == name
    assert (after.tree_survival[mine & (after.trees["zone"] == zone)] == 0.5).all()
    counts = after.counts[after.counts["species"] == name]
    here = counts["zone"].map(after.zones.set_index("zone")["ground_kind"]) == kind
    assert here.any() and counts["order"][here].sum() == 2 * counts["trees"][here].sum()
    # A plant that is worth less there is given no more places than before.
    assert mine.sum() <= (before.trees["species"] == name).sum()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"{GUM},wet frosty,0.5", "'wet frosty' is no kind of ground"),
        (f"{GUM},swamp,0.5", "'swamp' is no kind of ground"),
        (f"{GUM},wet,0.5\n{GUM},wet,0.6", "is listed twice"),
        (f"{GUM},wet,5", "a share from 0 to 1"),
    ],
)
def test_errors_in_saved_rates_are_named(tmp_path, text, said):
    path = written(tmp_path, text, name="rates.csv", head="species,ground,expected_survival")
    with pytest.raises(InputError, match=said):
        with_saved_rates(read_species(SITE.parent / "species.csv"), path)


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("alive", "many", "'many' is not valid here"),
        ("alive", "999", "more are alive than were counted"),
        ("design_effect", "0.2", "'0.2' is not valid here"),
        ("date", "May", "'May' is not valid here"),
    ],
)
def test_errors_in_the_evidence_are_named(site, form, column, value, said):
    keep(site, filled(form, "half.csv", 0.5))
    path = site.folder / LEARNT
    frame = pd.read_csv(path, dtype=str)
    frame.loc[0, column] = value
    with pytest.raises(InputError, match=said):
        read_learnt(saved(frame, path))
