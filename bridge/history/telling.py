"""Entries of the log as sentences for people.

Some of the words come from strangers: whoever may send a command. Nothing of them reaches a terminal that is
not a printable character, or a line could be made to look like another one.
"""

from bridge.history.records import (
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    SampleRow,
)


def told(row: EntryRow) -> str:
    """What an entry says, in one line of printable characters, without its time, reservoir and kind."""
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
        case CartridgeRow():
            text = f"changed to {row.name}" + (f" by {row.sender}" if row.sender else "")
            parts = []
            if row.treated_l is not None:
                parts.append(f"made {row.treated_l:.0f} L")
            if row.load_g is not None:
                parts.append(f"took out {row.load_g:.0f} g of dissolved solids")
            text += f"; the old one {' and '.join(parts)}" if parts else ""
        case CalibrationRow():
            text = (
                f"{row.cell} cell in {row.standard_us_cm:g} µS/cm at {row.temperature_c:g} °C: constant "
                f"{row.cell_constant_per_cm:.4g} cm⁻¹ ± {row.uncertainty_percent:.2g} % (k = 2), "
                f"offset {row.offset_us:g} µS"
            )
            text = _joined(text, row.note)
        case SampleRow():
            at = "" if row.temperature_c is None else f", taken at {row.temperature_c:g} °C"
            text = (
                f"{row.of}: {row.dissolved_solids_ppm:.3g} ± {row.uncertainty_ppm:.2g} ppm at a factor of "
                f"{row.factor:g} ({row.conductivity_25_us_cm:.4g} µS/cm at 25 °C{at}), {row.verdict}"
            )
            text = _joined(text, row.note)
        case FillRow():
            text = _fill(row)
    return printable(text)


def printable(text: str) -> str:
    """The text with everything that is not a printable character written out, ``\\x1b`` for the escape."""
    return "".join(one if one.isprintable() else ascii(one)[1:-1] for one in text)


def _fill(row: FillRow) -> str:
    minutes = (row.stamp.utc_ms - row.started_ms) / 60_000
    volume = "an unknown volume" if row.volume_l is None else f"{row.volume_l:.1f} L"
    text = f"{volume} in {minutes:.0f} min"
    text += "" if row.rinse_l is None else f", of rinse {row.rinse_l:.1f} L"
    text += "" if row.mean_ppm is None else f", on average {row.mean_ppm:.1f} ppm"
    return f"{text}; ended by {row.end}"


def _joined(what: str, sentence: str) -> str:
    return f"{what}: {sentence}" if sentence else what
