"""The sections of the page about events: alarms, trips, calibrations, samples, fills cut short. Core."""

from bridge.guard.faults import FAULTS
from bridge.history.records import CalibrationRow, SampleRow, when_ms
from bridge.report.incidents import Incident, tallies
from bridge.report.markup import (
    NONE,
    Column,
    figure,
    lasting,
    listed,
    moment,
    quantity,
    table,
    text,
)
from bridge.report.season import Season
from bridge.units import DisplayUnits

MOST_ROWS = 150
"""Most rows printed of one kind; the log has all of them."""


def alarms(season: Season, units: DisplayUnits) -> str:
    """Returns the section on alarms and trips: a count of each, then each occurrence."""
    if not season.incidents:
        return "<h3>Alarms and trips</h3>\n<p>None.</p>\n"
    start_ms, end_ms = season.start_ms, season.end_ms
    columns = (
        Column("Alarm"), Column("Shuts the valve"), Column("Times", True), Column("Active in all", True),
        Column("Longest", True),
    )  # fmt: skip
    counted = [
        [
            text(one.alarm.value),
            "yes, a trip"
            if any(each.alarm is one.alarm and each.trip for each in season.incidents)
            else "no",
            figure(f"alarm-count/{one.alarm.value}", one.count, str(one.count)),
            figure(f"alarm-hours/{one.alarm.value}", one.active_ms / 3_600_000.0, lasting(one.active_ms)),
            figure(f"alarm-longest/{one.alarm.value}", one.longest_ms / 3_600_000.0, lasting(one.longest_ms)),
        ]
        for one in tallies(season.incidents, start_ms, end_ms)
    ]
    means = []
    for one in tallies(season.incidents, start_ms, end_ms):
        fault = FAULTS[one.alarm]
        means.append(f"<strong>{text(one.alarm.value)}</strong>: {text(fault.what)} {text(fault.did)}")
    shown = _kept(season.incidents)
    left = len(season.incidents) - len(shown)
    more = (
        f"<p>{left} older advisories are not printed; <code>clearwell log --kind alarm</code> has them.</p>\n"
    )
    return (
        "<h3>Alarms and trips</h3>\n"
        + table("How often", columns, counted)
        + "<p>Their meaning, and the action of the bridge:</p>\n"
        + listed(means)
        + '<div class="scroll">'
        + table(
            "One by one",
            (Column("Raised"), Column("Alarm"), Column("Cleared after", True), Column("Active for", True),
             Column("Acknowledged"), Column("Actions")),
            [_incident(one, season, units) for one in shown],
        )
        + "</div>\n"
        + (more if left else "")
    )  # fmt: skip


def _kept(found: tuple[Incident, ...]) -> list[Incident]:
    """Returns all trips and the newest advisories."""
    advisories = [one for one in found if not one.trip][-MOST_ROWS:]
    return [one for one in found if one.trip or one in advisories]


def _incident(one: Incident, season: Season, units: DisplayUnits) -> list[str]:
    begin_ms = one.raised_ms or season.start_ms
    cleared = NONE if one.cleared_ms is None else lasting(one.cleared_ms - begin_ms)
    active = lasting(one.active_ms(season.start_ms, season.end_ms))
    if one.ended_ms is None:
        active = f"{active}, still active"
        cleared = cleared if one.cleared_ms is not None else "not yet"
    elif one.cleared_ms is None:
        cleared = active
    acknowledged = "no"
    if one.acknowledged_ms is not None:
        by = f" by {text(one.acknowledged_by)}" if one.acknowledged_by else ""
        acknowledged = f"after {lasting(one.acknowledged_ms - begin_ms)}{by}"
    return [
        "before this report" if one.raised_ms is None else moment(units, one.raised_ms),
        text(one.alarm.value) + (" (first-out)" if one.first_out else ""),
        cleared,
        active,
        acknowledged,
        "; ".join(map(text, one.actions)) or NONE,
    ]


def record(season: Season, units: DisplayUnits) -> str:
    """Returns the sections on calibrations, samples by hand, and fills that were cut short."""
    return _calibrations(season, units) + _samples(season, units) + _fills(season, units)


