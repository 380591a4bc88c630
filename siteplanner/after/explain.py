"""What one spot is like, and what each species thinks of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyproj
from numpy.typing import NDArray

from siteplanner.base.crs import crs_words
from siteplanner.base.errors import input_error, near
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.units import area_number, area_words, hectares
from siteplanner.ground.assess import Ground, Step, nothing_step
from siteplanner.planting import lay_out
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.species.table import read_species
from siteplanner.season import season
from siteplanner.season.frost_by_zone import COLD_WINTER, colder_winter
from siteplanner.season.frost_odds import odds_by_zone, odds_table, places_of
from siteplanner.site.site_file import Site
from siteplanner.suitability.classes import CLASSES
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.of_site import assessed
from siteplanner.suitability.score import Suitability, class_of, score_factor

#: Layers that are listed for a spot, beside the species' factors and those of the map.
READS = (*lay_out.READS, *season.READS)


@dataclass(frozen=True)
class Explained:
    """The answer in texts.

    ``ground`` has rows of title, value, unit; ``species``, best first, rows of name, score,
    class in words, limiting factor and by how much, unknown factors; ``frost`` rows of name and
    the odds that a winter kills it there as a seedling. ``coldest_night`` says what the
    estimate of the coldest night is made of: rows of part and °C.
    """

    place: str
    ground: list[tuple[str, str, str]]
    species: list[tuple[str, str, str, str, str]]
    frost: list[tuple[str, str]] = field(default_factory=list)
    coldest_night: list[tuple[str, str]] = field(default_factory=list)


def explain_at(site: Site, at: str, step: Step = nothing_step) -> Explained:
    """Explain the spot ``at`` ("X,Y": map metres, or longitude and latitude in degrees).

    Raises :class:`~siteplanner.InputError` when it is no spot on the property.
    """
    try:
        first, second = (float(part) for part in at.split(","))
    except ValueError:
        raise input_error(
            "--at",
            "",
            f"{at!r} is not a pair of numbers",
            "write easting,northing or longitude,latitude, such as 620100,5350200",
        ) from None
    inputs, ground, suitability = assessed(site, READS, step=step)
    grid = inputs.grid
    x, y = first, second
    if abs(first) <= 180 and abs(second) <= 90:
        from_degrees = pyproj.Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
        x, y = from_degrees.transform(first, second)
    row, col = (int(v[0]) for v in grid.rows_cols(np.array([x]), np.array([y])))
    rows, cols = grid.shape
    if not (0 <= row < rows and 0 <= col < cols) or not suitability.mask[row, col]:
        west, south, east, north = inputs.boundary.total_bounds
        raise input_error(
            "--at",
            "",
            f"{at} is not on the property",
            f"the property is between {west:.0f},{south:.0f} and {east:.0f},{north:.0f}",
        )
    listed = [
        (info.title, _value(info, float(ground.layers[name][row, col])), info.unit)
        for name, info in ground.infos.items()
        if name in ground.layers
    ]
    return Explained(
        f"At {x:.0f}, {y:.0f} ({crs_words(grid.crs)})",
        listed,
        _species(inputs, ground, suitability, row, col),
        _frost(inputs, ground, site, row, col),
        _coldest_night(inputs, ground, row, col),
    )


@dataclass(frozen=True)
class Suited:
    """Where a species fits, in texts.

    ``rows``: place, its hectares, the percentages of it that suit well, suit, are marginal, and
    are not to be planted, and what limits most of it. ``limits``: factor, hectares that it
    limits most, and the usual case there in words. ``unknown``: sentences on what nobody
    measured.
    """

    species: str
    rows: list[tuple[str, ...]]
    limits: list[tuple[str, str, str]]
    unknown: list[str]


def explain_species(site: Site, name: str, step: Step = nothing_step) -> Suited:
    """Say how much of the property suits a species, by paddock, and what limits it where.

    ``name`` is a botanical or common name, in any case. Raises
    :class:`~siteplanner.InputError` for a species that is not in the table.
    """
    facts = read_species(site.folder / site.species.file).facts
    names = {
        str(word).lower(): place
        for column in ("common_name", "botanical_name")
        for place, word in enumerate(facts[column])
    }
    if name.strip().lower() not in names:
        raise input_error(
            "--species",
            "",
            f"{name!r} is not in {site.species.file}",
            near(name, facts["botanical_name"]),
        )
    species = names[name.strip().lower()]
    inputs, ground, suitability = assessed(site, READS, step=step)
    places = {"whole property": np.ones(int(suitability.mask.sum()), dtype=bool)}
    for paddock in inputs.paddocks.itertuples():
        places[str(paddock.name)] = inputs.grid.cover([paddock.geometry])[suitability.mask]
    score, worst = suitability.score[species], suitability.limiting[species]
    rows = []
    for place, cells in places.items():
        shares = _shares(score[cells])
        most = _commonest(worst[cells])
        limit = (
            ground.infos[suitability.factors[most].layer].title.lower() if most is not None else ""
        )
        area = hectares(cells.sum() * inputs.grid.cell_area)
        rows.append((place, area_number(area, 1), *(f"{100 * s:.0f}" for s in shares), limit))
    limits = []
    for factor in np.argsort(
        -np.bincount(worst, minlength=256)[: len(suitability.factors)], kind="stable"
    ):
        cells = worst == factor
        if not cells.any():
            continue
        one = suitability.factors[factor]
        info = ground.infos[one.layer]
        values = ground.layers[one.layer][suitability.mask][cells]
        usual = float(
            np.bincount(values.astype(np.intp)).argmax() if info.classes else np.median(values)
        )
        area = hectares(cells.sum() * inputs.grid.cell_area)
        limits.append((info.title, area_number(area, 1), why(one, info, species, usual)))
    unknown = []
    for one in suitability.factors:
        missing = np.isnan(ground.layers[one.layer][suitability.mask])
        if _matters(one, species) and missing.any():
            unknown.append(
                f"{ground.infos[one.layer].title} is unknown on "
                f"{area_words(hectares(missing.sum() * inputs.grid.cell_area), 1)}, so the top "
                "class is not given there."
            )
    row = facts.iloc[species]
    return Suited(f"{row['botanical_name']} ({row['common_name']})", rows, limits, unknown)


def _shares(score: NDArray[np.uint8]) -> list[float]:
    """Shares of cells that suit well, suit, are marginal, and are not to be planted."""
    bounds = [lowest for _, lowest, _ in CLASSES[:3]]
    band = np.searchsorted(-np.array(bounds), -score.astype(np.int64), side="left")
    return list(np.bincount(band, minlength=4) / max(len(score), 1))


def _commonest(worst: NDArray[np.uint8]) -> int | None:
    """The factor that limits most cells, None when nothing limits most of them."""
    count = np.bincount(worst, minlength=256)
    return int(count.argmax()) if len(worst) and count.argmax() != 255 else None


def _frost(inputs: Inputs, ground: Ground, site: Site, row: int, col: int) -> list[tuple[str, str]]:
    """Odds of a killing frost for each species at one cell."""
    lowest, error = (
        ground.layers[name][[row], [col]] for name in ("winter_minimum", "winter_minimum_error")
    )
    years = site.frost.establishment_years
    table = odds_table(inputs.climate, error, years, ground.minimum.winter_c)
    chances = odds_by_zone(table, {"here": places_of(lowest, error)}, {}, inputs.species, years)
    return list(zip(chances["species"], chances["words"], strict=True))


def _coldest_night(inputs: Inputs, ground: Ground, row: int, col: int) -> list[tuple[str, str]]:
    """What the estimate of the coldest night is made of at one cell; empty where unknown."""
    model, grid = ground.minimum, inputs.grid
    lowest, error = (
        float(ground.layers[name][row, col]) for name in ("winter_minimum", "winter_minimum_error")
    )
    if not np.isfinite(lowest + error):
        return []
    at = [float(layer[row, col]) for layer in ground.night.layers]
    place = grid.transform * (col + 0.5, row + 0.5)
    parts = model.parts(at, place)
    height = at[0] - model.station_m
    from_where = "the station" if inputs.climate.elevation_m is not None else "the middle height"
    how_high = f"{abs(height):.0f} m {'above' if height >= 0 else 'below'} {from_where}"
    nearest = ""
    if len(model.places):
        metres = float(np.hypot(*(model.places - place).T).min())
        nearest = f" ({len(model.places)} places read, the nearest {metres:.0f} m away)"
    rows = [
        ("Station, mean of its winter minima", float(inputs.climate.winter_minima.mean())),
        ("This neighbourhood against the station", parts["station"]),
        (f"Height, {how_high}", parts["height"]),
        (
            "Cold air: its depth, and height above it",
            parts["cold_air_pooling"] + parts["height_above_cold_air"],
        ),
        (
            "Landform: slope, hollow or knoll, aspect",
            parts["slope"] + parts["multi_scale_concavity"] + parts["facing_pole"],
        ),
        (f"Readings nearby{nearest}", parts["nearby"]),
    ]
    return [
        *((words, f"{round(celsius, 1) + 0.0:+.1f} °C") for words, celsius in rows),
        ("Coldest night of an average winter", f"{lowest:+.1f} °C"),
        ("Two in three winters without readings are within", f"± {error:.1f} °C"),
    ]


def _value(info: LayerInfo, value: float) -> str:
    if not np.isfinite(value):
        return "unknown"
    if info.classes:
        return info.classes[int(value)]
    return f"{value:.2f}" if abs(value) < 10 else f"{value:.0f}"


def _species(
    inputs: Inputs, ground: Ground, suitability: Suitability, row: int, col: int
) -> list[tuple[str, str, str, str, str]]:
    cell = int(suitability.mask.ravel()[: row * suitability.mask.shape[1] + col].sum())
    scores = suitability.score[:, cell]
    names = inputs.species.facts
    colder = colder_winter(inputs.climate)
    out = []
    for species in np.argsort(-scores.astype(int), kind="stable"):
        worst = int(suitability.limiting[species, cell])
        limit = ""
        if worst < len(suitability.factors):
            factor = suitability.factors[worst]
            value = float(ground.layers[factor.layer][row, col])
            limit = why(factor, ground.infos[factor.layer], int(species), value, colder)
        unknown = [
            ground.infos[f.layer].title.lower()
            for f in suitability.factors
            if np.isnan(ground.layers[f.layer][row, col]) and _matters(f, int(species))
        ]
        fao, words = class_of(int(scores[species]))
        out.append(
            (
                f"{names['botanical_name'].iloc[species]} ({names['common_name'].iloc[species]})",
                str(int(scores[species])),
                f"{words} ({fao})",
                limit,
                ", ".join(unknown),
            )
        )
    return out


def _matters(factor: Factor, species: int) -> bool:
    if factor.points is not None:
        return bool(np.isfinite(factor.points[species]).any())
    assert factor.scores is not None
    return bool((factor.scores[species] < 100).any())


def why(
    factor: Factor, info: LayerInfo, species: int, value: float, colder_c: float = np.nan
) -> str:
    """Say in words how a factor limits a species at a value, and by how much.

    ``colder_c`` is how far a cold winter, one in five, lies under an average one.
    """
    title = info.title[0].lower() + info.title[1:]
    if float(score_factor(factor, np.array([value], dtype=np.float32))[species, 0]) >= 100:
        return ""
    if factor.points is None:
        return f"{title}: {info.classes[int(value)]}"
    dies_below, thrives_from, thrives_to, dies_above = factor.points[species]
    unit = "" if info.unit.startswith("pH") else f" {info.unit}".rstrip()
    low = value < thrives_from
    wanted, outer = (thrives_from, dies_below) if low else (thrives_to, dies_above)
    difference = f"{abs(wanted - value):.1f}{unit}"
    if factor.layer == "winter_minimum":
        by = f"too cold by {difference}" if low else f"too mild by {difference}"
        if low and np.isfinite(colder_c):
            worse = wanted - value + colder_c
            by += f" in an average winter and by {worse:.1f}{unit} in 1 winter of {COLD_WINTER}"
    else:
        by = f"short by {difference}" if low else f"over by {difference}"
    end = f"; dies {'below' if low else 'above'} {outer:g}{unit}" if np.isfinite(outer) else ""
    more = "or more" if low else "or less"
    return f"{title}: {by}, here {value:.1f}{unit}, needs {wanted:g}{unit} {more}{end}"
