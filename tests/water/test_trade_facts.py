"""Facts of the trade, as checks. Common practice, no source."""

import pytest

from bridge.estimate.verdict import Verdict, judge
from bridge.water.conductivity import Cell, Compensation, Method
from bridge.water.measurement import DEFAULT_FACTOR, MeasuringChain, measure


def test_water_at_or_over_50_ppm_is_unfit_and_under_25_is_better() -> None:
    # Common practice, no source.
    verdicts = {ppm: judge(ppm, 0.0) for ppm in (10.0, 24.9, 25.0, 40.0, 49.9, 50.0, 51.0, 300.0)}
    assert verdicts == {
        10.0: Verdict.SUITABLE,
        24.9: Verdict.SUITABLE,
        25.0: Verdict.MARGINAL,
        40.0: Verdict.MARGINAL,
        49.9: Verdict.MARGINAL,
        50.0: Verdict.UNSUITABLE,
        51.0: Verdict.UNSUITABLE,
        300.0: Verdict.UNSUITABLE,
    }


def test_an_uncompensated_reading_in_hot_or_cold_water_is_wrong() -> None:
    # Common practice, no source. The same water, 60 ppm and so unfit, read in a cold greenhouse and in a hot
    # one; how conductivity follows temperature: ISO 7888:1985, 1/f25 at 5 °C and at 35 °C.
    truth_us_cm = 120.0
    uncorrected = MeasuringChain(Cell(1.0), Compensation(Method.OFF), DEFAULT_FACTOR)
    corrected = MeasuringChain(Cell(1.0), Compensation(Method.NATURAL), DEFAULT_FACTOR)
    for f25, t in ((1.643, 5.0), (0.822, 35.0)):
        shown = measure(uncorrected, truth_us_cm / f25, t)
        right = measure(corrected, truth_us_cm / f25, t)
        assert abs(shown.dissolved_solids_ppm - 60.0) > 12.0
        assert right.dissolved_solids_ppm == pytest.approx(60.0, rel=0.002)
        # The uncertainty of the uncorrected value covers the error.
        assert abs(shown.dissolved_solids_ppm - 60.0) < shown.expanded_uncertainty_ppm
    cold = measure(uncorrected, truth_us_cm / 1.643, 5.0)
    assert judge(cold.dissolved_solids_ppm, 0.0) is Verdict.MARGINAL, "unfit water passes when it is cold"
