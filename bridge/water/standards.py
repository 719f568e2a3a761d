"""Standard solutions for the calibration of a cell: their conductivity at each temperature.

The nominal value of a standard is that at 25 °C. At 15 °C a standard of 1413 µS/cm conducts a fifth less, so
a calibration uses the value at the temperature of the solution.

Bottled standards are solutions of potassium chloride, and weak ones change with temperature nearly like the
solution of 0.01 mol/kg (common practice, no source). The tables of their makers have few points. Between two
points the published curve of that solution is used, scaled so that it passes through both. Of some bottled
standards only the value on the label is known: then the curve is scaled to that value, with a larger
uncertainty. No table is used beyond its first and its last temperature.
"""

from dataclasses import dataclass

from bridge.errors import InputError, OutOfRangeError
from bridge.units import CONDUCTIVITY


@dataclass(frozen=True, slots=True)
class Standard:
    """One standard solution, as a table of conductivity in µS/cm against temperature in °C."""

    ident: str
    description: str
    temperatures_c: tuple[float, ...]
    conductivities_us_cm: tuple[float, ...]
    standard_uncertainty_percent: float
    """Standard uncertainty (k = 1) of the table and of the solution in use."""
    degree: int
    """Degree of the polynomial through the nearest entries. 0 for a coarse table, between whose entries the
    curve of potassium chloride is used."""
    water_subtracted: bool
    """True if the table omits the conductivity of the water.

    A cell measures it together with that of the salt.
    """

    @property
    def range_c(self) -> tuple[float, float]:
        """The lowest and the highest temperature of the table."""
        return self.temperatures_c[0], self.temperatures_c[-1]


_KCL_TEMPERATURES_C = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)

# CRC Handbook of Chemistry and Physics, "Standard KCl solutions for calibrating conductivity cells", after Y.
# C. Wu, W. F. Koch, K. W. Pratt, J. Res. NIST 96 (1991) 191, and K. W. Pratt et al., Pure Appl. Chem. 73
# (2001) 1783: expanded uncertainty 0.03 to 0.04 %, without the conductivity of the water. The uncertainty
# here also covers a solution that the user has prepared or bought.
KCL_001 = Standard(
    "kcl-0.01",
    "potassium chloride, 0.01 mol/kg",
    _KCL_TEMPERATURES_C,
    (
        772.92,
        890.96,
        1013.95,
        1141.45,
        1219.93,
        1273.03,
        1408.23,
        1546.63,
        1687.79,
        1831.27,
        1976.62,
        2123.43,
    ),
    0.1,
    3,
    True,
)
KCL_01 = Standard(
    "kcl-0.1",
    "potassium chloride, 0.1 mol/kg",
    _KCL_TEMPERATURES_C,
    (
        7116.85,
        8183.70,
        9291.72,
        10437.1,
        11140.6,
        11615.9,
        12824.6,
        14059.2,
        15316.0,
        16591.0,
        17880.6,
        19180.9,
    ),
    0.1,
    3,
    True,
)

# Tables of makers, which agree with each other (common practice, no source). Every point is within 0.8 % of
# the curve of potassium chloride. Some tables have the value of the 84 standard for 5 °C in a row of 0 °C,
# and 1667 for the 1413 standard at 35 °C. Both contradict the curve: it gives 46.1 and 1693.5, and the second
# one is used here. The usual tolerance of a maker is ±1 %, taken as rectangular: 0.6 %.
BOTTLED_84 = Standard(
    "84",
    "bottled standard, nominally 84 µS/cm",
    (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0),
    (53.02, 60.34, 67.61, 75.80, 84.00, 92.19, 100.92),
    0.6,
    0,
    False,
)
BOTTLED_1413 = Standard(
    "1413",
    "bottled standard, nominally 1413 µS/cm",
    (15.0, 20.0, 25.0, 30.0, 35.0),
    (1147.0, 1278.0, 1413.0, 1552.0, 1693.5),
    0.6,
    0,
    False,
)

STANDARDS = (BOTTLED_84, BOTTLED_1413, KCL_001, KCL_01)

_AIRED_WATER_US_CM = (0.58, 0.68, 0.79, 0.89, 0.95, 0.99, 1.10, 1.20, 1.30, 1.40, 1.51, 1.61)
"""Water saturated with the carbon dioxide of the air, at the temperatures of the KCl tables, from the same
source."""


def find(ident: str) -> Standard:
    """Return the standard with this id.

    Raises:
        InputError: If there is no such standard. The message lists the ids.
    """
    for standard in STANDARDS:
        if standard.ident == ident:
            return standard
    known = ", ".join(standard.ident for standard in STANDARDS)
    raise InputError(f"there is no calibration standard '{ident}'; the standards are {known}")


def aired_water_us_cm(temperature_c: float) -> float:
    """Return the conductivity of clean water in contact with air, in µS/cm, 0 to 50 °C: 1.10 at 25 °C."""
    return _interpolated(_KCL_TEMPERATURES_C, _AIRED_WATER_US_CM, temperature_c, 1, "clean water in air")[0]


