"""The reference evapotranspiration of a day: how much water the air takes from a short, well watered lawn.

Trays and plants follow it, so it serves as the weather of a garden's use. The equations are those of Allen,
Pereira, Raes and Smith, *Crop evapotranspiration*, FAO Irrigation and Drainage Paper 56, Rome 1998; the
numbers of its equations stand beside them. Penman-Monteith (6) needs radiation, humidity and wind.
Hargreaves (52) needs the two temperatures of the day.

Radiation is in MJ/m² a day, vapour pressure in kPa, wind in m/s at 2 m above the ground.
"""

import math
from dataclasses import dataclass

from bridge.errors import OutOfRangeError

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
STEFAN_BOLTZMANN_MJ_K4_M2_D = 4.903e-9
ALBEDO = 0.23
"""Of the reference lawn."""
MM_PER_MJ_M2 = 0.408
"""Depth of water that one MJ/m² evaporates: one over the latent heat, 2.45 MJ/kg."""

OPEN_WATER = 1.05
"""Evaporation of open water less than 2 m deep, as a share of the reference (table 12, from memory)."""
OPEN_WATER_AT_20_C_MM = 3.0
"""The reference of a day at 20 °C where only the temperature is known."""


@dataclass(frozen=True, slots=True)
class Site:
    """A place on the earth.

    Raises:
        OutOfRangeError: If the latitude or the elevation is outside its range.
    """

    latitude_deg: float
    """Negative on the southern hemisphere."""
    elevation_m: float = 0.0

    def __post_init__(self) -> None:
        if not -90.0 <= self.latitude_deg <= 90.0:
            raise OutOfRangeError(
                f"Site: the latitude is {self.latitude_deg:g} degrees; it must be from -90 to 90."
            )
        if not -500.0 <= self.elevation_m <= 9000.0:
            raise OutOfRangeError(
                f"Site: the elevation is {self.elevation_m:g} m; it must be from -500 to 9000 m."
            )


@dataclass(frozen=True, slots=True)
class DayOfWeather:
    """The weather of one day.

    Raises:
        OutOfRangeError: If the day is not one of a year, or the lowest temperature is above the highest.
    """

    day_of_year: int
    highest_c: float
    lowest_c: float
    vapour_kpa: float | None = None
    """Actual vapour pressure. None: the dew point is taken to be the lowest temperature (48)."""
    wind_m_s: float = 2.0
    """The default is the mean that the paper gives for a place without wind data."""
    solar_mj_m2: float | None = None
    """Solar radiation at the ground. None: estimated from the temperatures (50)."""
    soil_heat_mj_m2: float = 0.0
    """Heat flux into the soil: about zero over one day (42)."""

    def __post_init__(self) -> None:
        if not 1 <= self.day_of_year <= 366:
            raise OutOfRangeError(f"Weather: the day of the year is {self.day_of_year}; give 1 to 366.")
        if not -60.0 <= self.lowest_c <= self.highest_c <= 60.0:
            raise OutOfRangeError(
                f"Weather: the temperatures are {self.lowest_c:g} to {self.highest_c:g} °C; give the lowest "
                "and the highest of the day, from -60 to 60 °C."
            )
        if not 0.0 <= self.wind_m_s < math.inf:
            raise OutOfRangeError(f"Weather: the wind is {self.wind_m_s:g} m/s; it must be zero or more.")


def saturation_kpa(celsius: float) -> float:
    """Return the saturation vapour pressure (11)."""
    return 0.6108 * math.exp(17.27 * celsius / (celsius + 237.3))


def mean_saturation_kpa(highest_c: float, lowest_c: float) -> float:
    """Return the mean saturation vapour pressure of a day (12)."""
    return 0.5 * (saturation_kpa(highest_c) + saturation_kpa(lowest_c))


def slope_kpa_c(celsius: float) -> float:
    """Return the slope of the saturation vapour pressure curve (13)."""
    return 4098.0 * saturation_kpa(celsius) / (celsius + 237.3) ** 2


def pressure_kpa(elevation_m: float) -> float:
    """Return the air pressure at an elevation (7)."""
    return 101.3 * float(((293.0 - 0.0065 * elevation_m) / 293.0) ** 5.26)


def psychrometric_kpa_c(elevation_m: float) -> float:
    """Return the psychrometric constant (8)."""
    return 0.000665 * pressure_kpa(elevation_m)


