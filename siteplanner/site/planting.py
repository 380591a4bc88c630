"""Settings of zones, grids, mix, work and years, every one documented once, here."""

from __future__ import annotations

from typing import Annotated, Literal

import pydantic
from pydantic import Field

from siteplanner.site.table import Metres, Share, Table

Rate = Annotated[float, Field(ge=0, le=100_000)]
Days = Annotated[float, Field(gt=0, le=100_000)]
Weeks = Annotated[int, Field(ge=0, le=104)]
Degrees = Annotated[float, Field(ge=0, le=90)]
Minutes = Annotated[float, Field(ge=0, le=1440)]
DaysAMonth = Annotated[float, Field(gt=0, le=31)]


class CrewRates(Table):
    """``[work.volunteers]``: minutes that one person takes on easy ground.

    With a guard and two stakes a tree these make 45 trees a person-day of six hours; volunteers
    plant 30 to 60 (common practice, no source).
    """

    plant_min: Minutes = 4.0
    """To carry, dig and plant one tree."""
    guard_min: Minutes = 2.0
    """To put one guard on."""
    stake_min: Minutes = 1.0
    """To drive one stake."""
    mulch_10_l_min: Minutes = 1.0
    """To carry and lay ten litres of mulch."""
    water_10_l_min: Minutes = 2.0
    """To carry and give ten litres of water."""


class ContractorRates(CrewRates):
    """``[work.contractors]``: the same for people who plant for a living (from memory)."""

    plant_min: Minutes = 1.5
    guard_min: Minutes = 1.0
    stake_min: Minutes = 0.5
    mulch_10_l_min: Minutes = 0.75
    water_10_l_min: Minutes = 1.0


class WorkRates(Table):
    """``[work]``: what goes with a tree, and how fast people work.

    All defaults are common practice or from memory, no source: your own figures are better.
    """

    guards_a_tree: Rate = 1.0
    stakes_a_guard: Rate = 2.0
    mulch_l_a_tree: Rate = 20.0
    water_l_a_tree: Rate = 5.0
    """Water at planting; 0 where the ground is wet enough."""
    people: Annotated[int, Field(ge=1, le=500)] = 5
    """People in a crew."""
    crew: Literal["volunteers", "contractors"] = "volunteers"
    """Who plants: the rates under [work.volunteers] or [work.contractors] count."""
    volunteers: CrewRates = CrewRates()
    contractors: ContractorRates = ContractorRates()
    trees_a_person_day: Days | None = None
    """Trees that a person of yours plants a day on easy ground with all that they get; goes before
    the minutes of the single steps."""
    hours_a_day: Annotated[float, Field(gt=0, le=16)] = 6.0
    """Hours that a person works a day, breaks and ways taken off."""
    days_a_month: DaysAMonth = 8.0
    """Days a month on which the crew plants."""
    nursery_people: Annotated[int, Field(ge=1, le=500)] = 2
    nursery_days_a_month: DaysAMonth = 12.0
    """Days a month on which the nursery's people sow, fill tubes and prick out."""
    sow_tray_min: Minutes = 15.0
    """To fill and sow one tray."""
    sow_tube_min: Minutes = 0.3
    """To sow seed straight into one tube."""
    fill_tube_min: Minutes = 0.3
    """To fill one tube."""
    prick_out_min: Minutes = 0.5
    """To prick one seedling out into a tube."""
    block_days: Days = 3.0
    """A block is what a crew plants in this many days. A larger one is cut into parts, each as near
    to a track as possible."""
    steep_slower: Annotated[float, Field(ge=0, le=1)] = 0.02
    """Share of the day's trees lost for each degree of slope over 10."""
    weed_m: Annotated[float, Field(ge=0, le=10)] = 1.0
    """Width of the spot kept free of weeds around a tree, by hand, mulch or mat."""
    weed_weeks: Weeks = 10
    """From weed control to planting."""
    rooting_weeks: Weeks = 8
    """So long must the ground stay moist after planting, for roots to hold."""
    fence_within_m: Metres = 6.0
    """An existing fence this near to a paddock's edge counts as the fence of that edge."""
    rip_steepest_deg: Degrees = 15.0
    """Machine lines are not ripped or mounded on steeper ground."""
    volunteers_deg: Degrees = 15.0
    """Blocks with at most a tenth of their ground steeper than this are classed as suitable for
    volunteers."""
    experienced_deg: Degrees = 30.0
    """The same, for experienced people only; steeper ones are graded not on foot: see [planting]
    steep."""


