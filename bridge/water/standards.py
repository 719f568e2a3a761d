"""Standard solutions for calibrating a cell: their conductivity at each temperature.

A standard's nominal value holds at 25 °C only. At 15 °C a 1413 µS/cm standard conducts a fifth less, so a
calibration uses the value at the temperature the solution has.

A standard solution that is known only by the value on its label, in µS/cm at 25 °C.

Bottled standards are solutions of potassium chloride, and weak ones change with temperature nearly as the
0.01 mol/kg solution does (common practice, no source); that shape is scaled to the label's value, and some
doubt is added for it.
"""

from dataclasses import dataclass

from bridge.errors import InputError, OutOfRangeError


@dataclass(frozen=True, slots=True)
class Standard:
    """One standard solution, as a table of conductivity in µS/cm against temperature in °C."""

    ident: str
    description: str
    temperatures_c: tuple[float, ...]
    conductivities_us_cm: tuple[float, ...]
    standard_uncertainty_percent: float
    """k = 1, of the tabled values and of the solution as a user has it."""
    degree: int
    """Degree of the polynomial through the nearest entries: 3 for smooth measured tables, 1 for coarse
    ones."""
    water_subtracted: bool
    """True when the table leaves out what the water itself conducts, which a cell measures along with the
    salt."""

    @property
    def range_c(self) -> tuple[float, float]:
        """The lowest and the highest temperature of the table."""
        return self.temperatures_c[0], self.temperatures_c[-1]


_KCL_TEMPERATURES_C = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)

# CRC Handbook of Chemistry and Physics, "Standard KCl solutions for calibrating conductivity cells", after Y.
# C. Wu, W. F. Koch, K. W. Pratt, J. Res. NIST 96 (1991) 191, and K. W. Pratt et al., Pure Appl. Chem. 73
# (2001) 1783: expanded uncertainty 0.03 to 0.04 %, the water's own conductivity subtracted. The uncertainty
# here leaves room for a solution that a user has weighed out or bought.
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

# Makers' tables, which agree with each other; common practice, no source. A maker's tolerance is usually ±1
# %, taken as rectangular: 0.6 %.
BOTTLED_84 = Standard(
    "84",
    "bottled standard, nominally 84 µS/cm",
    (0.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0),
    (53.02, 60.34, 67.61, 75.80, 84.00, 92.19, 100.92),
    0.6,
    1,
    False,
)
BOTTLED_1413 = Standard(
    "1413",
    "bottled standard, nominally 1413 µS/cm",
    (15.0, 20.0, 25.0, 30.0, 35.0),
    (1147.0, 1278.0, 1413.0, 1552.0, 1667.0),
    0.6,
    1,
    False,
)

STANDARDS = (BOTTLED_84, BOTTLED_1413, KCL_001, KCL_01)

_AIRED_WATER_US_CM = (0.58, 0.68, 0.79, 0.89, 0.95, 0.99, 1.10, 1.20, 1.30, 1.40, 1.51, 1.61)
"""Water saturated with the air's carbon dioxide, at the temperatures of the KCl tables; from the same
table."""


def find(ident: str) -> Standard:
    """The standard with this id. Raises :class:`InputError`, naming those there are."""
    for standard in STANDARDS:
        if standard.ident == ident:
            return standard
    known = ", ".join(standard.ident for standard in STANDARDS)
    raise InputError(f"there is no calibration standard '{ident}'; there are {known}")


def aired_water_us_cm(temperature_c: float) -> float:
    """Conductivity of clean water that stands in air, in µS/cm, 0 to 50 °C: 1.10 at 25 °C."""
    return _interpolated(_KCL_TEMPERATURES_C, _AIRED_WATER_US_CM, temperature_c, 1, "clean water in air")[0]


def value_us_cm(standard: Standard, temperature_c: float, water_us_cm: float | None = None) -> float:
    """What a cell in this standard should see at ``temperature_c``, in µS/cm.

    Where the table leaves out the water's own conductivity, ``water_us_cm`` is added: that of the water the
    solution was made with, at this temperature, or if it is not known that of clean water standing in air,
    about 1 µS/cm.

    Raises :class:`OutOfRangeError` outside the table, and for a conductivity of the water below zero or above
    10 µS/cm.
    """
    return with_slope(standard, temperature_c, water_us_cm)[0]


def with_slope(
    standard: Standard, temperature_c: float, water_us_cm: float | None = None
) -> tuple[float, float]:
    """As :func:`value_us_cm`, and the change for each kelvin, in µS/cm/K."""
    value, slope = _interpolated(
        standard.temperatures_c,
        standard.conductivities_us_cm,
        temperature_c,
        standard.degree,
        f"the standard '{standard.ident}'",
    )
    if standard.water_subtracted:
        if water_us_cm is None:
            water_us_cm = aired_water_us_cm(temperature_c)
        if not 0.0 <= water_us_cm <= 10.0:
            raise OutOfRangeError(
                f"water of {water_us_cm} µS/cm is not fit for making a standard; it must lie between 0 and "
                "10 µS/cm"
            )
        value += water_us_cm
    return value, slope


def _interpolated(
    xs: tuple[float, ...], ys: tuple[float, ...], x: float, degree: int, what: str
) -> tuple[float, float]:
    """Value and slope at ``x`` of the polynomial through the ``degree + 1`` entries around it (Lagrange's
    form)."""
    if not xs[0] <= x <= xs[-1]:
        raise OutOfRangeError(
            f"{what} is tabled from {xs[0]:g} to {xs[-1]:g} °C, not at {x} °C; bring it into that range, "
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
    """The standard with this value at 25 °C, 5 to 20000 µS/cm, for use from 15 to 35 °C.

    Raises :class:`OutOfRangeError` for a value outside that.
    """
    if not SMALLEST_US_CM <= value_us_cm <= LARGEST_US_CM:
        raise OutOfRangeError(
            f"a standard of {value_us_cm:g} µS/cm: the label's value at 25 °C must lie between "
            f"{SMALLEST_US_CM:g} and {LARGEST_US_CM:g} µS/cm"
        )
    share = value_us_cm / _AT_25
    near = [
        (c, share * us_cm)
        for c, us_cm in zip(KCL_001.temperatures_c, KCL_001.conductivities_us_cm, strict=True)
        if LOWEST_C <= c <= HIGHEST_C
    ]
    return Standard(
        f"{value_us_cm:g}",
        f"a standard labelled {value_us_cm:g} µS/cm at 25 °C",
        tuple(c for c, _ in near),
        tuple(us_cm for _, us_cm in near),
        0.8,
        1,
        False,
    )


def chosen(text: str) -> Standard:
    """The standard that a person names: an id of :data:`STANDARDS`, or the value on a label.

    Raises :class:`InputError` when it is neither.
    """
    word = text.strip().lower()
    if word in {standard.ident for standard in STANDARDS}:
        return find(word)
    try:
        value = float(word)
    except ValueError:
        known = ", ".join(standard.ident for standard in STANDARDS)
        raise InputError(
            f"'{text}' is no standard: there are {known}; or give the value on the label, in µS/cm at 25 °C"
        ) from None
    return labelled(value)
