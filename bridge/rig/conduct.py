"""How well the rig's water conducts: a salt part and a water part, at its own temperature.

The salt part follows temperature by Walden's rule, conductivity times a power of the viscosity being
constant, so that the rig does not simply run the bridge's own compensation backwards. The exponent is
fitted to hard natural waters. Viscosity of water: Kestin, Sokolov and Wakeham, J. Phys. Chem. Ref. Data 7
(1978) 941 (coefficients from memory; the tests compare them with IAPWS).
"""

from functools import lru_cache

from bridge.water import pure_water

_WALDEN_EXPONENT = 0.93
_VISCOSITY_25_REL_20 = 10.0 ** ((20.0 - 25.0) / (25.0 + 96.0) * (1.2364 + 1.37e-3 * 5.0 + 5.7e-6 * 25.0))


def viscosity_ratio(temperature_c: float) -> float:
    """Viscosity of water divided by that at 25 °C, 0 to 60 °C."""
    below_20 = 20.0 - temperature_c
    exponent = (
        below_20 / (temperature_c + 96.0) * (1.2364 - 1.37e-3 * below_20 + 5.7e-6 * below_20 * below_20)
    )
    return float(10.0**exponent) / _VISCOSITY_25_REL_20


# Temperatures are rounded to hundredths before they come here: a year of readings has few different ones.
@lru_cache(maxsize=8192)
def _factors(hundredths_c: int) -> tuple[float, float]:
    temperature_c = hundredths_c / 100.0
    return viscosity_ratio(temperature_c) ** -_WALDEN_EXPONENT, pure_water.conductivity_us_cm(temperature_c)


def conductivity_us_cm(ppm: float, factor: float, temperature_c: float) -> float:
    """µS/cm of water with ``ppm`` dissolved solids on the scale ``factor`` (ppm for each µS/cm at 25 °C)."""
    salt_ratio, water_us_cm = _factors(round(temperature_c * 100.0))
    return ppm / factor * salt_ratio + water_us_cm