class Years(Table):
    """``[years]``: over how many years the planting is spread, and what each year can take.

    Without limits everything is planted in the first year. A limit that is not given is none.
    """

    first: Annotated[int, Field(ge=1900, le=2200)] | None = None
    """The first year of planting, such as 2028; without it years are numbered 1, 2 …"""
    number: Annotated[int, Field(ge=1, le=15)] = 3
    tubes: Annotated[int, Field(ge=0)] | None = None
    """Tubes that the nursery can fill a year, for planting and for infill."""
    bench_m2: Annotated[float, Field(ge=0)] | None = None
    """Bench space of the nursery; a tube takes tube_m2 under [nursery]."""
    money: Annotated[float, Field(ge=0)] | None = None
    """What trees in the ground may cost in a year; see mix.tree_cost."""
    crew_days: Annotated[float, Field(ge=0)] | None = None
    """Days that a crew can plant a year."""
    nurse_years: Annotated[int, Field(ge=0, le=10)] = 2
    """Years that nurse trees grow before the trees they shelter are planted among them."""
    shade_lovers: tuple[str, ...] = ()
    """Species (botanical names) that wait for the nurse trees everywhere, besides those whose
    ``goes_in_year`` in the species table is after the first."""


class Setbacks(Table):
    """``[setbacks]``: metres to keep clear of each kind of thing.

    The defaults are common practice, no source. Local codes, the network operator and the
    owner of the service decide; where they ask for more, write it here. Besides these, a
    species keeps its mature height off power lines and buildings.
    """

    power_line: Metres = 20.0
    building: Metres = 30.0
    track: Metres = 3.0
    fence: Metres = 2.0
    bush: Metres = 2.0
    buried_pipe: Metres = 5.0
    waterway: Metres = 3.0
    dam: Metres = 10.0
    dam_wall: Metres = 20.0
    """Roots and burrows weaken an earth wall. Local rules often ask for more."""
    septic_field: Metres = 10.0
    buried_cable: Metres = 5.0
    heritage: Metres = 20.0
    native_grassland: Metres = 10.0
    """Grassland that must stay grassland, without shade or seed from trees."""
    slip: Metres = 10.0
    """Unstable ground: plant only with advice from someone who knows such ground."""
    other: Metres = 5.0
    boundary: Metres = 2.0


class Zones(Table):
    """``[zones]``: how finely the ground is divided."""

    kinds: Annotated[int, Field(ge=1, le=26)] = 8
    """The most kinds of ground; each becomes a zone with a letter."""
    smallest_m2: Annotated[float, Field(ge=25, le=1_000_000)] = 1500.0
    """A smaller patch is joined to the ground around it."""
    smallest_width_m: Annotated[float, Field(ge=0, le=500)] = 10.0
    """Ground narrower than this everywhere is joined to the ground beside it."""
    smooth_m: Annotated[float, Field(ge=1, le=50)] = 10.0
    """Width below which a bend in a zone's edge is straightened."""


Ground = Literal["frosty", "wet", "steep", "rocky", "dry", "shady", "any"]
PatternName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]


