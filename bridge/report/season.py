"""The report of one reservoir as a value: everything that the page shows. Core.

The facts of a reservoir come from the configuration. If there is only a log, they come from the state that
the daemon saved in it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from bridge.daemon.saved_state import StoredWater
from bridge.estimate.verdict import LIMIT_PPM, default_target_ppm
from bridge.forecast import cartridges
from bridge.forecast.learned import Kept
from bridge.guard.model import Trip
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    Bucket,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    FillRow,
    SampleRow,
    Series,
    when_ms,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS
from bridge.report.backtest import Backtest, Costs, backtest, costs
from bridge.report.curves import CartridgeHistory, cartridge_histories, past_points
from bridge.report.incidents import Incident, incidents
from bridge.report.water import (
    Flow,
    Gap,
    Grain,
    Local,
    Period,
    Production,
    Quality,
    gaps,
    grain_for,
    period_of,
    periods,
    production,
    quality,
)
from bridge.station.plan import CalibrationInForce, CartridgePlan, StationPlan
from bridge.trays.round import Unexplained
from bridge.water.measurement import DEFAULT_FACTOR


@dataclass(frozen=True, slots=True)
class Facts:
    """The facts of one reservoir that are not in its log rows."""

    reservoir: str
    name: str
    limit_ppm: float
    target_ppm: float
    factor: float
    """The scale of every ppm: ppm for each µS/cm at 25 °C."""
    volume_known: bool
    """False with switches only and no flow sensor: then litres are counted from mark to mark."""
    cartridge: CartridgePlan | None
    feed_ppm: float | None = None
    """The feed, ppm, where the log has none."""
    in_force: tuple[tuple[str, CalibrationInForce], ...] = ()
    """For each cell, the calibration of its present constant."""
    assumptions: tuple[str, ...] = ()
    """Values assumed for lack of a source, as sentences."""
    water: StoredWater | None = None
    """The water of the reservoir at the end of the log."""


def from_plan(plan: StationPlan) -> Facts:
    """Return the facts of a configured reservoir."""
    identity = plan.identity
    cells = (("product", plan.product), ("feed", plan.feed))
    return Facts(
        identity.reservoir,
        identity.name,
        identity.limit_ppm,
        identity.target_ppm,
        identity.factor,
        volume_known=identity.has_volume or plan.litres_per_pulse is not None,
        cartridge=plan.cartridge,
        feed_ppm=plan.feed_ppm,
        in_force=tuple(
            (cell, probe.calibration)
            for cell, probe in cells
            if probe is not None and probe.calibration is not None
        ),
    )


def from_log(reservoir: str, kept: Kept | None, hours: Iterable[Bucket]) -> Facts:
    """Return the facts of a reservoir without a configuration.

    Args:
        reservoir: The reservoir's identifier.
        kept: The forecast that the daemon saved, which has limit and cartridge.
        hours: Hourly means, which show the scale and whether the volume is measured.

    Returns:
        The facts, with a sentence for each assumption.
    """
    limit_ppm = LIMIT_PPM if kept is None else kept.limit_ppm
    target_ppm = default_target_ppm(limit_ppm)
    factor, volume_known = None, False
    for bucket in hours:
        volume_known = volume_known or bucket.cells[Series.VOLUME] is not None
        ppm, us_cm = bucket.cells[Series.PRODUCT_PPM], bucket.cells[Series.CONDUCTIVITY_25]
        if factor is None and ppm is not None and us_cm is not None and us_cm.mean > 0.0:
            factor = round(ppm.mean / us_cm.mean, 3)
        if factor is not None and volume_known:
            break
    assumptions = [f"The target is assumed to be {target_ppm:g} ppm: no configuration was given."]
    if kept is None:
        assumptions.append(f"The limit is assumed to be {limit_ppm:g} ppm: it is not in the log.")
    if factor is None:
        factor = DEFAULT_FACTOR
        assumptions.append(f"The scale is assumed to be {factor:g} ppm per µS/cm: the log does not show it.")
    return Facts(
        reservoir,
        reservoir.replace("-", " ").capitalize(),
        limit_ppm,
        target_ppm,
        factor,
        volume_known,
        None if kept is None else kept.fitted,
        None if kept is None else kept.feed_ppm,
        assumptions=tuple(assumptions),
    )


@dataclass(frozen=True, slots=True)
class LogData:
    """The data of one reservoir from the log."""

    start_ms: int
    end_ms: int
    hours: tuple[Bucket, ...]
    mixed: tuple[Bucket, ...]
    """The same, with minutes in place of each hour with flow, as far as the log still has them."""
    entries: tuple[EntryRow, ...]
    """Entries within the report."""
    before: tuple[EntryRow, ...]
    """Changes of a cartridge and calibrations before the report."""
    past: tuple[tuple[Bucket, ...], ...]
    """Hours of some days before the report, since the cartridge then in use was fitted."""


@dataclass(frozen=True, slots=True)
class PeriodRow:
    """One month, week or day."""

    period: Period
    covered_h: float
    """Hours with readings in the log."""
    litres: float
    quality: Quality | None
    fills: int
    fills_cut: int
    """Fills that ended before the reservoir was full."""
    fill_l: float | None
    """Litres of all fills, if the volume is measured."""
    fill_minutes: float | None
    """Median length of a fill."""

    @property
    def litres_a_day(self) -> float | None:
        """Litres made a day, over the hours with readings."""
        return self.litres / self.covered_h * 24.0 if self.covered_h > 0.0 else None


@dataclass(frozen=True, slots=True)
class Held:
    """The water of the reservoir over the season, by the bridge's estimate: what the plants got, ppm."""

    median_ppm: float
    highest_ppm: float


