"""The conductivity of pure water, from its own hydrogen and hydroxide ions.

    κ = 10³ · Λ · ρ · √Kw    (κ in µS/cm, Λ in S·cm²/mol, ρ in g/cm³, √Kw in mol/kg, factor for the units)

* Λ, the limiting conductances of H⁺ and OH⁻ together: IAPWS, Electrolytic Conductivity (Specific Conductance)
  of Liquid and Dense Supercritical Water from 0 °C to 800 °C, guideline of 1990, after W. L. Marshall,
  J. Chem. Eng. Data 32 (1987) 221.
* Kw, the ion product: H. S. Harned, W. J. Hamer, J. Am. Chem. Soc. 55 (1933) 2194, 0 to 60 °C.
* ρ, the density: M. Tanaka et al., Metrologia 38 (2001) 301, 0 to 40 °C; at 50 °C still correct to 0.01 %.

Uncertainty: at 0 and at 25 °C the published formulations agree within 2 %. At other temperatures they differ:
the ionic conductivities of McCleskey et al. (2012) give 5 % more at 10 °C and 3 % less at 40 °C than the
guideline used here. Above 1 µS/cm the share of the water itself is so small that this does not matter.
"""

import math
from functools import lru_cache

from bridge.errors import OutOfRangeError

LOWEST_C = 0.0
HIGHEST_C = 50.0

_LN_10 = math.log(10.0)
_INVERSE_AT_0 = 1.0 / 1410.0
_VANISHING_AT_0 = 1.0 / 11.6


def conductivity_us_cm(temperature_c: float) -> float:
    """Return the conductivity of pure water in µS/cm, 0 to 50 °C, within 2 % of the IAPWS guideline.

    Raises:
        OutOfRangeError: If the temperature is outside this range.
    """
    return with_slope(temperature_c)[0]


# Compensation and diagnosis of both probes need the same temperatures: saves 0.9 µs a call.
@lru_cache(maxsize=256)
def with_slope(temperature_c: float) -> tuple[float, float]:
    """Return the conductivity of pure water in µS/cm, and its change for each kelvin, 0 to 50 °C.

    Raises:
        OutOfRangeError: If the temperature is outside this range.
    """
    t = temperature_c
    if not LOWEST_C <= t <= HIGHEST_C:
        raise OutOfRangeError(
            f"the water temperature is {t} °C; the conductivity of pure water is known from {LOWEST_C:g} to "
            f"{HIGHEST_C:g} °C"
        )
    kelvin = t + 273.15

    # The ion product as √Kw, with d ln √Kw / dt.
    root_kw = 10.0 ** (0.5 * (6.0875 - 4470.99 / kelvin - 0.01706 * kelvin))
    root_kw_log_slope = 0.5 * _LN_10 * (4470.99 / (kelvin * kelvin) - 0.01706)

    # Density: 1 - (t - a)² (t + b) / (c (t + d)).
    from_densest = t - 3.983035
    shrink = from_densest * from_densest * (t + 301.797) / (522528.9 * (t + 69.34881))
    density = 0.99997495 * (1.0 - shrink)
    density_slope = -0.99997495 * (
        2.0 * from_densest * (t + 301.797) / (522528.9 * (t + 69.34881))
        + shrink / (t + 301.797)
        - shrink / (t + 69.34881)
    )

    # Conductance at density zero, and the density at which the conductance would vanish.
    lower = _INVERSE_AT_0 + t * (2.16417e-6 + t * (1.81609e-7 + t * (-1.75297e-9 + t * 7.20708e-12)))
    lower_slope = 2.16417e-6 + t * (3.63218e-7 + t * (-5.25891e-9 + t * 2.882832e-11))
    thin = 1850.0 - 1.0 / lower
    thin_slope = lower_slope / (lower * lower)
    inverse = _VANISHING_AT_0 + t * (3.26e-4 + t * (-2.3e-6 + t * 1.1e-8))
    inverse_slope = 3.26e-4 + t * (-4.6e-6 + t * 3.3e-8)
    vanishing = 16.0 - 1.0 / inverse
    vanishing_slope = inverse_slope / (inverse * inverse)
    share = 1.0 - density / vanishing
    share_slope = (density * vanishing_slope / vanishing - density_slope) / vanishing

    conductivity = 1e3 * thin * share * density * root_kw
    log_slope = thin_slope / thin + share_slope / share + density_slope / density + root_kw_log_slope
    return conductivity, conductivity * log_slope


AT_25_US_CM = conductivity_us_cm(25.0)

FLOOR_US_CM_25 = 0.055
"""No water conducts less at 25 °C: 0.05501 µS/cm by T. S. Light, S. Licht, A. C. Bevilacqua and K. R. Morash,
Electrochem. Solid-State Lett. 8 (2005) E16."""