class SpacingRule(Table):
    """``[[planting.rules]]``: spacing and pattern where the ground is of a kind.

    All rules that match a zone are weighed: trees a hectare are their mean, the pattern is that of
    the heaviest, or of equal ones that with the most trees. A rule for any ground counts where no
    other matches.
    """

    ground: Ground
    spacing_m: Annotated[float, Field(ge=0.3, le=50)]
    pattern: PatternName = "square"
    row_spacing_m: Annotated[float, Field(ge=0.3, le=100)] | None = None
    """Distance between rows of the rectangular pattern; one and a half spacings without it."""
    bearing_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    """Direction of the rows, clockwise from grid north; across the slope without it."""
    weight: Annotated[float, Field(gt=0, le=1000)] = 1.0
    """How much this rule counts beside others that match the same ground."""


class Planting(Table):
    """``[planting]``: how the grids are set out; all rules that fit a zone are weighed."""

    purpose: Literal["habitat", "timber", "shelter", "food", "erosion"] | None = None
    """What the trees are planted for. Where no spacing_m is given, the spacing of each zone follows
    from it and from the crowns of the species that suit there."""
    spacing_m: Annotated[float, Field(ge=0.3, le=50)] = 4.0
    """Distance between trees, on ground that no rule is for."""
    pattern: PatternName = "square"
    row_spacing_m: Annotated[float, Field(ge=0.3, le=100)] | None = None
    """Distance between rows of the rectangular pattern; one and a half spacings without it."""
    bearing_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    """Direction of the rows, clockwise from grid north; across the slope without it."""
    spacing_along: Literal["map", "ground"] = "map"
    """"ground": spacing is measured along the slope, so that there are more trees on a map
    hectare."""
    erodible_deg: Annotated[float, Field(ge=0, le=90)] = 6.0
    """On a steeper mean slope, or where bare strips would erode (layer bare_strips_erode) on a
    quarter of a block, rows are kept 45° off straight downhill (common practice)."""
    lane_every: Annotated[int, Field(ge=0, le=1000)] = 0
    """Leave out every n-th row as a lane for machines; 0: no lanes."""
    rules: tuple[SpacingRule, ...] = ()
    steepest_deg: Annotated[float, Field(ge=5, le=90)] = 38.0
    """Steeper ground is not planted: it is not safe on foot with a load (from memory,
    judgement)."""
    steep: Literal["leave", "seed from above", "steep crew"] = "leave"
    """What becomes of blocks that are graded not on foot (see [work] experienced_deg): no trees,
    direct seeding from above, or trees that the crew named by steep_crew plants."""
    steep_crew: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    """Name of the crew that is equipped and trained for steep ground."""
    smallest_block_m2: Annotated[float, Field(ge=0, le=100_000)] = 200.0
    """A smaller left-over piece is not planted."""

    @property
    def by_purpose(self) -> bool:
        """Whether the spacing follows from the purpose, none being given."""
        return self.purpose is not None and "spacing_m" not in self.model_fields_set

    @pydantic.model_validator(mode="after")
    def _crew_is_named(self) -> Planting:
        if (self.steep == "steep crew") != (self.steep_crew is not None):
            raise ValueError(
                'steep = "steep crew" and steep_crew = "the crew\'s name" go together: write both '
                "or neither"
            )
        return self


Role = Literal["pioneer", "long-term timber", "habitat", "food", "mulch", "shelter", "riparian"]
Points = Annotated[int, Field(ge=0, le=100)]
Weight = Annotated[float, Field(ge=0, le=1e6)]


