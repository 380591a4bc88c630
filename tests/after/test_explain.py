"""What is said of one species over the whole property, against the scores themselves."""

import numpy as np
import pytest
from conftest import SITE

from siteplanner.after.explain import explain_at, explain_species, why
from siteplanner.base.errors import InputError
from siteplanner.base.layer_info import LayerInfo
from siteplanner.reading.climate.station import read_climate
from siteplanner.season.frost_odds import station_minima
from siteplanner.site.site_file import load_site
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.of_site import assessed
from siteplanner.suitability.score import class_of


@pytest.mark.long
def test_where_a_species_fits_adds_up_to_its_scores():
    site = load_site(SITE)
    told = explain_species(site, "Blackwood")
    assert told.species == "Acacia melanoxylon (blackwood)"
    made = {}
    inputs, _, suitability = assessed(
        site, each=lambda info, values, grid: made.update({info.name: values})
    )
    number = list(inputs.species.facts["botanical_name"]).index("Acacia melanoxylon")
    score = suitability.score[number]
    words = [class_of(int(s))[1] for s in range(101)]
    found = np.array(words)[score]
    shares = [
        100 * (found == w).mean() for w in ("suits well", "suits", "marginal", "do not plant")
    ]
    assert [float(text) for text in told.rows[0][2:6]] == pytest.approx(shares, abs=0.5)
    hectares = (suitability.limiting[number] < 255).sum() * inputs.grid.cell_area / 1e4

    def in_hectares(text):
        """The column's areas are in hectares, small ones have their own unit."""
        number, _, unit = text.partition(" ")
        return float(number) / (1e4 if unit == "m²" else 1)

    assert sum(in_hectares(row[1]) for row in told.limits) == pytest.approx(hectares, abs=0.5)
    places = [row[0] for row in told.rows]
    assert places == ["whole property", *inputs.paddocks["name"]]
    # The layers on trust: unknown soil lowers it, and the limit named is that of most species.
    sure = made["factors_known"][suitability.mask]
    assert (sure == suitability.confidence.min(axis=0)).all() and sure.min() < 100 == sure.max()
    cell = int(np.flatnonzero(suitability.mask)[1000])
    of_cell = suitability.limiting[:, 1000]
    count = np.bincount(of_cell[of_cell < 255], minlength=len(suitability.factors))
    assert made["limited_by"].ravel()[cell] == count.argmax()


def test_a_species_that_is_not_in_the_table_is_asked_back():
    with pytest.raises(InputError, match="did you mean 'Acacia melanoxylon'"):
        explain_species(load_site(SITE), "Acacia melanoxylum")


@pytest.mark.parametrize(
    ("layer", "unit", "value", "words"),
    [
        ("winter_minimum", "°C", -6.1, "it: too cold by 2.1 °C, here -6.1 °C, needs -4 °C or "
                                       "more; dies below -7 °C"),
        ("soil_depth", "m", -5.5, "it: short by 1.5 m, here -5.5 m, needs -4 m or more; dies "
                                  "below -7 m"),
        ("soil_ph", "pH in water", 8.0, "it: over by 1.0, here 8.0, needs 7 or less"),
        ("soil_ph", "pH in water", 5.0, ""),
    ],
)  # fmt: skip
def test_what_limits_is_said_with_by_how_much(layer, unit, value, words):
    info = LayerInfo("It", unit, "m", "s", (0, 1), name=layer)
    factor = Factor(layer, np.array([[-7.0, -4.0, 7.0, np.inf]]), None)
    assert why(factor, info, 0, value) == words


def test_cold_is_told_for_an_average_winter_and_for_one_of_five():
    info = LayerInfo("It", "°C", "m", "s", (0, 1), name="winter_minimum")
    factor = Factor("winter_minimum", np.array([[-7.0, -4.0, 7.0, np.inf]]), None)
    said = why(factor, info, 0, -4.6, 1.5)
    assert said == (
        "it: too cold by 0.6 °C in an average winter and by 2.1 °C in 1 winter of 5, here -4.6 "
        "°C, needs -4 °C or more; dies below -7 °C"
    )
    # The sample's station: one winter in five lies that much under the mean one.
    climate = read_climate(load_site(SITE))
    station = station_minima(climate)
    colder = station.mean - station.once_in(5)
    under = np.quantile(climate.winter_minima - climate.winter_minima.mean(), 0.2)
    assert colder == pytest.approx(-under, abs=0.35)


@pytest.mark.long
def test_parts_of_the_coldest_night_add_up():
    """What a spot's coldest night is made of sums to the layer's figure there."""
    site = load_site(SITE)
    told = explain_at(site, "620000,5350000")
    parts = told.coldest_night
    celsius = [float(words.replace("±", "").removesuffix("°C")) for _, words in parts]
    assert sum(celsius[:-2]) == pytest.approx(celsius[-2], abs=0.3)  # six roundings
    ground = dict((title, value) for title, value, _ in told.ground)
    assert celsius[-2] == pytest.approx(
        float(ground["Coldest night of an average winter"]), abs=0.06
    )
    mean = read_climate(site).winter_minima.mean()
    assert parts[0] == ("Station, mean of its winter minima", f"{mean:.1f} °C")
    assert "m above the station" in parts[2][0] or "m below the station" in parts[2][0]
    assert "10 places read, the nearest" in parts[5][0]