def extraterrestrial_mj_m2(latitude_deg: float, day_of_year: int) -> float:
    """Return the radiation above the atmosphere in a day (21)."""
    latitude = math.radians(latitude_deg)
    year = 2.0 * math.pi * day_of_year / 365.0
    distance = 1.0 + 0.033 * math.cos(year)
    declination = 0.409 * math.sin(year - 1.39)
    sunset = _sunset(latitude, declination)
    day = sunset * math.sin(latitude) * math.sin(declination)
    day += math.cos(latitude) * math.cos(declination) * math.sin(sunset)
    return 24.0 * 60.0 / math.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance * day


def daylight_hours(latitude_deg: float, day_of_year: int) -> float:
    """Return the hours from sunrise to sunset (34)."""
    declination = 0.409 * math.sin(2.0 * math.pi * day_of_year / 365.0 - 1.39)
    return 24.0 / math.pi * _sunset(math.radians(latitude_deg), declination)


def _sunset(latitude: float, declination: float) -> float:
    """Return the hour angle of sunset in radians (25); limited where the sun does not set or rise."""
    return math.acos(min(max(-math.tan(latitude) * math.tan(declination), -1.0), 1.0))


def solar_from_temperatures_mj_m2(above_mj_m2: float, highest_c: float, lowest_c: float) -> float:
    """Return the solar radiation from the range of temperature at an inland place (50)."""
    return 0.16 * math.sqrt(highest_c - lowest_c) * above_mj_m2


def net_radiation_mj_m2(site: Site, weather: DayOfWeather) -> float:
    """Return the net radiation of the reference lawn (40)."""
    above = extraterrestrial_mj_m2(site.latitude_deg, weather.day_of_year)
    clear = (0.75 + 2e-5 * site.elevation_m) * above
    solar = weather.solar_mj_m2
    if solar is None:
        solar = min(solar_from_temperatures_mj_m2(above, weather.highest_c, weather.lowest_c), clear)
    warmth = 0.5 * sum((celsius + 273.16) ** 4 for celsius in (weather.highest_c, weather.lowest_c))
    moisture = 0.34 - 0.14 * math.sqrt(_vapour_kpa(weather))
    # In a polar night no radiation is expected: the sky counts as half clouded.
    clouds = 1.35 * min(solar / clear, 1.0) - 0.35 if clear > 0.0 else 0.5
    lost = STEFAN_BOLTZMANN_MJ_K4_M2_D * warmth * moisture * clouds
    return (1.0 - ALBEDO) * solar - lost


def penman_monteith_mm(site: Site, weather: DayOfWeather) -> float:
    """Return the reference evapotranspiration of a day, mm, by the FAO Penman-Monteith equation (6)."""
    mean_c = 0.5 * (weather.highest_c + weather.lowest_c)
    slope, psychrometric = slope_kpa_c(mean_c), psychrometric_kpa_c(site.elevation_m)
    deficit = mean_saturation_kpa(weather.highest_c, weather.lowest_c) - _vapour_kpa(weather)
    energy = MM_PER_MJ_M2 * slope * (net_radiation_mj_m2(site, weather) - weather.soil_heat_mj_m2)
    wind = weather.wind_m_s
    air = psychrometric * 900.0 / (mean_c + 273.0) * wind * deficit
    return max((energy + air) / (slope + psychrometric * (1.0 + 0.34 * wind)), 0.0)


def hargreaves_mm(latitude_deg: float, day_of_year: int, highest_c: float, lowest_c: float) -> float:
    """Return the reference evapotranspiration of a day, mm, from its temperatures alone (52)."""
    above_mm = MM_PER_MJ_M2 * extraterrestrial_mj_m2(latitude_deg, day_of_year)
    mean_c = 0.5 * (highest_c + lowest_c)
    return max(0.0023 * (mean_c + 17.8) * math.sqrt(highest_c - lowest_c) * above_mm, 0.0)


def open_water_mm(celsius: float) -> float:
    """Return the evaporation of shallow open water in a day, mm, where only its temperature is known.

    The paper's usual reference in temperate humid regions is 1 to 2 mm where the mean is 10 °C, 2 to 4 mm at
    20 °C and 4 to 7 mm at 30 °C (table 2, from memory). Half as much with each 10 K less than
    :data:`OPEN_WATER_AT_20_C_MM` at 20 °C lies in all three.
    """
    return OPEN_WATER * OPEN_WATER_AT_20_C_MM * math.exp2((celsius - 20.0) / 10.0)


def _vapour_kpa(weather: DayOfWeather) -> float:
    return saturation_kpa(weather.lowest_c) if weather.vapour_kpa is None else weather.vapour_kpa
