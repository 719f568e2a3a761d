"""The rows of the log as values: one class for each table.

A row has a :class:`Stamp`, made by :class:`bridge.daemon.rows.RecordClock`. Rows are ordered by session and
sequence, never by the wall clock. In this order their UTC never goes backwards.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import Enum, IntEnum
from typing import Any

from bridge.guard.model import Advisory, AlarmId, Flow, Trip
from bridge.water.health import Health


@dataclass(frozen=True, slots=True, order=True)
class Stamp:
    """The time and the place of a row. Compared by session, then sequence; the UTC has the same order."""

    boot: int
    """The number of the session: how many times a daemon has opened the log, this time included."""
    sequence: int
    """Counts the rows of one session from 0."""
    utc_ms: int
    """Milliseconds since 1970-01-01T00:00:00Z, without leap seconds."""


@dataclass(frozen=True, slots=True)
class SeriesFacts:
    """The names and units of one series."""

    field: str
    """The attribute of :class:`ReadingRow`, with its unit. Also the column of an export."""
    senml_name: str
    senml_unit: str
    senml_scale: float
    """The factor from the unit of the row to the unscaled SI unit of SenML (RFC 8428, section 12.1)."""


class Series(IntEnum):
    """The measured and computed quantities of a reading, in the order of :attr:`ReadingRow.values`."""

    CONDUCTANCE = 0
    TEMPERATURE = 1
    CONDUCTIVITY_25 = 2
    PRODUCT_PPM = 3
    UNCERTAINTY = 4
    FEED_PPM = 5
    VOLUME = 6
    RESERVOIR_PPM = 7
    THROUGHPUT = 8

    @property
    def facts(self) -> SeriesFacts:
        """The names and units of the series."""
        return SERIES_FACTS[self]


SERIES_FACTS: dict[Series, SeriesFacts] = {
    Series.CONDUCTANCE: SeriesFacts("conductance_us", "product/conductance", "S", 1e-6),
    Series.TEMPERATURE: SeriesFacts("temperature_c", "product/temperature", "Cel", 1.0),
    Series.CONDUCTIVITY_25: SeriesFacts("conductivity_25_us_cm", "product/conductivity-25", "S/m", 1e-4),
    Series.PRODUCT_PPM: SeriesFacts("product_ppm", "product/solids", "/", 1e-6),
    Series.UNCERTAINTY: SeriesFacts("uncertainty_ppm", "product/solids-uncertainty", "/", 1e-6),
    Series.FEED_PPM: SeriesFacts("feed_ppm", "feed/solids", "/", 1e-6),
    Series.VOLUME: SeriesFacts("volume_l", "reservoir/volume", "m3", 1e-3),
    Series.RESERVOIR_PPM: SeriesFacts("reservoir_ppm", "reservoir/solids", "/", 1e-6),
    Series.THROUGHPUT: SeriesFacts("throughput_l", "purifier/throughput", "m3", 1e-3),
}

Values = tuple[float | None, ...]
"""One number or None for each :class:`Series`, in its order."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One series in one bucket."""

    least: float
    mean: float
    greatest: float
    count: int


