"""All values of the reservoirs as OpenMetrics text, for programs that collect numbers over time. Core.

Names and units follow OpenMetrics 1.0 (prometheus.io/docs/specs/om/open_metrics_spec) and the base units of
its naming practice (prometheus.io/docs/practices/naming): seconds, grams, ratios instead of per cent, and SI
units where it names none, so S/m and m³. Two units are exceptions: degrees Celsius, which that practice
names, and ppm, which here is not a ratio of masses but the reservoir's scale times its conductivity.

An unknown value has no sample. OpenMetrics forbids NaN as a marker for missing data, and a 0 would mean
perfectly pure water.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter

from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from bridge.guard.model import Permissive
from bridge.mqtt.properties import ALARM_WORDS, PROPERTIES, TRIP_WORDS
from bridge.station.view import StationView

CONTENT_TYPE: str = CONTENT_TYPE_LATEST
"""The media type of `exposition`."""
_DAY_S = 86_400.0
_US_CM_PER_S_M = 1e4
_L_PER_M3 = 1e3


@dataclass(frozen=True, slots=True)
class _Gauge:
    """A number of a view; the attribute is divided by ``over`` to give ``unit``."""

    name: str
    unit: str
    help: str
    source: str
    over: float = 1.0


@dataclass(frozen=True, slots=True)
class _Interval:
    """An estimate in days with the two ends of its 80 % interval."""

    name: str
    help: str
    low: str
    median: str
    high: str


@dataclass(frozen=True, slots=True)
class _States:
    """Words of a closed set, of which one applies, or several if the source is a tuple."""

    name: str
    help: str
    source: str
    words: tuple[str, ...]
    needs: str | None = None
    """The attribute of ``StationIdentity`` that must be true for the metric to exist."""


def _us_cm(name: str, help_: str, source: str) -> _Gauge:
    return _Gauge(name, "siemens_per_meter", help_, source, over=_US_CM_PER_S_M)


def _ppm(name: str, help_: str, source: str) -> _Gauge:
    return _Gauge(name, "ppm", help_, source)


def _litres(name: str, help_: str, source: str) -> _Gauge:
    return _Gauge(name, "cubic_meters", help_, source, over=_L_PER_M3)


_ROWS = {row.path: row for row in PROPERTIES}


def _words_of(name: str, help_: str, path: str) -> _States:
    """Make the metric of a hub's property with a closed set of words."""
    row = _ROWS[path]
    return _States(name, help_, str(row.source), tuple(str(row.format).split(",")), row.needs)


