"""The answer of ``clearwell sample`` in words and as JSON, and the flush of a tray."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bridge.commands.shared.configuration import check_reservoirs, reading
from bridge.errors import InputError
from bridge.history.entries import Judged
from bridge.history.reader import Reader
from bridge.history.rollup import HOUR_MS
from bridge.trays.balance import Flush, cycles, flush, run_off_share
from bridge.units import DisplayUnits, SolidsUnit, plain
from bridge.water.conductivity import Method
from bridge.water.measurement import Measurement, scale_label
from bridge.water.meter import USUAL_METER, HandMeter

CAUTION = (
    "A conductivity reading never shows that water is safe to drink: microbes, pesticides, lead and "
    "solvents do not show in it."
)


def reading_values(reading: Judged) -> dict[str, object]:
    """Return the values of a reading for the JSON object."""
    measurement, verdict = reading.measurement, reading.verdict
    return {
        "meter": reading.meter,
        "below_resolution": reading.below_resolution,
        "conductivity_25": measurement.conductivity_25_us_cm,
        "dissolved_solids": measurement.dissolved_solids_ppm,
        "expanded_uncertainty": measurement.expanded_uncertainty_ppm,
        "factor": measurement.factor,
        "method": measurement.method.value,
        "verdict": verdict.value,
    }


def more_values(of: str | None, kept_in: tuple[Path, str] | None, found: "Tray | None") -> dict[str, object]:
    """Return the other values of the JSON object."""
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


def reading_lines(
    reading: Judged, by_meter: bool, limit_ppm: float, target_ppm: float, units: DisplayUnits
) -> tuple[str, ...]:
    """Put a reading into words: at 25 °C, with its uncertainty and its verdict."""
    measurement, verdict = reading.measurement, reading.verdict

    def shown(ppm: float, spec: str) -> str:
        return units.ppm_as(ppm, measurement.factor, spec)

    ppm, band_ppm = measurement.dissolved_solids_ppm, measurement.expanded_uncertainty_ppm
    temperature_c = measurement.temperature_c
    water = "" if temperature_c is None else units.celsius_as(temperature_c, ".4g")
    if by_meter:
        how = "converted by the meter"
    elif measurement.method is Method.OFF:
        how = f"method 'off': not converted from {water}"
    else:
        how = f"by the method '{measurement.method.value}' from {water}"
    if reading.below_resolution:
        how += "; the meter shows 0, which is less than half a digit"
    own = (
        ""
        if reading.meter_uncertainty_ppm is None
        else (f", of which meter and compensation {shown(reading.meter_uncertainty_ppm, '.2g')}")
    )
    upper, target, limit = shown(ppm + band_ppm, ".3g"), shown(target_ppm, "g"), shown(limit_ppm, "g")
    reason = {
        "unknown": f"it is under the limit of {limit}, but with the uncertainty it may be up to {upper}",
        "suitable": f"{upper} with the uncertainty is under the target of {target}",
        "marginal": f"{upper} with the uncertainty is at or over the target of {target}, and under the limit "
        f"of {limit}",
        "unsuitable": f"{upper} with the uncertainty is at or over the limit of {limit}",
    }[verdict.value]
    # In µS/cm this would repeat the first line.
    solids = f"Dissolved solids       {plain(ppm)} ppm on the scale of {scale_label(measurement.factor)}"
    return (
        f"Conductivity at 25 °C  {plain(measurement.conductivity_25_us_cm, '.4g')} µS/cm ({how})",
        *((solids,) if units.solids is SolidsUnit.PPM else ()),
        f"Expanded uncertainty   {shown(band_ppm, '.2g')} (k = 2){own}",
        f"Verdict                {verdict.value}: {reason}",
    )


def meter_lines(meter: HandMeter | None) -> tuple[str, ...]:
    """Explain the accuracy of a meter that the configuration does not have."""
    if meter is None or meter.ident != USUAL_METER.ident:
        return ()
    return (
        f"Nothing is known of the meter, so it is taken as good to {meter.percent_of_full_scale:g} % of "
        f"{meter.full_scale:g} {meter.unit.symbol}, as usual pocket meters are. Add a table [meter.<id>] "
        "with the figures of its data sheet, and give --meter.",
    )


OF = ("rain", "jug", "tray", "feed", "reservoir")
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Tray:
    """The result of a tray's sample."""

    given_ppm: float
    from_log: bool
    """Whether the water given is the reservoir's, from the log."""
    cycles: float
    flush: Flush | None
    """None if the volume of water in the tray is not known."""
    run_off: float | None
    """The share of the water given that must run off to keep the tray under nine tenths of its limit; None
    if the water given is above that already."""