@dataclass(frozen=True, slots=True)
class Given:
    """The litres that left the reservoir, against those that were entered for trays."""

    since_ms: int
    """The first entry, or the start of the report."""
    compared: Unexplained


@dataclass(frozen=True, slots=True)
class Season:
    """The report of one reservoir."""

    facts: Facts
    start_ms: int
    end_ms: int
    grain: Grain
    rows: tuple[PeriodRow, ...]
    litres: float
    covered_h: float
    quality: Quality | None
    coarse_hours: int
    """Hours with flow of which the log no longer has minutes."""
    gaps: tuple[Gap, ...]
    incidents: tuple[Incident, ...]
    cartridges: tuple[CartridgeHistory, ...]
    backtests: tuple[Backtest, ...]
    orders_ms: tuple[int, ...]
    """When the alarm to order a cartridge was raised."""
    costs: Costs
    calibrations: tuple[CalibrationRow, ...]
    calibrations_before: tuple[CalibrationRow, ...]
    """The last of each cell before the report."""
    samples: tuple[SampleRow, ...]
    fills: tuple[FillRow, ...]
    reservoir_ppm: Held | None = None
    """None if the log has no estimate of the reservoir."""
    given: Given | None = None
    """None without trays, entries or a measured level."""

    @property
    def trips(self) -> int:
        """Number of trips raised within the report."""
        return sum(one.trip and one.raised_ms is not None for one in self.incidents)


def season(facts: Facts, data: LogData, local: Local) -> Season:
    """Compute the report of one reservoir.

    Args:
        facts: The reservoir's facts.
        data: Its data from the log.
        local: Converts seconds of UTC to local time.

    Returns:
        The report.
    """
    start_ms, end_ms, entries = data.start_ms, data.end_ms, data.entries
    changes = [row for row in entries if isinstance(row, CartridgeRow)]
    before = [row for row in data.before if isinstance(row, CartridgeRow)]
    fills = tuple(row for row in entries if isinstance(row, FillRow))
    alarms = [row for row in entries if isinstance(row, AlarmRow)]
    pieces = production(data.mixed, changes)
    flows = _flows(pieces, data.mixed, fills)
    hours_ms = [one.start_ms for one in data.hours]
    ended = cartridges.history_from(
        [*before, *(row for row in entries if isinstance(row, CartridgeRow | AlarmRow))]
    )
    past = past_points(data.past, facts.feed_ppm)
    histories = cartridge_histories(
        pieces, changes, before, ended.earlier.get(facts.reservoir, ()), past, facts.feed_ppm
    )
    backtests = backtest(facts.cartridge, facts.limit_ppm, histories, hours_ms, _trips_ms(alarms), end_ms)
    grain = grain_for(start_ms, end_ms)
    return Season(
        facts,
        start_ms,
        end_ms,
        grain,
        tuple(_rows(facts, data, pieces, flows, fills, grain, local)),
        sum(one.litres for one in pieces),
        float(len(hours_ms)),
        quality(flows, facts.target_ppm, facts.limit_ppm, facts.volume_known),
        sum(one.span_ms > MINUTE_MS for one in flows),
        tuple(gaps(hours_ms, start_ms, end_ms)),
        tuple(incidents(alarms, [row for row in entries if isinstance(row, CommandRow)])),
        tuple(histories),
        tuple(backtests),
        tuple(
            row.stamp.utc_ms
            for row in alarms
            if row.alarm.value == "order-cartridge" and row.change is AlarmChange.RAISED
        ),
        costs(None if facts.cartridge is None else facts.cartridge.price, backtests),
        tuple(row for row in entries if isinstance(row, CalibrationRow)),
        tuple({row.cell: row for row in data.before if isinstance(row, CalibrationRow)}.values()),
        tuple(sorted((row for row in entries if isinstance(row, SampleRow)), key=when_ms)),
        fills,
        _held(data.hours),
    )