_GAUGES = (
    _us_cm("product_conductivity", "Product water at 25 °C.", "product_conductivity_25_us_cm"),
    _ppm("product_dissolved_solids", "Product water, on the reservoir's scale.", "product_ppm"),
    _ppm(
        "product_dissolved_solids_uncertainty",
        "Expanded uncertainty (k = 2) of the product's dissolved solids.",
        "product_uncertainty_ppm",
    ),
    _Gauge("product_temperature", "celsius", "Product water.", "product_temperature_c"),
    _ppm("product_limit", "Water at or over this is unfit; on the reservoir's scale.", "identity.limit_ppm"),
    _ppm("product_target", "Water is better under this; on the reservoir's scale.", "identity.target_ppm"),
    _Gauge("scale_factor", "", "ppm for each µS/cm at 25 °C: the scale of every ppm.", "identity.factor"),
    _us_cm("feed_conductivity", "Feed water at 25 °C.", "feed_conductivity_25_us_cm"),
    _ppm("feed_dissolved_solids", "Feed water, on the reservoir's scale.", "feed_ppm"),
    _Gauge("feed_temperature", "celsius", "Feed water.", "feed_temperature_c"),
    _us_cm("check_conductivity", "Product water at 25 °C, by the check cell.", "check_conductivity_25_us_cm"),
    _ppm("check_dissolved_solids", "Product water, by the check cell.", "check_ppm"),
    _Gauge("check_temperature", "celsius", "Product water, by the check cell.", "check_temperature_c"),
    _Gauge(
        "check_difference", "ratio", "The check cell less the product cell.", "check_difference_percent",
        100.0,
    ),
    _litres("reservoir_volume", "Water in the reservoir.", "volume_l"),
    _litres("reservoir_capacity", "Capacity of the reservoir.", "identity.capacity_l"),
    _Gauge("reservoir_level", "ratio", "Water in the reservoir as a part of its capacity.", "level_fraction"),
    _ppm("reservoir_dissolved_solids", "By the estimate, on the reservoir's scale.", "reservoir_ppm"),
    _ppm(
        "reservoir_dissolved_solids_uncertainty",
        "Expanded uncertainty (k = 2) of the reservoir's dissolved solids.",
        "reservoir_uncertainty_ppm",
    ),
    _Gauge(
        "reservoir_over_limit", "ratio", "Probability of being over the limit.",
        "reservoir_over_limit_probability",
    ),
    _Gauge("overflow_float_up", "", "1 while the overflow float is up.", "overflow"),
    _Gauge("hold", "", "1 while filling is held by a person.", "hold"),
    _Gauge("link_up", "", "1 while the controller answers.", "link_up"),
    _litres("fill_volume", "Volume of this fill.", "fill_volume_l"),
    _Gauge("fill_elapsed", "seconds", "Time of this fill.", "fill_elapsed_s"),
    _litres("fill_volume_today", "Volume filled today.", "volume_today_l"),
    _litres("purifier_treated", "Water made since the cartridge was changed.", "purifier_treated_l"),
    _Gauge("purifier_load", "grams", "Dissolved solids taken up since the change.", "purifier_load_g"),
    _Gauge("purifier_rejection", "ratio", "Part of the feed's solids held back.", "rejection_percent", 100.0),
    _litres("purifier_remaining", "Product until the purifier is exhausted, median.", "litres_left"),
    _Gauge("purifier_order_now", "", "1 when it is time to order the next cartridge.", "order_now"),
    _Gauge("round_trays", "", "Trays that need water, a flush or a sample today.", "round_trays"),
    _Gauge("round_flushes", "", "Trays that need a flush today.", "round_flushes"),
    _litres("round_volume", "Water to give today, with that of the flushes.", "round_litres"),
    _Gauge("round_flush_wait", "seconds", "Time until the next flush.", "round_flush_days", 1.0 / 86_400.0),
)  # fmt: skip
_INTERVALS = (
    _Interval(
        "purifier_remaining_time",
        "Time until the purifier is exhausted: median, and the ends of the 80 % interval.",
        *("days_left_low", "days_left", "days_left_high"),
    ),
    _Interval(
        "reservoir_cover",
        "How long the reservoir lasts without a fill: median, and the ends of the 80 % interval.",
        *("cover_low_days", "cover_days", "cover_high_days"),
    ),
)
_STATES = (
    _words_of("verdict", "Whether the stored water may be used for the plants.", "reservoir/verdict"),
    _words_of("reservoir_basis", "The evidence for the reservoir's dissolved solids.", "reservoir/basis"),
    _words_of("product_verdict", "The verdict on product that flows.", "product/verdict"),
    _words_of("product_state", "State of the product; standing water is not judged.", "product/state"),
    _words_of("product_probe_health", "Product probe, in the words of NAMUR NE 107.", "product/health"),
    _words_of("feed_probe_health", "Feed probe, in the words of NAMUR NE 107.", "feed/health"),
    _words_of("check_cell_health", "Check cell, in the words of NAMUR NE 107.", "check/health"),
    _words_of("level_health", "Level sensor, in the words of NAMUR NE 107.", "reservoir/health"),
    _words_of("health", "The worst of everything, in the words of NAMUR NE 107.", "health/status"),
    _words_of("reservoir_zone", "Zone of the level.", "reservoir/zone"),
    _words_of("valve_decided", "The valve as the guard decided.", "valve/decided"),
    _words_of("valve_reported", "The valve as the controller reports.", "valve/reported"),
    _words_of("fill_phase", "Phase of the fill sequence.", "fill/phase"),
    _States(
        "permissive_missing",
        "Permissives that do not hold; while any is missing the valve stays shut.",
        "missing_permissives",
        tuple(permissive.value for permissive in Permissive),
    ),
    _States("trip_latched", "Trips that are latched.", "latched_trips", TRIP_WORDS),
)
_COUNTERS = (
    ("frames_good", "Good frames from the controller since the start of the bridge.", "frames_good"),
    ("frames_damaged", "Damaged frames from the controller since the start of the bridge.", "frames_damaged"),
)


