"""Reference evapotranspiration against the worked examples of FAO Irrigation and Drainage Paper 56 (1998).

The inputs and results of examples 3, 5, 8, 9, 14 and 18, and the intermediate values of 17, were compared
with the published tests of two open-source packages that quote the paper. The temperatures, latitudes and
results of examples 17 and 20 that those tests do not quote are from memory.
"""

import math

import pytest

from bridge.errors import OutOfRangeError
from bridge.tank import evapotranspiration as air
from bridge.tank.evapotranspiration import DayOfWeather, Site

BANGKOK = Site(13.0 + 44.0 / 60.0, 2.0)
UCCLE = Site(50.0 + 48.0 / 60.0, 100.0)
LYON = Site(45.0 + 43.0 / 60.0, 200.0)


def vapour_kpa(highest_c: float, lowest_c: float, highest_percent: float, lowest_percent: float) -> float:
    """The vapour pressure from the highest and the lowest relative humidity of a day (equation 17)."""
    return (
        air.saturation_kpa(lowest_c) * highest_percent + air.saturation_kpa(highest_c) * lowest_percent
    ) / 200.0


def wind_at_2_m(wind_m_s: float, height_m: float) -> float:
    """The wind at 2 m from a measurement at another height (equation 47)."""
    return wind_m_s * 4.87 / math.log(67.8 * height_m - 5.42)


def solar_mj_m2(above_mj_m2: float, sunshine_h: float, daylight_h: float) -> float:
    """The solar radiation from the hours of sunshine (equation 35), with the paper's usual two constants."""
    return (0.25 + 0.50 * sunshine_h / daylight_h) * above_mj_m2


def test_the_parts_equal_the_printed_examples() -> None:
    # Examples 2, 3, 5, 8, 9 and 14.
    assert air.pressure_kpa(1800.0) == pytest.approx(81.8, abs=0.05)
    assert air.psychrometric_kpa_c(1800.0) == pytest.approx(0.054, abs=0.0005)
    assert air.mean_saturation_kpa(24.5, 15.0) == pytest.approx(2.39, abs=0.005)
    assert vapour_kpa(25.0, 18.0, 82.0, 54.0) == pytest.approx(1.70, abs=0.005)
    assert air.extraterrestrial_mj_m2(-20.0, 246) == pytest.approx(32.2, abs=0.05)
    assert air.daylight_hours(-20.0, 246) == pytest.approx(11.7, abs=0.05)
    assert wind_at_2_m(3.2, 10.0) == pytest.approx(2.4, abs=0.05)


def test_example_17_a_month_at_bangkok() -> None:
    """April, of which 15 April is the middle, as the paper's tables take it."""
    day = 105
    above = air.extraterrestrial_mj_m2(BANGKOK.latitude_deg, day)
    daylight_h = air.daylight_hours(BANGKOK.latitude_deg, day)
    assert above == pytest.approx(38.06, abs=0.01)
    assert daylight_h == pytest.approx(12.31, abs=0.005)
    solar = solar_mj_m2(above, 8.5, daylight_h)
    assert solar == pytest.approx(22.65, abs=0.01)
    april = DayOfWeather(day, 34.8, 25.6, 2.85, 2.0, solar, 0.14 * (30.2 - 29.2))
    assert air.net_radiation_mj_m2(BANGKOK, april) == pytest.approx(14.33, abs=0.01)
    assert air.penman_monteith_mm(BANGKOK, april) == pytest.approx(5.72, abs=0.005)


def test_example_18_a_day_at_uccle() -> None:
    """6 July."""
    day = 187
    above = air.extraterrestrial_mj_m2(UCCLE.latitude_deg, day)
    assert above == pytest.approx(41.09, abs=0.01)
    solar = solar_mj_m2(above, 9.25, air.daylight_hours(UCCLE.latitude_deg, day))
    assert solar == pytest.approx(22.07, abs=0.01)
    vapour = vapour_kpa(21.5, 12.3, 84.0, 63.0)
    assert vapour == pytest.approx(1.409, abs=0.0005)
    wind = wind_at_2_m(10.0 / 3.6, 10.0)
    assert wind == pytest.approx(2.078, abs=0.0005)
    july = DayOfWeather(day, 21.5, 12.3, vapour, wind, solar)
    assert air.net_radiation_mj_m2(UCCLE, july) == pytest.approx(13.28, abs=0.01)
    assert air.penman_monteith_mm(UCCLE, july) == pytest.approx(3.88, abs=0.005)


def test_example_20_a_month_at_lyon_from_temperatures_alone() -> None:
    """July: radiation and humidity from the temperatures, the default wind; and Hargreaves beside it."""
    july = DayOfWeather(196, 26.6, 14.8)
    above = air.extraterrestrial_mj_m2(LYON.latitude_deg, 196)
    assert above == pytest.approx(40.6, abs=0.05)
    assert air.saturation_kpa(14.8) == pytest.approx(1.68, abs=0.005)
    assert air.solar_from_temperatures_mj_m2(above, 26.6, 14.8) == pytest.approx(22.3, abs=0.05)
    assert air.penman_monteith_mm(LYON, july) == pytest.approx(4.56, abs=0.03)
    assert air.hargreaves_mm(LYON.latitude_deg, 196, 26.6, 14.8) == pytest.approx(5.0, abs=0.05)


