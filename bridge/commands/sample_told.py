"""What ``clearwell sample`` says of a reading: in words, and in its JSON object. Core."""

from pathlib import Path
from typing import TYPE_CHECKING

from bridge.units import DisplayUnits, SolidsUnit
from bridge.water.conductivity import Method
from bridge.water.measurement import Measurement
from bridge.water.solids import Verdict, scale_label

if TYPE_CHECKING:
    from bridge.commands.sample_kept import Tray

CAUTION = (
    "A conductivity reading never shows that water is safe to drink: microbes, pesticides, lead and "
    "solvents do not show in it."
)


def reading_values(measurement: Measurement, verdict: Verdict) -> dict[str, object]:
    """What the JSON object has of a reading."""
    return {
        "conductivity_25": measurement.conductivity_25_us_cm,
        "dissolved_solids": measurement.dissolved_solids_ppm,
        "expanded_uncertainty": measurement.expanded_uncertainty_ppm,
        "factor": measurement.factor,
        "method": measurement.method.value,
        "verdict": verdict.value,
    }


def more_values(of: str | None, kept_in: tuple[Path, str] | None, found: "Tray | None") -> dict[str, object]:
    """What the JSON object has beside the reading."""
    made: dict[str, object] = {} if of is None else {"of": of}
    if kept_in is not None:
        made["reservoir"] = kept_in[1]
    if found is not None:
        made |= {"given": found.given_ppm, "cycles": found.cycles, "run_off_share": found.run_off}
        if found.flush is not None:
            made |= {
                "flush_through_l": found.flush.through_l,
                "flush_exchange_l": found.flush.exchange_l,
                "ppm_after_flush": found.flush.ppm_after,
            }
    return made


def told_lines(
    measurement: Measurement,
    by_meter: bool,
    verdict: Verdict,
    limit_ppm: float,
    advice_ppm: float,
    units: DisplayUnits,
) -> tuple[str, ...]:
    """The reading in words: brought to 25 °C, with its uncertainty and its verdict."""

    def told(ppm: float, spec: str) -> str:
        return units.ppm_as(ppm, measurement.factor, spec)

    ppm, band_ppm = measurement.dissolved_solids_ppm, measurement.expanded_uncertainty_ppm
    temperature_c = measurement.temperature_c
    water = "" if temperature_c is None else units.celsius_as(temperature_c, ".4g")
    if by_meter:
        how = "brought there by the meter itself"
    elif measurement.method is Method.OFF:
        how = f"method 'off': the figure stands for {water}"
    else:
        how = f"by the method '{measurement.method.value}' from {water}"
    reason = {
        "suitable": f"under the advice of {told(advice_ppm, 'g')}",
        "marginal": f"at or over the advice of {told(advice_ppm, 'g')}, and under the limit of "
        f"{told(limit_ppm, 'g')}",
        "unsuitable": f"at or over the limit of {told(limit_ppm, 'g')}",
    }[verdict.value]
    # In µS/cm the line above has said it already.
    solids = f"Dissolved solids       {ppm:.3g} ppm on the scale of {scale_label(measurement.factor)}"
    return (
        f"Conductivity at 25 °C  {measurement.conductivity_25_us_cm:.4g} µS/cm ({how})",
        *((solids,) if units.solids is SolidsUnit.PPM else ()),
        f"Expanded uncertainty   {told(band_ppm, '.2g')} (k = 2)",
        f"Verdict                {verdict.value}: {told(ppm + band_ppm, '.3g')}, the uncertainty counted, is "
        f"{reason}",
    )