def _calibrations(season: Season, units: DisplayUnits) -> str:
    part = "<h3>Calibration record</h3>\n"
    rows = [_calibration(one, units, f"calibration-{k + 1}") for k, one in enumerate(season.calibrations)]
    before = [
        _calibration(one, units, f"calibration-before-{one.cell}") for one in season.calibrations_before
    ]
    if before:
        part += table("Before this report, the last of each cell", _CALIBRATED, before)
    part += (
        table("Within this report", _CALIBRATED, rows)
        if rows
        else "<p>The log has no calibration within this report.</p>\n"
    )
    return part + listed(
        text(
            f"In force when this report was written, {cell} cell: the calibration of "
            f"{kept.made:%Y-%m-%d} in {kept.standard}, constant ± {kept.cell_constant_percent:.2g} % (k = 1)."
        )
        for cell, kept in season.facts.in_force
    )


_CALIBRATED = (
    Column("When"), Column("Cell"), Column("Constant, cm⁻¹", True), Column("± % (k = 2)", True),
    Column("Offset, µS", True), Column("In a standard of", True), Column("At", True), Column("Note"),
)  # fmt: skip


def _calibration(row: CalibrationRow, units: DisplayUnits, at: str) -> list[str]:
    return [
        moment(units, row.stamp.utc_ms),
        text(row.cell),
        figure(f"{at}/constant", row.cell_constant_per_cm, f"{row.cell_constant_per_cm:.4g}"),
        figure(f"{at}/uncertainty", row.uncertainty_percent, f"{row.uncertainty_percent:.2g}"),
        figure(f"{at}/offset", row.offset_us, f"{row.offset_us:.3g}"),
        figure(f"{at}/standard", row.standard_us_cm, f"{row.standard_us_cm:.5g} µS/cm"),
        quantity(f"{at}/temperature", units.celsius(row.temperature_c)),
        text(row.note) or NONE,
    ]


def _samples(season: Season, units: DisplayUnits) -> str:
    if not season.samples:
        return "<h3>Samples by hand</h3>\n<p>None.</p>\n"
    columns = (
        Column("When"), Column("Of"), Column("Value", True), Column("± (k = 2)", True),
    Column("Scale"),
        Column("Taken at", True), Column("Verdict"), Column("Note"),
    )  # fmt: skip
    shown = season.samples[-MOST_ROWS:]
    rows = [_sample(one, units, f"sample-{k + 1}") for k, one in enumerate(shown)]
    left = len(season.samples) - len(shown)
    more = f"<p>{left} older ones are not printed; <code>clearwell log --kind sample</code> has them.</p>\n"
    return f"<h3>Samples by hand</h3>\n{table('Samples', columns, rows)}" + (more if left else "")


def _sample(row: SampleRow, units: DisplayUnits, at: str) -> list[str]:
    value, band = units.measured(row.dissolved_solids_ppm, row.uncertainty_ppm, row.factor)
    return [
        moment(units, when_ms(row)),
        text(row.of),
        quantity(f"{at}/value", value),
        NONE if band is None else quantity(f"{at}/uncertainty", band),
        text(units.scale(row.factor)),
        NONE
        if row.temperature_c is None
        else quantity(f"{at}/temperature", units.celsius(row.temperature_c)),
        text(row.verdict),
        text(row.note) or NONE,
    ]


def _fills(season: Season, units: DisplayUnits) -> str:
    cut = [row for row in season.fills if row.end != "full"]
    if not cut:
        return ""
    columns = (Column("Began"), Column("Length", True), Column("Brought", True), Column("Ended by"))
    shown = cut[-MOST_ROWS:]
    rows = [
        [
            moment(units, row.started_ms),
            lasting(row.stamp.utc_ms - row.started_ms),
            NONE
            if row.volume_l is None
            else quantity(f"cut-fill-{k + 1}/volume", units.litres(row.volume_l)),
            text(row.end),
        ]
        for k, row in enumerate(shown)
    ]
    left = len(cut) - len(shown)
    more = f"<p>{left} older ones are not printed; <code>clearwell log --kind fill</code> has them.</p>\n"
    return f"<h3>Fills that were cut short</h3>\n{table('Fills', columns, rows)}" + (more if left else "")
