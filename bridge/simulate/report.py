"""What a campaign showed, as a table for people and as JSON for programs."""

import json
from dataclasses import asdict

from bridge.simulate.campaign import FaultRow, Summary

_HEADINGS = ("fault", "injected", "mattered", "detected", "median s", "worst s", "within s", "consequence")


def as_json(summary: Summary) -> str:
    """The whole summary; the same for the same campaign, on however many cores it ran."""
    record = asdict(summary)
    record["reservoir_years"] = summary.reservoir_years
    return json.dumps(record, indent=2, sort_keys=True)


def as_text(summary: Summary) -> str:
    """The table of faults, the bridge's own mishaps, what entered, and every violation."""
    lines = [
        f"{summary.reservoir_years:g} reservoir-years, seed {summary.seed}, "
        f"{'with' if summary.with_faults else 'without'} faults, {summary.steps} steps, "
        f"{summary.let_in_l:.0f} L let in."
    ]
    if summary.with_faults:
        lines += ["", *_table(summary.rows), "", *_mishaps(summary)]
    entered = summary.entered
    lines += [
        "",
        f"Over the limit, through an open valve and past a sound probe: {entered.over_limit_l:.2f} L in all; "
        f"the worst opening {entered.worst_opening_l:.2f} L, at most {entered.worst_share:.0%} of its bound.",
    ]
    for name, litres in sorted(entered.unseen_l.items()):
        lines.append(f"Over the limit and not to be seen, hidden by {name}: {litres:.2f} L.")
    if entered.unasked_l:
        lines.append(f"Over the limit through a valve stuck open or leaking: {entered.unasked_l:.2f} L.")
    if entered.both_floats_l:
        lines.append(f"Over the rim with both floats at fault at once: {entered.both_floats_l:.2f} L.")
    lines.append(f"Trips: {_counts(summary.trips)}.")
    lines.append(f"Alarms: {_counts(summary.alarms)}.")
    lines += ["", *_verdict(summary)]
    return "\n".join(lines)


def _verdict(summary: Summary) -> list[str]:
    if not summary.violations:
        return ["No violation."]
    lines = [f"{len(summary.violations)} violations:"]
    for one in summary.violations:
        lines.append(
            f"seed {one.seed}, garden {one.garden}, step {one.step}, at {one.time_s:.1f} s: {one.sentence}."
        )
    return lines


def _mishaps(summary: Summary) -> list[str]:
    return [
        f"The bridge's own side: {_counts(summary.happenings)}.",
        f"The valve was shut at the latest {summary.shut_after_death_s:.1f} s after the bridge had died.",
    ]


def _table(rows: list[FaultRow]) -> list[str]:
    cells = [_HEADINGS, *(_cells(row) for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(_HEADINGS))]
    last = len(_HEADINGS) - 1
    return [
        "  ".join(
            text.ljust(width) if column in (0, last) else text.rjust(width)
            for column, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]


def _cells(row: FaultRow) -> tuple[str, ...]:
    return (
        row.fault,
        str(row.injected),
        str(row.mattered),
        str(row.seen),
        _seconds(row.median_s),
        _seconds(row.worst_s),
        _seconds(row.bound_s),
        _consequence(row),
    )


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _consequence(row: FaultRow) -> str:
    parts = [
        f"{litres:.1f} L {what}"
        for litres, what in (
            (row.over_limit_l, "over the limit"),
            (row.spilled_l, "over the rim"),
            (row.floor_l, "on the floor"),
        )
        if litres >= 0.05
    ]
    return f"at most {', '.join(parts)}" if parts else "none"


def _counts(counts: dict[str, int]) -> str:
    if not counts:
        return "none"
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))
