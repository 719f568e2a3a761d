"""A figure in the displayed unit is converted to the reservoir's own scale."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.daemon.page_lines import BY_HAND, Unfit, in_ppm
from bridge.guard.commands import Retest
from bridge.mqtt.commands import Accepted, Incoming, parse
from bridge.mqtt.properties import SAMPLE_MAX_PPM
from bridge.mqtt.topics import Layout
from tests.web.conftest import IDENTITY

LAYOUT = Layout("tunnel", "The tunnel")
DEVICE = LAYOUT.device(IDENTITY.reservoir)


def obeyed_ppm(text: str) -> float:
    """Returns the ppm that the hub's own parser reads from it."""
    topic = f"{LAYOUT.base(DEVICE)}/product/retest/set"
    read = parse(LAYOUT, {DEVICE: IDENTITY}, Incoming(topic, text.encode(), False, 0.0))
    assert isinstance(read, Accepted), read
    assert isinstance(read.command, Retest)
    return read.command.ppm


@given(st.floats(0.0, float(SAMPLE_MAX_PPM)), st.sampled_from([0.3, 0.5, 0.67, 0.7, 1.5]))
def test_a_conductivity_is_entered_as_its_ppm_on_any_scale(ppm: float, factor: float) -> None:
    made = in_ppm("product/retest", f"{ppm / factor:.12f}", "µS/cm", factor)
    if isinstance(made, Unfit):
        # Only a fraction that was rounded over the bound.
        assert ppm == pytest.approx(SAMPLE_MAX_PPM)
        return
    assert obeyed_ppm(made) == pytest.approx(ppm, rel=1e-9, abs=1e-11)


def test_only_measurements_by_hand_have_a_unit() -> None:
    assert sorted(BY_HAND) == ["product/retest", "reservoir/sample"]
    assert in_ppm("product/retest", "12.5", "µS/cm", 0.7) == "8.75"
    assert in_ppm("reservoir/sample", "12.5", "ppm", 0.7) == "12.5"
    assert in_ppm("valve/hold", "true", "", 0.7) == "true"


@given(st.text(max_size=60))
def test_text_that_is_no_number_is_refused_in_the_unit_of_the_form(text: str) -> None:
    made = in_ppm("product/retest", text, "µS/cm", 0.5)
    if isinstance(made, Unfit):
        assert "is not a number of µS/cm from 0 to 20000" in made.sentence
        assert made.sentence.isprintable()
    else:
        assert obeyed_ppm(made) == pytest.approx(0.5 * float(text))