@dataclass(frozen=True, slots=True)
class Bucket:
    """All series of one reservoir over one span."""

    start_ms: int
    span_ms: int
    cells: tuple[Cell | None, ...]
    """In the order of :class:`Series`; None if no reading had a value."""
    count: int
    """The number of readings in the span, with or without values."""
    health: Health
    """The worst class among them."""


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading of one reservoir. A series is None if its part is not fitted or its value is not known."""

    stamp: Stamp
    reservoir: str
    conductance_us: float | None = None
    """Raw conductance of the product cell, µS."""
    temperature_c: float | None = None
    conductivity_25_us_cm: float | None = None
    product_ppm: float | None = None
    uncertainty_ppm: float | None = None
    """Expanded uncertainty (k = 2) of ``product_ppm``."""
    feed_ppm: float | None = None
    volume_l: float | None = None
    reservoir_ppm: float | None = None
    throughput_l: float | None = None
    """The product that this cartridge has made."""
    path: Flow = Flow.SHUT
    health: Health = Health.GOOD
    """The worst class among all measurements."""

    @property
    def values(self) -> Values:
        """The series of this reading in the order of :class:`Series`."""
        return (
            self.conductance_us,
            self.temperature_c,
            self.conductivity_25_us_cm,
            self.product_ppm,
            self.uncertainty_ppm,
            self.feed_ppm,
            self.volume_l,
            self.reservoir_ppm,
            self.throughput_l,
        )


def reading_of(
    stamp: Stamp, reservoir: str, values: Sequence[float | None], path: Flow, health: Health
) -> ReadingRow:
    """Make a reading from its series in the order of :class:`Series`."""
    us, celsius, us_cm, ppm, uncertainty, feed, volume, kept, through = values
    return ReadingRow(
        stamp, reservoir, us, celsius, us_cm, ppm, uncertainty, feed, volume, kept, through, path, health
    )


@dataclass(frozen=True, slots=True)
class EventRow:
    """An event that is neither an alarm nor a command: a fill began, a clock was stepped."""

    stamp: Stamp
    reservoir: str
    """Empty if the event concerns the whole bridge."""
    event: str
    """An id of lower-case words and hyphens."""
    sentence: str


class AlarmChange(Enum):
    """A step in the life of an alarm (the transitions of IEC 62682's state diagram)."""

    RAISED = "raised"
    ACKNOWLEDGED = "acknowledged"
    CLEARED_UNACKNOWLEDGED = "cleared-unacknowledged"
    """The condition has cleared, but the alarm is not yet acknowledged, or is still latched."""
    RESET = "reset"
    """The trip was reset by its own rule."""
    CLEARED = "cleared"
    """Back to normal."""
    SHELVED = "shelved"
    UNSHELVED = "unshelved"


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One step in the life of one alarm."""

    stamp: Stamp
    reservoir: str
    alarm: AlarmId
    change: AlarmChange
    sentence: str
    sender: str = ""
    """Who acknowledged, reset or shelved the alarm; empty for the bridge itself."""
    first_out: bool = False
    """True if this trip was the first one."""


@dataclass(frozen=True, slots=True)
class CommandRow:
    """A command and its result."""

    stamp: Stamp
    reservoir: str
    what: str
    sender: str
    accepted: bool
    refusal: str = ""
    """The reason of a refusal, as a sentence; empty if the command was accepted."""


@dataclass(frozen=True, slots=True)
class CartridgeRow:
    """A cartridge or membrane was changed. The figures are those of the old one."""

    stamp: Stamp
    reservoir: str
    name: str
    """The name of the new one."""
    treated_l: float | None
    """The product that the old one made."""
    load_g: float | None
    """The dissolved solids that the old one took up."""
    sender: str = ""
    exhausted: bool | None = None
    """True if the product of the old one was over the limit; None in rows of a version without this field."""
    at_ms: int | None = None
    """As in :class:`SampleRow`."""


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """A cell was calibrated in a standard solution."""

    stamp: Stamp
    reservoir: str
    cell: str
    """``product`` or ``feed``."""
    cell_constant_per_cm: float
    offset_us: float
    standard_us_cm: float
    """The conductivity of the standard at ``temperature_c``."""
    temperature_c: float
    uncertainty_percent: float
    """The expanded uncertainty (k = 2) of the cell constant."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class SampleRow:
    """A reading taken by hand."""

    stamp: Stamp
    reservoir: str
    of: str
    """``rain``, ``jug``, ``tray``, ``feed``, ``reservoir`` or a name that the user chose."""
    conductivity_25_us_cm: float
    dissolved_solids_ppm: float
    uncertainty_ppm: float
    factor: float
    temperature_c: float | None
    method: str
    verdict: str
    note: str = ""
    at_ms: int | None = None
    """The time of the sample, UTC, if a person entered it later. None if it was entered at once. See
    :func:`when_ms`."""
    meter: str = ""
    """The id of the hand meter, ``usual`` for one that the configuration does not have, empty without one."""
    meter_uncertainty_ppm: float | None = None
    """The part of ``uncertainty_ppm`` that all samples with this meter share (k = 2)."""
    below_resolution: bool = False
    """True if the meter showed 0, which is less than half a digit."""


@dataclass(frozen=True, slots=True)
class UndoRow:
    """An earlier entry was taken back. The entry stays in the log, and nothing counts it any more."""

    stamp: Stamp
    reservoir: str
    kind: str
    """The kind of the entry, a value of :class:`Kind`."""
    undone_ms: int
    """The UTC of the entry's stamp. With its kind and its reservoir it identifies the entry."""
    note: str = ""


class Litres(Enum):
    """The meaning of litres that a person enters."""

    MADE = "made"
    """Made by a purifier that is kept by hand."""
    PUT = "put"
    """Put on the shelf: bought, or filled elsewhere."""
    TAKEN = "taken"
    """Taken from the shelf."""
    LEFT = "left"
    """Counted as left on the shelf."""
    GIVEN = "given"
    """Poured into a tray."""
    FILLED = "filled"
    """Needed to fill a tray to its mark."""
    FLUSHED = "flushed"
    """Poured through a tray."""
    EXCHANGED = "exchanged"
    """Tipped out of a tray and replaced."""


@dataclass(frozen=True, slots=True)
class LitresRow:
    """Litres that a person entered. ``reservoir`` is the purifier or shelf kept by hand, or the tray."""

    stamp: Stamp
    reservoir: str
    what: Litres
    litres: float
    note: str = ""
    at_ms: int | None = None
    """As in :class:`SampleRow`."""


@dataclass(frozen=True, slots=True)
class FillRow:
    """A fill that has ended."""

    stamp: Stamp
    """Usually the end of the fill."""
    reservoir: str
    started_ms: int
    """The start, UTC."""
    volume_l: float | None
    rinse_l: float | None
    mean_ppm: float | None
    end: str
    """The reason of the end: ``full``, ``trip``, ``stop``, ``interrupted``."""
    ended_ms: int | None = None
    """The end, UTC, if the row was made later, after a kill or a power cut; None if the stamp is the end."""


@dataclass(frozen=True, slots=True)
class ForecastRow:
    """The forecast of a purifier and of the stored water. None if too little is known."""

    stamp: Stamp
    reservoir: str
    left_l: float | None
    """Product that can be made before it crosses the limit: the median."""
    left_low_l: float | None
    left_high_l: float | None
    left_days: float | None
    left_low_days: float | None
    left_high_days: float | None
    order_now: bool | None
    cover_days: float | None
    """How long the water in the reservoir lasts without inflow."""
    rests_on: str = ""
    """The basis of the figures."""


@dataclass(frozen=True, slots=True)
class MinuteRow:
    """One closed minute of one reservoir. The hours are computed from the minutes."""

    reservoir: str
    bucket: Bucket


@dataclass(frozen=True, slots=True)
class StateRow:
    """Saved state that a restart needs. A later row with the same key replaces it."""

    key: str
    version: int
    """The version of the layout of the JSON text."""
    text: str


EntryRow = (
    EventRow
    | AlarmRow
    | CommandRow
    | CartridgeRow
    | CalibrationRow
    | SampleRow
    | LitresRow
    | FillRow
    | ForecastRow
    | UndoRow
)
"""Every row that has a stamp and is not a reading."""

StampedRow = ReadingRow | EntryRow
"""Every row that is sent to the hub's log."""

Row = StampedRow | MinuteRow | StateRow


class Kind(Enum):
    """The kinds of entry. The value is the name of the table, also in exports."""

    EVENT = "event"
    ALARM = "alarm"
    COMMAND = "command"
    CARTRIDGE = "cartridge"
    CALIBRATION = "calibration"
    SAMPLE = "sample"
    LITRES = "litres"
    FILL = "fill"
    FORECAST = "forecast"
    UNDO = "undo"


CLASSES: dict[Kind, type[EntryRow]] = {
    Kind.EVENT: EventRow,
    Kind.ALARM: AlarmRow,
    Kind.COMMAND: CommandRow,
    Kind.CARTRIDGE: CartridgeRow,
    Kind.CALIBRATION: CalibrationRow,
    Kind.SAMPLE: SampleRow,
    Kind.LITRES: LitresRow,
    Kind.FILL: FillRow,
    Kind.FORECAST: ForecastRow,
    Kind.UNDO: UndoRow,
}
KINDS = {row_class: kind for kind, row_class in CLASSES.items()}


def alarm_from(word: str) -> AlarmId:
    """Return the trip or advisory with an id.

    Raises:
        ValueError: there is no such id.
    """
    try:
        return Trip(word)
    except ValueError:
        return Advisory(word)


def details(row: EntryRow) -> dict[str, Any]:
    """Return the fields of an entry as JSON values, without its stamp and reservoir."""
    out: dict[str, Any] = {}
    for field in fields(row):
        if field.name in ("stamp", "reservoir"):
            continue
        value = getattr(row, field.name)
        out[field.name] = value.value if isinstance(value, Enum) else value
    return out


def when_ms(row: EntryRow) -> int:
    """Return the UTC of the entry itself: ``at_ms`` or ``ended_ms`` if given, else the stamp."""
    match row:
        case SampleRow(at_ms=int(at_ms)) | LitresRow(at_ms=int(at_ms)) | CartridgeRow(at_ms=int(at_ms)):
            return at_ms
        case FillRow(ended_ms=int(ended_ms)):
            return ended_ms
    return row.stamp.utc_ms
