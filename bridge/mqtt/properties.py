"""The table of properties: one row for each value that a reservoir publishes and each command that it takes.

How the datatypes were chosen:

- A quantity is a ``float`` with a unit, written with a fixed number of decimals. The convention allows
  digits, one point, a minus sign and an exponent, but no plus sign, and no NaN.
- A word of a closed set is an ``enum``. The missing permissives and the latched trips are sets, and a set is
  a ``json`` array: an empty one is ``[]``, whereas an empty string is a special case in MQTT.
- An action (start a fill, reset) is a settable ``enum`` that is *not retained*, because the command must not
  be delivered late. A measurement by hand is a settable ``float`` for the same reason.
- Shelving needs an alarm and a time, so it is a ``json`` object with a schema.

The convention has no null. While a value is unknown, its topic is deleted and the description leaves the
property out, so that no controller shows an old number.
"""

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from enum import Enum

from bridge.estimate.reservoir import Basis
from bridge.estimate.verdict import ProductLine, Verdict
from bridge.guard.commands import WeatherQuantity
from bridge.guard.model import Advisory, Flow, Permissive, Phase, Trip
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm
from bridge.trays.ahead import RoundDay


class Datatype(Enum):
    """The datatypes of the convention that are used here."""

    FLOAT = "float"
    INTEGER = "integer"
    BOOLEAN = "boolean"
    STRING = "string"
    ENUM = "enum"
    JSON = "json"


NUMERIC = frozenset({Datatype.FLOAT, Datatype.INTEGER})

