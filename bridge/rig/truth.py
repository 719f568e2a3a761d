"""What is really so in the simulated world, for whoever judges the bridge."""

import json
from dataclasses import dataclass

from bridge.protocol.messages import Path


@dataclass(frozen=True, slots=True)
class Truth:
    """The true state at one moment; every ppm on the scenario's scale, totals since the start."""

    time_s: float
    driven: Path
    """Which valve the controller drives."""
    path: Path
    """Where water can really go: a stuck valve or a float in series makes it differ from ``driven``."""
    flow_l_min: float
    """True product flow; above 0 also with ``path`` shut while the valve leaks."""
    volume_l: float
    level_fraction: float
    """Depth divided by the height of the reservoir."""
    reservoir_ppm: float
    product_ppm: float
    feed_ppm: float
    water_c: float
    """Water at the cells."""
    air_c: float
    overflow_up: bool
    load_fraction: float
    """Purifier load divided by capacity."""
    treated_l: float
    """Product litres since the cartridge was changed."""
    inflow_l: float
    over_limit_l: float
    """Litres over the scenario's limit that entered the reservoir."""
    drained_l: float
    burst_l: float
    """Litres lost onto the floor through a burst hose."""
    drawn_l: float
    spilled_l: float
    """Litres over the rim."""
    evaporated_l: float
    rain_l: float
    faults: tuple[str, ...]
    """Names of the active faults, in alphabetical order."""


def truth_line(truth: Truth) -> str:
    """The truth as one line of JSON, without the line end; numbers rounded to six digits after the point."""
    record: dict[str, object] = {}
    for name in Truth.__dataclass_fields__:
        value = getattr(truth, name)
        if isinstance(value, float):
            value = round(value, 6)
        elif isinstance(value, Path):
            value = value.value
        record[name] = value
    return json.dumps(record, separators=(",", ":"))
