"""Entries of the log as sentences for people.

Some of the words come from strangers: whoever may send a command. Nothing of them reaches a terminal that is
not a printable character, or a line could be made to look like another one.
"""

from bridge.display.text import printable as printable
from bridge.history.records import (
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    ForecastRow,
    Litres,
    LitresRow,
    SampleRow,
    when_ms,
)
from bridge.units import DisplayUnits, SolidsUnit

AS_RECORDED = DisplayUnits()
_LITRES = {
    Litres.MADE: "made",
    Litres.PUT: "put on the shelf",
    Litres.TAKEN: "taken from the shelf",
    Litres.LEFT: "counted on the shelf",
}


def told(row: EntryRow, units: DisplayUnits = AS_RECORDED, factor: float | None = None) -> str:
    """Returns the text of an entry in one line of printable characters, without time, reservoir and kind.

    Args:
        row: The entry.
        units: The units in which quantities are shown. Recorded sentences are not changed.
        factor: The scale of the reservoir's ppm, for entries that do not hold it.
    """
    match row:
        case EventRow():
            text = _joined(row.event, row.sentence)
        case AlarmRow():
            what = f"{row.alarm.value} {row.change.value}"
            what += " (first-out)" if row.first_out else ""
            what += f" by {row.sender}" if row.sender else ""
            text = _joined(what, row.sentence)
        case CommandRow():
            what = f"{row.what} from {row.sender or 'the bridge'}"
            text = f"{what}: accepted" if row.accepted else _joined(f"{what}: refused", row.refusal)
        case CartridgeRow(at_ms=at_ms):
            text = (f"changed to {row.name}" if row.name else "changed") + (
                f" by {row.sender}" if row.sender else ""
            )
            parts = []
            if row.treated_l is not None:
                parts.append(f"made {units.litres_as(row.treated_l, '.0f')}")
            if row.load_g is not None:
                parts.append(f"took out {row.load_g:.0f} g of dissolved solids")
            if row.exhausted is not None:
                parts.append("was exhausted" if row.exhausted else "was changed early")
            text += f"; the old one {_listed(parts)}" if parts else ""
            text += _entered_later(at_ms, units)
        case CalibrationRow():
            text = (
                f"{row.cell} cell in {row.standard_us_cm:g} µS/cm at "
                f"{units.celsius_as(row.temperature_c, '.4g')}: constant "
                f"{row.cell_constant_per_cm:.4g} cm⁻¹ ± {row.uncertainty_percent:.2g} % (k = 2), "
                f"offset {row.offset_us:g} µS"
            )
            text = _joined(text, row.note)
        case SampleRow(at_ms=at_ms):
            text = _joined(_sample(row, units) + _entered_later(at_ms, units), row.note)
        case LitresRow(at_ms=at_ms):
            text = f"{units.litres_as(row.litres, '.4g')} {_LITRES[row.what]}{_entered_later(at_ms, units)}"
            text = _joined(text, row.note)
        case FillRow():
            text = _fill(row, units, factor)
        case ForecastRow():
            text = _forecast(row, units)
    return printable(text)


def _entered_later(at_ms: int | None, units: DisplayUnits) -> str:
    # With the offset, for the time beside it may be local or UTC.
    return "" if at_ms is None else f", at {units.local(at_ms // 1000).isoformat(' ')}"


def _sample(row: SampleRow, units: DisplayUnits) -> str:
    at = "" if row.temperature_c is None else f", taken at {units.celsius_as(row.temperature_c, '.4g')}"
    if units.solids is SolidsUnit.US_CM:
        # The conductivity itself is what people want to see, so the ppm need not be told too.
        measured = f"{row.conductivity_25_us_cm:.4g} ± {row.uncertainty_ppm / row.factor:.2g} µS/cm at 25 °C"
        return f"{row.of}: {measured}{at}, {row.verdict}"
    return (
        f"{row.of}: {row.dissolved_solids_ppm:.3g} ± {row.uncertainty_ppm:.2g} ppm at a factor of "
        f"{row.factor:g} ({row.conductivity_25_us_cm:.4g} µS/cm at 25 °C{at}), {row.verdict}"
    )


def _fill(row: FillRow, units: DisplayUnits, factor: float | None) -> str:
    minutes = (when_ms(row) - row.started_ms) / 60_000
    volume = "an unknown volume" if row.volume_l is None else units.litres_as(row.volume_l, ".1f")
    text = f"{volume} in {minutes:.0f} min"
    text += "" if row.rinse_l is None else f", of rinse {units.litres_as(row.rinse_l, '.1f')}"
    text += "" if row.mean_ppm is None else f", on average {units.ppm_as(row.mean_ppm, factor, '.1f')}"
    return f"{text}; ended by {row.end}"


def _forecast(row: ForecastRow, units: DisplayUnits) -> str:
    parts = []
    if row.left_l is not None:
        parts.append(f"{units.litres_as(row.left_l, '.0f')} of product left")
    if row.left_days is not None:
        parts.append(f"{row.left_days:.0f} days left" + (", order now" if row.order_now else ""))
    if row.cover_days is not None:
        parts.append(f"the stored water lasts {row.cover_days:.0f} days")
    return "; ".join(parts)


def _listed(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _joined(what: str, sentence: str) -> str:
    return f"{what}: {sentence}" if sentence else what