HEALTH_WORDS = ("good", "maintenance-required", "out-of-specification", "function-check", "failure")
"""NAMUR NE 107, with "good" before its four classes."""
TRIP_WORDS = tuple(trip.value for trip in Trip)
ALARM_WORDS = TRIP_WORDS + tuple(advisory.value for advisory in Advisory)
NONE, ALL = "none", "all"
SHELVE_MAX_MINUTES = 24 * 60
SAMPLE_MAX_PPM = 10_000
"""The upper end of pocket meters for fresh water; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Property:
    """One row.

    Attributes:
        node: the node's id.
        id: the property's id in its node.
        name: the name that people see.
        datatype: the convention's datatype.
        source: the attribute of ``StationView`` with the value; None if the property has no value.
        unit: the unit of the payload.
        format: the convention's format: a range, the words of an enum, or a JSON schema.
        settable: whether it takes commands.
        retained: whether its value is retained.
        decimals: decimals of a number.
        scale: factor from the attribute's unit to ``unit``.
        dead_band: a change up to this, in the attribute's unit, is not published.
        dead_band_fraction: a change up to this fraction of the value is not published either.
        when_none: the payload for None, if None is a known value, such as "no trip".
        needs: the attribute of ``StationIdentity`` that must be true for the property to exist.
    """

    node: str
    id: str
    name: str
    datatype: Datatype
    source: str | None = None
    unit: str | None = None
    format: str | None = None
    settable: bool = False
    retained: bool = True
    decimals: int = 2
    scale: float = 1.0
    dead_band: float = 0.0
    dead_band_fraction: float = 0.0
    when_none: str | None = None
    needs: str | None = None

    @property
    def path(self) -> str:
        """Node and id, as in the topic."""
        return f"{self.node}/{self.id}"

    def is_fitted(self, identity: StationIdentity) -> bool:
        """Return whether this reservoir has the property."""
        return self.needs is None or bool(getattr(identity, self.needs))

    def payload(self, value: object) -> str | None:
        """Encode a value as the convention requires.

        Returns:
            The payload; None if the value is unknown. A number that is not finite or is below a minimum of 0,
            and a word outside the format, count as unknown: a controller may drop a property that has an
            invalid payload.
        """
        if value is None:
            return self.when_none
        match self.datatype:
            case Datatype.FLOAT | Datatype.INTEGER if isinstance(value, int | float):
                return self._number(value)
            case Datatype.BOOLEAN:
                return "true" if value else "false"
            case Datatype.ENUM:
                return str(value) if str(value) in (self.format or "").split(",") else None
            case Datatype.JSON if isinstance(value, tuple):
                return json.dumps([_plain(item) for item in value], ensure_ascii=False, separators=(",", ":"))
            case _:
                return str(value) or None

    def _number(self, value: float) -> str | None:
        if not math.isfinite(value):
            return None
        rounded = round(value * self.scale, self.decimals) + 0.0
        if rounded < 0.0 and self.format is not None and self.format.startswith("0:"):
            return None
        return str(int(rounded)) if self.datatype is Datatype.INTEGER else f"{rounded:.{self.decimals}f}"


def _plain(item: object) -> object:
    if isinstance(item, RoundDay):
        return asdict(item)
    if isinstance(item, ActiveAlarm):
        return {"alarm": item.alarm, "state": item.state, "shelved": item.shelved}
    return item


def _words(words: Iterable[str]) -> str:
    return ",".join(words)


def _set_of(words: Iterable[str]) -> str:
    return json.dumps({"type": "array", "items": {"type": "string", "enum": list(words)}})


SHELVE_SCHEMA = json.dumps(
    {
        "type": "object",
        "properties": {
            "alarm": {"type": "string", "enum": list(ALARM_WORDS)},
            "minutes": {"type": "number", "minimum": 0, "maximum": SHELVE_MAX_MINUTES},
        },
        "required": ["alarm", "minutes"],
        "additionalProperties": False,
    }
)
_ALARM_SCHEMA = json.dumps(
    {
        "type": "array",
        "items": {
            "type": "object",
            "properties": {
                "alarm": {"type": "string", "enum": list(ALARM_WORDS)},
                "state": {"type": "string"},
                "shelved": {"type": "boolean"},
            },
            "required": ["alarm", "state", "shelved"],
        },
    }
)
_ROUND_SCHEMA = json.dumps(
    {
        "type": "array",
        "items": {
            "type": "object",
            "properties": {
                "day": {"type": "string"},
                "litres": {"type": "number"},
                "trays": {"type": "array", "items": {"type": "string"}},
                "flushes": {"type": "array", "items": {"type": "string"}},
            },
            "required": ["day", "litres", "trays", "flushes"],
        },
    }
)

_F, _I, _B = Datatype.FLOAT, Datatype.INTEGER, Datatype.BOOLEAN
_S, _E, _J = Datatype.STRING, Datatype.ENUM, Datatype.JSON
_PRODUCT_STATES = _words(line.value for line in ProductLine)
_VERDICTS = _words(verdict.value for verdict in Verdict)
_FLOWS = _words(flow.value for flow in Flow)
_HEALTH = _words(HEALTH_WORDS)
_FEED, _CHECK, _VOLUME, _FORECAST = "has_feed_probe", "has_check_cell", "has_volume", "has_forecast"
_TRAYS, _WEATHER = "has_trays", "needs_weather"
_OF_PUREST = 4
"""Decimals of ppm in which the uncertainty of the purest water, 0.0011 ppm, still has its two digits."""

NODES = {
    "product": "Product water",
    "feed": "Feed water",
    "check": "Check cell",
    "reservoir": "Reservoir",
    "valve": "Valve",
    "fill": "Fill",
    "purifier": "Purifier",
    "health": "Health",
    "weather": "Weather",
    "round": "Watering round",
}


def _conductivity(node: str, source: str, needs: str | None = None) -> Property:
    """From 0.055 (pure) to thousands (tap) µS/cm: hence a dead band that grows with the value."""
    return Property(
        node,
        "conductivity",
        "Conductivity at 25 °C",
        _F,
        source,
        "µS/cm",
        "0:",
        decimals=3,
        dead_band=0.02,
        dead_band_fraction=0.01,
        needs=needs,
    )


def _ppm(
    node: str,
    id_: str,
    name: str,
    source: str,
    band: float = 0.1,
    needs: str | None = None,
    decimals: int = 2,
) -> Property:
    return Property(
        node, id_, name, _F, source, "ppm", "0:", decimals=decimals, dead_band=band, dead_band_fraction=0.01,
        needs=needs,
    )  # fmt: skip


def _temperature(node: str, source: str, needs: str | None = None) -> Property:
    return Property(node, "temperature", "Temperature", _F, source, "°C", None, dead_band=0.1, needs=needs)


def _litres(node: str, id_: str, name: str, source: str, needs: str | None = None) -> Property:
    return Property(
        node, id_, name, _F, source, "L", "0:", dead_band=0.2, dead_band_fraction=0.001, needs=needs
    )


def _days(node: str, id_: str, name: str, source: str, needs: str) -> Property:
    return Property(
        node, id_, name, _F, source, "d", "0:", decimals=1, dead_band=0.2, dead_band_fraction=0.02,
        needs=needs,
    )  # fmt: skip


def _by_hand(node: str, id_: str, name: str) -> Property:
    return Property(node, id_, name, _F, None, "ppm", f"0:{SAMPLE_MAX_PPM}", settable=True, retained=False)


def _action(node: str, id_: str, name: str, words: Iterable[str]) -> Property:
    return Property(node, id_, name, _E, None, None, _words(words), settable=True, retained=False)


WEATHER_RANGES: dict[WeatherQuantity, tuple[float, float]] = {
    WeatherQuantity.TEMPERATURE: (-60.0, 60.0),
    WeatherQuantity.HUMIDITY: (0.0, 100.0),
    WeatherQuantity.RADIATION: (0.0, 1500.0),
    WeatherQuantity.WIND: (0.0, 75.0),
    WeatherQuantity.RAIN: (0.0, 2000.0),
}
"""What a garden can have, in the unit of the quantity."""


def _weather(quantity: WeatherQuantity, name: str) -> Property:
    least, most = WEATHER_RANGES[quantity]
    span = f"{least:g}:{most:g}"
    return Property(
        "weather", quantity.word, name, _F, None, quantity.unit, span, settable=True, retained=False,
        needs=_WEATHER,
    )  # fmt: skip


PROPERTIES: tuple[Property, ...] = (
    _conductivity("product", "product_conductivity_25_us_cm"),
    _ppm("product", "ppm", "Dissolved solids", "product_ppm", decimals=_OF_PUREST),
    # It has two digits, and a tenth of it says as much of pure water as of tap water.
    Property(
        "product", "uncertainty", "Expanded uncertainty (k = 2)", _F, "product_uncertainty_ppm", "ppm", "0:",
        decimals=_OF_PUREST, dead_band_fraction=0.1,
    ),
    _temperature("product", "product_temperature_c"),
    Property("product", "health", "Probe health", _E, "product_health", None, _HEALTH),
    Property("product", "state", "State of the product", _E, "product_state", None, _PRODUCT_STATES),
    Property(
        "product", "verdict", "Verdict on product that flows", _E, "product_verdict", None, _VERDICTS,
    ),
    Property("product", "limit", "Limit", _F, "identity.limit_ppm", "ppm", "0:"),
    Property("product", "target", "Target", _F, "identity.target_ppm", "ppm", "0:"),
    Property(
        "product", "factor", "Scale of every ppm", _F, "identity.factor", "ppm per µS/cm", "0:", decimals=3,
    ),
    _by_hand("product", "retest", "Retest of the product by hand"),
    _conductivity("feed", "feed_conductivity_25_us_cm", _FEED),
    _ppm("feed", "ppm", "Dissolved solids", "feed_ppm", 1.0, _FEED),
    _temperature("feed", "feed_temperature_c", _FEED),
    Property("feed", "health", "Probe health", _E, "feed_health", None, _HEALTH, needs=_FEED),
    _conductivity("check", "check_conductivity_25_us_cm", _CHECK),
    _ppm("check", "ppm", "Dissolved solids", "check_ppm", needs=_CHECK, decimals=_OF_PUREST),
    Property(
        "check", "difference", "Difference from the product cell", _F, "check_difference_percent", "%",
        decimals=1, dead_band=0.5, needs=_CHECK,
    ),
    _temperature("check", "check_temperature_c", _CHECK),
    Property("check", "health", "Probe health", _E, "check_health", None, _HEALTH, needs=_CHECK),
    _litres("reservoir", "volume", "Volume", "volume_l", _VOLUME),
    Property(
        "reservoir", "level", "Level", _F, "level_fraction", "%", None, decimals=1, scale=100.0,
        dead_band=0.002, needs=_VOLUME,
    ),
    Property("reservoir", "capacity", "Capacity", _F, "identity.capacity_l", "L", "0:", decimals=1),
    Property("reservoir", "zone", "Zone", _E, "zone", None, "low,middle,full,unknown"),
    Property("reservoir", "health", "Level sensor health", _E, "level_health", None, _HEALTH),
    Property("reservoir", "overflow", "Overflow float", _B, "overflow", None, "down,up"),
    Property(
        "reservoir", "verdict", "Verdict on the stored water", _E, "reservoir_verdict", None, _VERDICTS,
    ),
    _ppm("reservoir", "ppm", "Dissolved solids by the estimate", "reservoir_ppm"),
    Property(
        "reservoir", "uncertainty", "Expanded uncertainty (k = 2)", _F, "reservoir_uncertainty_ppm", "ppm",
        "0:", dead_band_fraction=0.1,
    ),
    Property(
        "reservoir", "over-limit", "Probability of being over the limit", _F,
        "reservoir_over_limit_probability", "%", "0:", decimals=1, scale=100.0, dead_band=0.005,
        dead_band_fraction=0.05,
    ),
    Property(
        "reservoir", "basis", "Evidence for the dissolved solids", _E, "reservoir_basis", None,
        _words(basis.value for basis in Basis),
    ),
    Property("reservoir", "sampled", "Last sample", _S, "reservoir_sampled", when_none=NONE),
    _days("reservoir", "days-of-cover", "Days of cover", "cover_days", _VOLUME),
    _days("reservoir", "days-of-cover-low", "Days of cover, 80 % low", "cover_low_days", _VOLUME),
    _days("reservoir", "days-of-cover-high", "Days of cover, 80 % high", "cover_high_days", _VOLUME),
    _by_hand("reservoir", "sample", "Sample of the reservoir by hand"),
    Property("valve", "decided", "Decided", _E, "valve_decided", None, _FLOWS),
    Property("valve", "reported", "Reported", _E, "valve_reported", None, f"{_FLOWS},unknown"),
    Property(
        "valve", "missing", "Missing permissives", _J, "missing_permissives", None,
        _set_of(permissive.value for permissive in Permissive),
    ),
    Property("valve", "hold", "Hold filling", _B, "hold", None, "released,held", settable=True),
    Property("fill", "phase", "Phase", _E, "phase", None, _words(phase.value for phase in Phase)),
    _litres("fill", "volume", "Volume of this fill", "fill_volume_l", _VOLUME),
    Property(
        "fill", "elapsed", "Time of this fill", _F, "fill_elapsed_s", "s", "0:", decimals=0, dead_band=9.5,
    ),
    _litres("fill", "volume-today", "Volume filled today", "volume_today_l", _VOLUME),
    _action("fill", "start", "Start a fill", ("start",)),
    _litres("purifier", "treated", "Water treated", "purifier_treated_l"),
    Property(
        "purifier", "load", "Load taken up", _F, "purifier_load_g", "g", "0:", dead_band=0.1,
        dead_band_fraction=0.001,
    ),
    Property(
        "purifier", "rejection", "Rejection", _F, "rejection_percent", "%", None, decimals=1, dead_band=0.2,
        needs=_FEED,
    ),
    _litres("purifier", "litres-left", "Litres left, median", "litres_left", _FORECAST),
    _days("purifier", "days-left", "Days left, median", "days_left", _FORECAST),
    _days("purifier", "days-left-low", "Days left, 80 % low", "days_left_low", _FORECAST),
    _days("purifier", "days-left-high", "Days left, 80 % high", "days_left_high", _FORECAST),
    Property(
        "purifier", "order-now", "Order the next cartridge", _B, "order_now", None, "not-yet,now",
        needs=_FORECAST,
    ),
    _action("purifier", "cartridge-changed", "A new cartridge or membrane is in", ("changed",)),
    Property("health", "status", "The worst of everything", _E, "health", None, _HEALTH),
    Property("health", "link", "Link to the controller", _B, "link_up", None, "down,up"),
    Property(
        "health", "first-out", "First-out trip", _E, "first_out", None, _words((NONE, *TRIP_WORDS)),
        when_none=NONE,
    ),
    Property("health", "trips", "Latched trips", _J, "latched_trips", None, _set_of(TRIP_WORDS)),
    Property("health", "alarms", "Alarms, shelved ones too", _J, "alarms", None, _ALARM_SCHEMA),
    Property("health", "frames-good", "Good frames", _I, "frames_good", "#", "0:", dead_band=999),
    Property("health", "frames-damaged", "Damaged frames", _I, "frames_damaged", "#", "0:"),
    Property("health", "controller", "Controller", _S, "controller"),
    Property("health", "last-reading", "Last reading before a loss", _S, "last_reading", when_none=NONE),
    _action("health", "acknowledge", "Acknowledge an alarm", (ALL, *ALARM_WORDS)),
    _action("health", "reset", "Reset a trip", (ALL, *TRIP_WORDS)),
    Property(
        "health", "shelve", "Shelve an alarm", _J, None, None, SHELVE_SCHEMA, settable=True, retained=False,
    ),
    _weather(WeatherQuantity.TEMPERATURE, "Temperature of the air"),
    _weather(WeatherQuantity.HUMIDITY, "Relative humidity of the air"),
    _weather(WeatherQuantity.RADIATION, "Solar radiation"),
    _weather(WeatherQuantity.WIND, "Wind at 2 m"),
    _weather(WeatherQuantity.RAIN, "Rain of the day so far"),
    Property("round", "date", "Day of the round", _S, "round_date", needs=_TRAYS),
    Property("round", "trays", "Trays that are due", _I, "round_trays", "#", "0:", needs=_TRAYS),
    Property("round", "flushes", "Flushes that are due", _I, "round_flushes", "#", "0:", needs=_TRAYS),
    Property(
        "round", "litres", "Litres to give today", _F, "round_litres", "L", "0:", decimals=1, needs=_TRAYS,
    ),
    Property(
        "round", "days-until-flush", "Days until the next flush", _I, "round_flush_days", "d", "0:",
        needs=_TRAYS,
    ),
    Property("round", "summary", "The round in sentences", _S, "round_summary", needs=_TRAYS),
    Property(
        "round", "ahead", "The rounds of the next days", _J, "round_ahead", None, _ROUND_SCHEMA, needs=_TRAYS
    ),
)  # fmt: skip
"""Every property there can be, in the order in which it is shown."""