class Mix(Table):
    """``[mix]``: what the mix of species in each zone must hold to.

    Species are named by their botanical names. A rule that cannot be held gives way as little
    as can be, and the plan says by how many trees and why; no place stays empty for it. ``never``,
    stock and budget never give way.

    ``largest_share`` and the shares of roles hold in each block of a zone too, as far as its ground
    and the zone's numbers let them; the plan names the blocks in which they do not.

    Blocks that stay as they are (see [blocks]) keep their trees. What of these is still to be
    planted is taken from stock and budget first; trees in the ground (status planted) take nothing
    of either. Shares and the target are of all trees of a zone, those that stay too, in the ground
    or not: new places make up for them.
    """

    least_species: Annotated[int, Field(ge=1, le=30)] = 5
    largest_share: Share = 0.35
    smallest_share: Share = 0.03
    """A species planted in a zone is at least this share of its trees."""
    smallest_clump: Annotated[int, Field(ge=1, le=10_000)] = 1
    """A species planted in a zone has at least this many trees there."""
    pioneer_share: Share = 0.4
    roles: dict[Role, Share] = {}
    """Smallest share of the trees by other roles, such as {habitat = 0.2}."""
    lowest_suitability: Points = 40
    """A species is planted only where its suitability is at least this (0-100)."""
    role_suitability: dict[Role, Points] = {}
    """The same by role: {"long-term timber" = 60} keeps timber on ground that suits it."""
    aim: dict[str, Weight] = {}
    """The target community: a weight for each species (percentages are fine); other species are not
    in the target. Without it the target follows from how well, and on how much of a zone, each
    species suits."""
    aim_first: Share = 1.0
    """1: the target comes first and survival decides the rest; 0: survival alone decides."""
    must: tuple[str, ...] = ()
    """Species that must be planted in every zone that suits them."""
    never: tuple[str, ...] = ()
    """Species that are not planted."""
    clump: tuple[str, ...] = ()
    """Species to plant in clumps; all others are spread out."""
    clump_m: Annotated[float, Field(ge=2, le=500)] = 15.0
    """The approximate width of a clump."""
    stock_only: bool = False
    """Plant no more of a species than the nursery's stock file lists; a species not listed has
    none."""
    from_counts: bool = False
    """Plant what there is: the stock, and what to expect of the batches counted under [nursery].
    A batch not counted has nothing; count what is still in the nursery. Without any stock or
    counts this changes nothing."""
    budget: Annotated[float, Field(ge=0)] | None = None
    """The most that the trees still to be planted may cost, in your currency, those of printed and
    pegged blocks too. Trees in the ground have been paid for."""
    tree_cost: Annotated[float, Field(ge=0)] = 6.0
    """The cost of a tree in the ground: plant, guard, labour (from memory: use your own)."""
    tree_costs: dict[str, Annotated[float, Field(ge=0)]] = {}
    """The same for single species."""

    def roles_asked(self) -> dict[str, float]:
        """Least share of each role that is asked for."""
        asked = {"pioneer": self.pioneer_share, **self.roles}
        return {role: share for role, share in asked.items() if share > 0}


class Blocks(Table):
    """``[blocks]``: what has become of the blocks, so that nothing printed or planted moves."""

    file: str | None = None
    """GeoPackage with each block's name, outline, rows of trees and status; blocks.gpkg beside the
    site file is found by itself. ``siteplanner blocks`` writes it, and you may edit it."""
    only: tuple[str, ...] = ()
    """Lay out these blocks alone; all others stay as in ``plan``. The command line sets both."""
    plan: str | None = None
    """Folder of the plan that the other blocks stay as in."""


class Decisions(Table):
    """``[decisions]``: what you decided yourself; read from the site folder, never written."""

    zones: str | None = None
    """Polygons to keep as drawn, such as the zones of a plan moved in a GIS. Columns: zone (its
    letters), title, use (plant, planted, set aside, regenerate, leave; plant when empty), barred
    and wanted (botanical names separated by ;), community."""
    layer: str | None = None
    communities: dict[str, dict[str, Weight]] = {}
    """Target plant communities by name: a weight for each species. Zones name the one they use."""
    local: str | None = None
    """CSV with a column species: the botanical names that belong here."""
    bar_not_local: bool = False
    bar_weedy: bool = True
    """Leave out species whose cautions call them weedy, unless they are on the list of local ones
    or native (see [species])."""
    bar_diseased: bool = True
    """Leave out species whose ``disease`` in the species table begins with ``rules out``."""
