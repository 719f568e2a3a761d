"""The conductivity of the rig's water agrees with published values."""

import pytest
from iapws._iapws import _Viscosity
from iapws.iapws97 import IAPWS97

from bridge.rig.scenario import WaldenRule
from bridge.rig.sensors import conductivity_us_cm, viscosity_ratio
from bridge.simulate.instruments import ACID, ALKALI, SALT
from bridge.water.conductivity import Compensation, Method, conductivity_25
from bridge.water.conductivity import pure_water_us_cm as pure_us_cm
from tests.water.ions import CHLORIDE, HYDROGEN, HYDROXIDE, SODIUM, Ion


def _iapws_viscosity(temperature_c: float) -> float:
    kelvin = temperature_c + 273.15
    return float(_Viscosity(IAPWS97(T=kelvin, P=0.101325).rho, kelvin))


@pytest.mark.parametrize("temperature_c", range(1, 46, 4))
def test_viscosity_agrees_with_iapws(temperature_c: float) -> None:
    # IAPWS R12-08, formulation for the viscosity of ordinary water substance, through the iapws library.
    expected = _iapws_viscosity(temperature_c) / _iapws_viscosity(25.0)
    assert viscosity_ratio(temperature_c) == pytest.approx(expected, rel=3e-3)


@pytest.mark.parametrize("temperature_c", range(0, 37, 4))
def test_tap_water_follows_temperature_as_natural_waters_do(temperature_c: float) -> None:
    # ISO 7888:1985, non-linear correction for natural waters, through the bridge's own method.
    measured = conductivity_us_cm(320.0, 0.5, temperature_c)
    corrected = conductivity_25(Compensation(Method.NATURAL), measured, temperature_c)
    assert corrected == pytest.approx(640.0, rel=0.02)


@pytest.mark.parametrize("temperature_c", [2.0, 15.0, 25.0, 35.0])
def test_water_without_salt_conducts_as_pure_water(temperature_c: float) -> None:
    assert conductivity_us_cm(0.0, 0.5, temperature_c) == pytest.approx(pure_us_cm(temperature_c), rel=1e-6)


@pytest.mark.parametrize(
    ("walden", "ions"),
    [(SALT, (SODIUM, CHLORIDE)), (ACID, (HYDROGEN, CHLORIDE)), (ALKALI, (SODIUM, HYDROXIDE))],
    ids=["salt", "acid", "alkali"],
)
def test_ions_follow_temperature_as_their_limiting_conductivities_do(
    walden: WaldenRule, ions: tuple[Ion, Ion]
) -> None:
    # McCleskey et al., Geochim. Cosmochim. Acta 77 (2012) 369.
    def published(celsius: float) -> float:
        return sum(ion.limiting(celsius) for ion in ions)

    for celsius in range(2, 35):
        salt_us_cm = conductivity_us_cm(1.0, 1.0, celsius, walden) - pure_us_cm(celsius)
        assert salt_us_cm == pytest.approx(published(celsius) / published(25.0), rel=2e-3)