def exposition(views: Iterable[StationView], version: str) -> bytes:
    """Encode the state of all reservoirs, for one scrape.

    Args:
        views: the latest view of each reservoir.
        version: the bridge's version.

    Returns:
        OpenMetrics 1.0 text in UTF-8, to be sent with `CONTENT_TYPE`.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Views(tuple(views), version))
    text: bytes = generate_latest(registry)
    return text


class _Views(Collector):
    def __init__(self, views: Sequence[StationView], version: str) -> None:
        self._views = {view.identity.reservoir: view for view in views}
        self._version = version

    def collect(self) -> Iterator[Metric]:
        views = self._views
        bridge = InfoMetricFamily("clearwell_bridge", "The bridge.")
        bridge.add_metric((), {"version": self._version})
        yield bridge
        yield _reservoirs(views)
        for gauge in _GAUGES:
            yield _numbers(gauge, views)
        for interval in _INTERVALS:
            yield _interval(interval, views)
        for states in _STATES:
            yield _words(states, views)
        yield from _alarms(views)
        for name, help_, source in _COUNTERS:
            counter = CounterMetricFamily(f"clearwell_{name}", help_, labels=("reservoir",))
            for reservoir, view in views.items():
                counter.add_metric((reservoir,), getattr(view, source))
            yield counter


_Shown = Mapping[str, StationView]


def _reservoirs(views: _Shown) -> Metric:
    family = InfoMetricFamily("clearwell_reservoir", "Its name and its controller.", labels=("reservoir",))
    for reservoir, view in views.items():
        family.add_metric((reservoir,), {"name": view.identity.name, "controller": view.controller})
    return family


def _numbers(gauge: _Gauge, views: _Shown) -> Metric:
    family = GaugeMetricFamily(f"clearwell_{gauge.name}", gauge.help, labels=("reservoir",), unit=gauge.unit)
    value_of = attrgetter(gauge.source)
    for reservoir, view in views.items():
        value = value_of(view)
        if value is not None and math.isfinite(value):
            family.add_metric((reservoir,), value / gauge.over)
    return family


def _interval(interval: _Interval, views: _Shown) -> Metric:
    labels = ("reservoir", "bound")
    family = GaugeMetricFamily(f"clearwell_{interval.name}", interval.help, labels=labels, unit="seconds")
    for reservoir, view in views.items():
        for bound, source in (("low", interval.low), ("median", interval.median), ("high", interval.high)):
            days = getattr(view, source)
            if days is not None and math.isfinite(days):
                family.add_metric((reservoir, bound), days * _DAY_S)
    return family


def _words(states: _States, views: _Shown) -> Metric:
    family = StateSetMetricFamily(f"clearwell_{states.name}", states.help, labels=("reservoir",))
    for reservoir, view in views.items():
        if states.needs is not None and not getattr(view.identity, states.needs):
            continue
        value = getattr(view, states.source)
        true = value if isinstance(value, tuple) else (value,)
        family.add_metric((reservoir,), {word: word in true for word in states.words})
    return family


def _alarms(views: _Shown) -> Iterator[Metric]:
    active = StateSetMetricFamily(
        "clearwell_alarm", "Alarms that are not in their normal state.", labels=("reservoir",)
    )
    shelved = StateSetMetricFamily(
        "clearwell_alarm_shelved", "Alarms that a person has shelved.", labels=("reservoir",)
    )
    for reservoir, view in views.items():
        up = {alarm.alarm for alarm in view.alarms}
        aside = {alarm.alarm for alarm in view.alarms if alarm.shelved}
        active.add_metric((reservoir,), {word: word in up for word in ALARM_WORDS})
        shelved.add_metric((reservoir,), {word: word in aside for word in ALARM_WORDS})
    yield active
    yield shelved