def test_open_water_lies_in_the_ranges_of_table_2_where_only_the_temperature_is_known() -> None:
    # Temperate humid and sub-humid regions (table 2), open water less than 2 m deep (table 12), from memory.
    for celsius, low_mm, high_mm in ((10.0, 1.0, 2.0), (20.0, 2.0, 4.0), (30.0, 4.0, 7.0)):
        assert low_mm <= air.open_water_mm(celsius) / 1.05 <= high_mm


def test_a_polar_night_takes_no_water() -> None:
    assert air.extraterrestrial_mj_m2(80.0, 355) == pytest.approx(0.0, abs=1e-9)
    assert air.hargreaves_mm(80.0, 355, -20.0, -25.0) == 0.0
    assert air.penman_monteith_mm(Site(80.0), DayOfWeather(355, -20.0, -25.0)) < 0.5


def test_in_a_polar_night_the_lawn_loses_as_much_as_under_a_half_clouded_sky() -> None:
    night = DayOfWeather(355, -20.0, -20.0)
    # Equation 39 with a clear sky: Stefan-Boltzmann's law, and the moisture of the air.
    clear_mj_m2 = 4.903e-9 * 253.16**4 * (0.34 - 0.14 * air.saturation_kpa(-20.0) ** 0.5)
    assert 0.3 * clear_mj_m2 < -air.net_radiation_mj_m2(Site(80.0), night) < 0.7 * clear_mj_m2


def test_under_a_clear_sky_of_a_very_short_day_the_lawn_loses_all_that_a_clear_sky_takes() -> None:
    latitude_deg, day = 66.5, 355
    clear_mj_m2 = 0.75 * air.extraterrestrial_mj_m2(latitude_deg, day)
    assert 0.0 < clear_mj_m2 < 1.0
    # Equations 38 and 39: the lawn keeps 77 % of the sun. No sky is clearer than a clear one.
    lost_mj_m2 = 4.903e-9 * 253.16**4 * (0.34 - 0.14 * air.saturation_kpa(-20.0) ** 0.5)
    for solar_mj_m2 in (clear_mj_m2, 1.2 * clear_mj_m2):
        weather = DayOfWeather(day, -20.0, -20.0, solar_mj_m2=solar_mj_m2)
        found = air.net_radiation_mj_m2(Site(latitude_deg), weather)
        assert found == pytest.approx(0.77 * solar_mj_m2 - lost_mj_m2)


def test_impossible_weather_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="the lowest"):
        DayOfWeather(1, 5.0, 6.0)
    with pytest.raises(OutOfRangeError, match="day of the year"):
        DayOfWeather(0, 5.0, 4.0)
    with pytest.raises(OutOfRangeError, match="wind"):
        DayOfWeather(1, 5.0, 4.0, wind_m_s=-1.0)
    with pytest.raises(OutOfRangeError, match="latitude"):
        Site(91.0)


def test_the_bounds_of_weather_and_site_are_allowed() -> None:
    for latitude_deg in (-90.0, 90.0):
        assert Site(latitude_deg).latitude_deg == latitude_deg
        with pytest.raises(OutOfRangeError, match="latitude"):
            Site(1.001 * latitude_deg)
    for elevation_m in (-500.0, 9000.0):
        assert Site(0.0, elevation_m).elevation_m == elevation_m
        with pytest.raises(OutOfRangeError, match="elevation"):
            Site(0.0, elevation_m + math.copysign(0.5, elevation_m))
    assert DayOfWeather(366, 60.0, -60.0, wind_m_s=0.0).day_of_year == 366
    assert DayOfWeather(1, 5.0, 5.0).lowest_c == 5.0
    for highest_c, lowest_c in ((60.1, 0.0), (0.0, -60.1)):
        with pytest.raises(OutOfRangeError, match="from -60 to 60"):
            DayOfWeather(1, highest_c, lowest_c)
    with pytest.raises(OutOfRangeError, match="day of the year"):
        DayOfWeather(367, 5.0, 4.0)


def test_the_sun_above_the_atmosphere_has_no_season_at_the_equator_and_the_opposite_one_in_the_south() -> (
    None
):
    """The distance of the sun changes by 3.3 % in a year, so the two halves of the earth differ by 7 %."""
    equator = [air.extraterrestrial_mj_m2(0.0, day) for day in range(1, 366, 30)]
    assert max(equator) / min(equator) < 1.15
    assert air.extraterrestrial_mj_m2(50.0, 172) > 4.0 * air.extraterrestrial_mj_m2(50.0, 355)
    assert air.extraterrestrial_mj_m2(-50.0, 355) == pytest.approx(
        air.extraterrestrial_mj_m2(50.0, 172), rel=0.08
    )
    assert air.daylight_hours(0.0, 100) == pytest.approx(12.0, abs=1e-9)
    assert (air.daylight_hours(80.0, 172), air.daylight_hours(80.0, 355)) == (24.0, 0.0)
