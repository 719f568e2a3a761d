"""A standard solution that is known only by the value on its label, in µS/cm at 25 °C.

Bottled standards are solutions of potassium chloride, and weak ones change with temperature nearly as the
0.01 mol/kg solution does (common practice, no source); that shape is scaled to the label's value, and some
doubt is added for it.
"""

from bridge.errors import InputError, OutOfRangeError
from bridge.water.standards import KCL_001, STANDARDS, Standard, find

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