def checked_name(of: str) -> str:
    """Check the word for what was sampled, and return it.

    Raises:
        InputError: It is not lower-case words joined by hyphens.
    """
    if of in OF or (_NAME.fullmatch(of) and len(of) <= _LONGEST_NAME):
        return of
    raise InputError(
        f"--of {of}: give {', '.join(OF)}, or a name of lower-case letters, digits and hyphens, such as "
        "well-2"
    )


def reservoir_of(path: Path, named: str | None) -> str:
    """Return the reservoir that the sample belongs to: the one named, or the only one in the log.

    Raises:
        InputError: The log has none of that name, or has several and none was named.
    """
    with reading(path) as reader:
        if named is not None:
            check_reservoirs(reader, path, (named,), entries=True)
            return named
        known = reader.reservoirs()
    if len(known) == 1:
        return known[0]
    there = ", ".join(known) or "none yet"
    raise InputError(f"which reservoir? Give --reservoir; {path} has {there}")


def tray(
    measurement: Measurement,
    limit_ppm: float,
    litres: float | None,
    given_ppm: float | None,
    log: tuple[Path, str] | None,
    at_ms: int | None = None,
) -> Tray | None:
    """Compute the cycles of concentration and the flush of a tray.

    Args:
        measurement: The reading of the tray's water.
        limit_ppm: The limit of the tray.
        litres: The volume of water in the tray, if it is known.
        given_ppm: The water that the tray is given, if it was stated.
        log: The log and the reservoir that the water given is taken from otherwise.
        at_ms: The time of the sample, in UTC; None for now.

    Returns:
        The result, or None if the water given is neither stated nor in the log.

    Raises:
        OutOfRangeError: No flush with the water given can help, or it has 0 ppm.
    """
    from_log = given_ppm is None
    if given_ppm is None and log is not None:
        with reading(log[0]) as reader:
            given_ppm = _held_ppm(reader, log[1], measurement.factor, at_ms)
    if given_ppm is None:
        return None
    ppm, band_ppm = measurement.dissolved_solids_ppm, measurement.expanded_uncertainty_ppm
    aim_ppm = 0.9 * limit_ppm
    return Tray(
        given_ppm,
        from_log,
        cycles(ppm, given_ppm),
        None if litres is None else flush(litres, ppm, given_ppm, limit_ppm, band_ppm),
        run_off_share(given_ppm, aim_ppm) if given_ppm < aim_ppm else None,
    )


def tray_lines(found: Tray, litres: float | None, units: DisplayUnits, factor: float) -> Iterator[str]:
    """Put the result of a tray's sample into words; ``factor`` is the scale of its ppm."""
    given = units.ppm_as(found.given_ppm, factor, ".3g")
    source = "that of the reservoir, from the log" if found.from_log else "as you stated"
    yield _line(
        "Cycles",
        f"{plain(found.cycles)} cycles of concentration against the {given} given ({source})",
    )
    wanted = found.flush
    if wanted is None:
        yield _line("Flush", "give --tray-litres, the water in the tray, to compute its flush")
    elif wanted.through_l == 0.0:
        yield _line("Flush", "none needed: with its uncertainty it is under the limit")
    else:
        yield _line(
            "Flush",
            f"pour {units.litres_as(wanted.through_l, '.2g')} through while it runs over, or tip out "
            f"{units.litres_as(wanted.exchange_l, '.2g')} of {units.litres_as(litres or 0.0, '.4g')} and "
            f"fill up; it then has about {units.ppm_as(wanted.ppm_after, factor, '.3g')}",
        )
    if found.run_off is not None:
        share = 100.0 * found.run_off
        yield _line("Upkeep", f"it stays under the limit when {share:.2g} % of the water given runs off")
    yield "Soil and moss hold water too and give their solids off slowly: measure again a day later."


def _line(label: str, text: str) -> str:
    return f"{label:<23}{text}"


def _held_ppm(reader: Reader, reservoir: str, factor: float, at_ms: int | None) -> float | None:
    """Read the ppm of the reservoir at that time, or its newest, on the scale of the sample."""
    end = (reader.span_ms()[1] if at_ms is None else at_ms) + 1
    held = scale = None
    for row in reader.readings(reservoir, end - HOUR_MS, end):
        held = row.reservoir_ppm if row.reservoir_ppm is not None else held
        if row.product_ppm and row.conductivity_25_us_cm:
            scale = row.product_ppm / row.conductivity_25_us_cm
    return None if held is None or scale is None else held / scale * factor
