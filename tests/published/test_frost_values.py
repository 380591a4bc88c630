"""Frost against published figures: Gumbel, risk over years, the FAO frost book's night."""

import numpy as np
import pytest

from siteplanner.ground.cold.night_trend import fit_minimum_of_night, night_trend
from siteplanner.reading.climate.winters import mann_kendall
from siteplanner.suitability.frost_risk import (
    Gumbel,
    fit_gumbel,
    frequency_factor,
    gumbel_of,
    over_years,
)


def test_frequency_factors():
    """Computed from Gumbel's formula as it stands in hydrology texts, four decimals."""
    years = [2, 5, 10, 20, 25, 50, 100]
    want = [-0.1643, 0.7194, 1.3046, 1.8658, 2.0438, 2.5923, 3.1367]
    np.testing.assert_allclose(frequency_factor(years), want, atol=5e-5)


def test_cornell_worked_example():
    """Cornell CEE 304 (2006): mean 2.5, deviation 0.7: xi 2.185, 50-year maximum 4.315.

    A maximum of x is a minimum of -x.
    """
    fitted = gumbel_of(-2.5, 0.7)
    assert -fitted.location == pytest.approx(2.185, abs=5e-4)
    assert 1 / fitted.scale == pytest.approx(1.832, abs=5e-4)
    assert -fitted.once_in(50) == pytest.approx(4.315, abs=2e-3)


def test_ouranos_parameters():
    """Ouranos appendix A7: mu 46.1, sigma 10.9; the quantiles are computed from these."""
    fitted = Gumbel(-46.1, 10.9)
    np.testing.assert_allclose(
        -fitted.once_in([2, 10, 50, 100]), [50.09, 70.63, 88.63, 96.24], atol=6e-3
    )


def test_minima_and_risk_over_years():
    """Computed: mean annual minimum -2.0, deviation 1.5; risk 1 - (1 - 1/T)^n."""
    fitted = gumbel_of(-2.0, 1.5)
    np.testing.assert_allclose(
        fitted.once_in([2, 5, 10, 20, 50]), [-1.75, -3.08, -3.96, -4.80, -5.89], atol=6e-3
    )
    assert over_years(0.1, 5) == pytest.approx(0.4095, abs=5e-5)
    assert over_years(0.1, 10) == pytest.approx(0.6513, abs=5e-5)
    np.testing.assert_allclose(fitted.chance_below(fitted.once_in([5, 20])), [0.2, 0.05])


def test_fit_is_by_moments():
    minima = np.array([-1.0, -2.5, -4.0, -3.1, -2.2])
    fitted = fit_gumbel(minima)
    assert fitted.mean == pytest.approx(minima.mean())
    assert fitted.scale * np.pi / np.sqrt(6) == pytest.approx(minima.std(ddof=1))


# FAO (Snyder & de Melo-Abreu 2005), chapter 5: air two hours after sunset, dew point, minimum.
T0 = [3.2, 0.8, 0.2, 2.6, 4.4, 5.2, 2.7, 1.2, 4.5, 5.6]
TD = [-4.2, -8.8, -6.5, -6.2, -6.1, 2.6, -0.7, -1.7, -1.2, 0.1]
TMIN = [-3.1, -5.0, -6.3, -5.4, -4.0, -2.5, -4.8, -5.0, -4.4, -3.3]


def test_fao_minimum_from_air_and_dew_point():
    """FAO (Snyder & de Melo-Abreu 2005), chapter 5: T0 10, Td 2 give -0.7409219."""
    fitted = fit_minimum_of_night(T0, TD, TMIN)
    assert fitted.per_air == pytest.approx(0.502812, abs=1e-6)
    assert fitted.per_dew == pytest.approx(0.026472, abs=1e-6)
    assert fitted.constant == pytest.approx(-5.821987, abs=1e-6)
    assert fitted(10, 2) == pytest.approx(-0.7409219, abs=1e-6)
    left = fitted(T0, TD) - np.array(TMIN)
    assert np.sqrt(np.mean(left**2)) == pytest.approx(0.631, abs=5e-4)


def test_fao_night_trend():
    """FAO (Snyder & de Melo-Abreu 2005), chapter 5: T2 0.95, minimum -5.45, n 15."""
    got = night_trend(0.95, -5.45, 15, [3, 6, 10, 15])
    np.testing.assert_allclose(got, [-0.8250, -2.6001, -4.0706, -5.4500], atol=5e-5)


def test_gilbert_mann_kendall_example():
    """Gilbert (1987), p. 212, 22 values with ties: Z = 3.1 (as quoted in a public test of it)."""
    values = [
        20,
        20,
        20,
        20,
        15,
        20,
        20,
        30,
        27,
        26,
        23,
        35,
        25,
        28,
        70,
        26,
        24,
        34,
        32,
        23,
        50,
        30,
    ]
    assert mann_kendall(values)[1] == pytest.approx(3.1, abs=0.05)


def test_mann_kendall_of_a_steady_rise():
    """The values 1 to 100: S 4950, z 14.73870 (variance 112750), as the tests of MannKendall.jl."""
    s, z, _ = mann_kendall(range(1, 101))
    assert (s, z) == (4950, pytest.approx(14.73869998208331))