def _held(hours: Sequence[Bucket]) -> Held | None:
    means = [cell.mean for one in hours if (cell := one.cells[Series.RESERVOIR_PPM]) is not None]
    return Held(median(means), max(means)) if means else None


def _flows(pieces: Sequence[Production], buckets: Sequence[Bucket], fills: Sequence[FillRow]) -> list[Flow]:
    """Return every mean with flow: water was made in it, or a fill was running."""
    litres: dict[int, float] = {}
    for one in pieces:
        litres[one.bucket.start_ms] = litres.get(one.bucket.start_ms, 0.0) + one.litres
    spans = [(row.started_ms, row.stamp.utc_ms) for row in fills]
    found = []
    at = 0
    for bucket in buckets:
        product = bucket.cells[Series.PRODUCT_PPM]
        while at < len(spans) and spans[at][1] <= bucket.start_ms:
            at += 1
        filling = at < len(spans) and spans[at][0] < bucket.start_ms + bucket.span_ms
        own_l = litres.get(bucket.start_ms, 0.0)
        if product is not None and (own_l > 0.0 or (filling and bucket.span_ms == MINUTE_MS)):
            found.append(Flow(bucket.start_ms, bucket.span_ms, own_l, product.mean))
    return found


def _rows(
    facts: Facts,
    data: LogData,
    pieces: Sequence[Production],
    flows: Sequence[Flow],
    fills: Sequence[FillRow],
    grain: Grain,
    local: Local,
) -> list[PeriodRow]:
    keys: dict[int, str] = {}

    def key(utc_ms: int) -> str:
        hour = utc_ms // HOUR_MS
        if hour not in keys:
            keys[hour] = period_of(local(hour * HOUR_MS / 1000.0), grain).key
        return keys[hour]

    covered: dict[str, int] = {}
    litres: dict[str, float] = {}
    flowed: dict[str, list[Flow]] = {}
    filled: dict[str, list[FillRow]] = {}
    for bucket in data.hours:
        covered[key(bucket.start_ms)] = covered.get(key(bucket.start_ms), 0) + 1
    for one in pieces:
        at = key(one.bucket.start_ms)
        litres[at] = litres.get(at, 0.0) + one.litres
    for flow in flows:
        flowed.setdefault(key(flow.start_ms), []).append(flow)
    for row in fills:
        filled.setdefault(key(row.stamp.utc_ms), []).append(row)
    rows = []
    for period in periods(data.start_ms, data.end_ms, grain, local):
        own = filled.get(period.key, [])
        volumes = [row.volume_l for row in own if row.volume_l is not None]
        rows.append(
            PeriodRow(
                period,
                float(covered.get(period.key, 0)),
                litres.get(period.key, 0.0),
                quality(flowed.get(period.key, []), facts.target_ppm, facts.limit_ppm, facts.volume_known),
                len(own),
                sum(row.end != "full" for row in own),
                sum(volumes) if volumes else None,
                median([(row.stamp.utc_ms - row.started_ms) / 60_000.0 for row in own]) if own else None,
            )
        )
    return rows


def _trips_ms(alarms: Sequence[AlarmRow]) -> list[int]:
    return [
        row.stamp.utc_ms
        for row in alarms
        if row.alarm is Trip.PRODUCT_OVER_LIMIT and row.change is AlarmChange.RAISED
    ]
