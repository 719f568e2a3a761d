"""The scale of a verdict, and the entry of a purifier or shelf kept by hand with its answer."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bridge.commands.sample.by_hand import ByHand, Known
    from bridge.commands.shared.configuration import Shown
    from bridge.commands.shared.values import Solids
    from bridge.estimate.verdict import Verdict
    from bridge.water.measurement import Measurement


def own_log(config: Path) -> Path:
    """Return the log of the configuration, which need not exist yet."""
    from bridge.commands.shared.log_file import chosen, log_path

    path = log_path(config)
    return chosen(path, None) if path.exists() else path


@dataclass(frozen=True, slots=True)
class Scale:
    """The limit and the target of a verdict, on one scale."""

    factor: float
    limit_ppm: float
    target_ppm: float


def scale_of(
    known: "Known | None", factor: float | None, limit: "Solids | None", target: "Solids | None"
) -> Scale:
    """Take the scale and the limits from the options, else from the configuration, else the defaults."""
    from bridge.config.tables import default_target_ppm
    from bridge.estimate.verdict import LIMIT_PPM
    from bridge.water import measurement

    used = measurement.checked_factor(
        (measurement.Scale.HALF.value if known is None else known.factor) if factor is None else factor
    )
    limit_ppm = LIMIT_PPM if limit is None else limit.ppm(used)
    target_ppm = default_target_ppm(limit_ppm) if target is None else target.ppm(used)
    if known is not None and limit is None:
        limit_ppm = known.limit_ppm * used / known.factor
        if target is None:
            target_ppm = known.target_ppm * used / known.factor
    return Scale(used, limit_ppm, target_ppm)


def enter(
    of: str,
    typed: "ByHand",
    known: "Known | None",
    log_file: Path | None,
    config: Path | None,
    scale: Scale,
    judged: "tuple[Measurement, Verdict] | None",
    note: str,
    as_json: bool,
    shown: "Shown",
    lines: Iterable[str] = (),
) -> None:
    """Write the entry of a purifier or shelf kept by hand into the log, and print its state."""
    from bridge.commands.forecast import by_hand as forecast_by_hand
    from bridge.commands.sample import by_hand as sample_by_hand
    from bridge.commands.sample.kept import reading_values
    from bridge.commands.shared.log_file import chosen, entries_of

    path = chosen(log_file, config) if known is None or config is None else own_log(config)
    sample_by_hand.enter(path, of, typed, known, scale.factor, judged, note)
    state = None
    if known is not None and known.kept is not None:
        state = forecast_by_hand.state_of(known.kept, entries_of(path, of))
    if as_json:
        read = {} if judged is None else reading_values(*judged)
        stands = {} if state is None else forecast_by_hand.values(state)
        click.echo(json.dumps({"of": of, **read, **stands}))
        return
    for line in lines:
        click.echo(line)
    at_ms = typed.at_ms
    as_of = "" if at_ms is None else f", as of {shown.units.local(at_ms // 1000).isoformat(' ')}"
    click.echo(f"Kept in {path} as an entry of {of}{as_of}.")
    if state is None:
        click.echo("With --config a forecast would be printed too.")
    else:
        for line in forecast_by_hand.lines(state, shown):
            click.echo(line)