def value_us_cm(standard: Standard, temperature_c: float, water_us_cm: float | None = None) -> float:
    """Return the conductivity of this standard at ``temperature_c``, in µS/cm.

    If the table omits the conductivity of the water, ``water_us_cm`` is added: the conductivity of the
    solution's water at this temperature, or None for clean water in contact with air, about 1 µS/cm.

    Raises:
        OutOfRangeError: If the temperature is outside the table, or ``water_us_cm`` outside 0 to 10 µS/cm.
    """
    return with_slope(standard, temperature_c, water_us_cm)[0]


def with_slope(
    standard: Standard, temperature_c: float, water_us_cm: float | None = None
) -> tuple[float, float]:
    """Return the value of :func:`value_us_cm`, and its change for each kelvin, in µS/cm/K."""
    what = f"the standard '{standard.ident}'"
    xs, ys = standard.temperatures_c, standard.conductivities_us_cm
    if standard.degree == 0:
        shares = tuple(y / with_slope(KCL_001, x)[0] for x, y in zip(xs, ys, strict=True))
        share, share_slope = _interpolated(xs, shares, temperature_c, 1, what)
        curve, curve_slope = with_slope(KCL_001, temperature_c)
        return share * curve, share * curve_slope + share_slope * curve
    value, slope = _interpolated(xs, ys, temperature_c, standard.degree, what)
    if standard.water_subtracted:
        if water_us_cm is None:
            water_us_cm = aired_water_us_cm(temperature_c)
        if not 0.0 <= water_us_cm <= 10.0:
            raise OutOfRangeError(
                f"water of {water_us_cm} µS/cm is not pure enough for a standard; it must lie between 0 and "
                "10 µS/cm"
            )
        value += water_us_cm
    return value, slope


def _interpolated(
    xs: tuple[float, ...], ys: tuple[float, ...], x: float, degree: int, what: str
) -> tuple[float, float]:
    """Return value and slope at ``x`` of the polynomial through the nearest entries, in Lagrange's form."""
    if not xs[0] <= x <= xs[-1]:
        raise OutOfRangeError(
            f"{what} has values from {xs[0]:g} to {xs[-1]:g} °C, not at {x} °C; bring it into that range, "
            "best near 25 °C"
        )
    above = next(i for i, entry in enumerate(xs) if entry >= x)
    first = min(max(0, above - (degree + 1) // 2), len(xs) - degree - 1)
    near = range(first, first + degree + 1)
    value = slope = 0.0
    for i in near:
        weight, weight_slope = 1.0, 0.0
        for j in near:
            if j != i:
                span = xs[i] - xs[j]
                weight_slope = (weight_slope * (x - xs[j]) + weight) / span
                weight *= (x - xs[j]) / span
        value += ys[i] * weight
        slope += ys[i] * weight_slope
    return value, slope


SMALLEST_US_CM, LARGEST_US_CM = 5.0, 20_000.0
LOWEST_C, HIGHEST_C = 15.0, 35.0
_AT_25 = KCL_001.conductivities_us_cm[KCL_001.temperatures_c.index(25.0)]


def labelled(value_us_cm: float) -> Standard:
    """Return a standard with this value at 25 °C, 5 to 20000 µS/cm, for use from 15 to 35 °C.

    Raises:
        OutOfRangeError: If the value is outside this range.
    """
    if not SMALLEST_US_CM <= value_us_cm <= LARGEST_US_CM:
        raise OutOfRangeError(
            f"a standard of {value_us_cm:g} µS/cm is not supported; the value at 25 °C must lie between "
            f"{SMALLEST_US_CM:g} and {LARGEST_US_CM:g} µS/cm"
        )
    share = value_us_cm / _AT_25
    near_c = tuple(c for c in KCL_001.temperatures_c if LOWEST_C <= c <= HIGHEST_C)
    return Standard(
        f"{value_us_cm:g}",
        f"a standard labelled {value_us_cm:g} µS/cm at 25 °C",
        near_c,
        tuple(share * with_slope(KCL_001, c, 0.0)[0] for c in near_c),
        0.8,
        3,
        False,
    )


def chosen(text: str) -> Standard:
    """Return the standard for a text: an id of :data:`STANDARDS`, or the value on a label.

    Raises:
        InputError: If the text is neither.
    """
    word = text.strip().lower()
    if word in {standard.ident for standard in STANDARDS}:
        return find(word)
    try:
        value = float(word)
    except ValueError:
        try:
            value = CONDUCTIVITY.read(word)
        except InputError:
            known = ", ".join(standard.ident for standard in STANDARDS)
            raise InputError(
                f"'{text}' is not a standard; the standards are {known}; or give the value on the label, in "
                "µS/cm at 25 °C"
            ) from None
    return labelled(value)
