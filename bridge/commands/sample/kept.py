"""A sample that is kept: into the log, and what a tray's sample says of its cycles and its flush.

What ``clearwell sample`` says of a reading: in words, and in its JSON object. Core.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bridge.commands.shared.log_file import check_reservoirs, reading
from bridge.errors import InputError
from bridge.history.reader import Reader
from bridge.history.records import SampleRow, Stamp
from bridge.history.rollup import HOUR_MS
from bridge.tank.tray import Flush, cycles, flush, run_off_share
from bridge.units import DisplayUnits, SolidsUnit
from bridge.water.conductivity import Method
from bridge.water.measurement import Measurement
from bridge.water.solids import Verdict, scale_label

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
    target_ppm: float,
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
        "suitable": f"under the target of {told(target_ppm, 'g')}",
        "marginal": f"at or over the target of {told(target_ppm, 'g')}, and under the limit of "
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


OF = ("rain", "jug", "tray", "feed", "reservoir")
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Tray:
    """What a tray's sample says."""

    given_ppm: float
    from_log: bool
    """Whether the water given was taken to be that of the reservoir, as the log has it."""
    cycles: float
    flush: Flush | None
    """None where the water in the tray is not stated."""
    run_off: float | None
    """The share of the water given that has to run off for the tray to stay under nine tenths of its limit;
    None where the water given is worse than that."""


def checked_name(of: str) -> str:
    """What the sample is of.

    :raises InputError: a name that is not lower-case words joined by hyphens.
    """
    if of in OF or (_NAME.fullmatch(of) and len(of) <= _LONGEST_NAME):
        return of
    raise InputError(
        f"--of {of}: give {', '.join(OF)}, or a name of lower-case letters, digits and hyphens, such as "
        "well-2"
    )


def reservoir_of(path: Path, named: str | None) -> str:
    """The reservoir that the sample belongs to: the one named, or the only one that the log has.

    :raises InputError: the log has none of that name, or more than one and none was named.
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


def sample_row(
    stamp: Stamp,
    reservoir: str,
    of: str,
    measurement: Measurement,
    verdict: Verdict,
    note: str,
    at_ms: int | None = None,
) -> SampleRow:
    """The sample as it stands in the log.

    :param at_ms: when it was taken, in UTC; None for now.
    """
    return SampleRow(
        stamp,
        reservoir,
        of,
        conductivity_25_us_cm=measurement.conductivity_25_us_cm,
        dissolved_solids_ppm=measurement.dissolved_solids_ppm,
        uncertainty_ppm=measurement.expanded_uncertainty_ppm,
        factor=measurement.factor,
        temperature_c=measurement.temperature_c,
        method=measurement.method.value,
        verdict=verdict.value,
        note=note,
        at_ms=at_ms,
    )


def tray(
    measurement: Measurement,
    limit_ppm: float,
    litres: float | None,
    given_ppm: float | None,
    log: tuple[Path, str] | None,
    at_ms: int | None = None,
) -> Tray | None:
    """Cycles of concentration and flush; None where the water given is neither stated nor in the log.

    :raises InputError: no flush with the water given can help, or it has 0 ppm.
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


def told(found: Tray, litres: float | None, units: DisplayUnits, factor: float) -> Iterator[str]:
    """What the tray's sample says, as lines; ``factor`` is the scale of its ppm."""
    given = units.ppm_as(found.given_ppm, factor, ".3g")
    whence = "what the reservoir holds, by the log" if found.from_log else "as you state"
    yield _line(
        "Cycles",
        f"{found.cycles:.3g} cycles of concentration against the {given} given ({whence})",
    )
    wanted = found.flush
    if wanted is None:
        yield _line("Flush", "give --tray-litres, the water that stands in the tray, to have its flush")
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
    """What the reservoir held then, or holds by the newest reading, brought to the scale of the sample."""
    end = (reader.span_ms()[1] if at_ms is None else at_ms) + 1
    held = scale = None
    for row in reader.readings(reservoir, end - HOUR_MS, end):
        held = row.reservoir_ppm if row.reservoir_ppm is not None else held
        if row.product_ppm and row.conductivity_25_us_cm:
            scale = row.product_ppm / row.conductivity_25_us_cm
    return None if held is None or scale is None else held / scale * factor
