"""From one raw reading to everything that is known: the arrow from Reading to Assessment.

Core: one call for each reading, a memory in and out, no clock.
"""

from dataclasses import dataclass

from bridge.errors import OutOfRangeError
from bridge.guard.assessment import Assessment
from bridge.guard.words import Advisory, Flow
from bridge.plan import ProbePlan, StationPlan
from bridge.station.inventory import Inflow, Inventory, follow, holding
from bridge.tank import level as tank_level
from bridge.tank.faults import LevelFault
from bridge.tank.level import Level, LevelWatch
from bridge.tank.sender import RawSender
from bridge.water import probe as water_probe
from bridge.water.cell import conductivity_us_cm
from bridge.water.health import Health
from bridge.water.measurement import Measurement, measure
from bridge.water.probe import Circuit, Finding, ProbeState
from bridge.wire.messages import LocalFault, Path, Reading, Unmeasured, Value

_SEEN = {Path.SHUT: Flow.SHUT, Path.FILL: Flow.TO_RESERVOIR, Path.DRAIN: Flow.TO_DRAIN}
_UNSOUND = LocalFault.SELF_TEST | LocalFault.SUPPLY_LOW


@dataclass(frozen=True, slots=True)
class ProbeView:
    """What one probe shows: its value where there is one, and what is wrong with it."""

    measurement: Measurement | None = None
    findings: tuple[Finding, ...] = ()
    health: Health = Health.GOOD


@dataclass(frozen=True, slots=True)
class Memory:
    """What is remembered from one reading to the next."""

    inventory: Inventory
    product: ProbeState = ProbeState()
    feed: ProbeState = ProbeState()
    level: LevelWatch = LevelWatch()
    pulses: int | None = None
    throughput_l: float = 0.0
    feed_ppm: float | None = None
    """The last good feed value, or the last sample of it by hand."""
    over_advice_since: float | None = None
    """Since when product has been over the advised value in a fill without a break."""


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything known at one reading."""

    assessment: Assessment
    product: ProbeView
    feed: ProbeView
    level: Level
    feed_ppm: float | None
    seen: Path
    local: LocalFault


def begin(plan: StationPlan, inventory: Inventory | None = None) -> Memory:
    """The memory before the first reading."""
    return Memory(inventory or Inventory(plan.assumed_ppm))


def assess(
    plan: StationPlan, memory: Memory, reading: Reading, filling: bool, now: float
) -> tuple[Memory, Picture]:
    """Take one reading.

    Args:
        plan: what is fitted, and how it is measured.
        memory: what the last call returned, or :func:`begin`.
        reading: as the controller sent it.
        filling: product flows past its probe, and the rinse is over.
        now: monotonic seconds.
    """
    flowing = reading.path is not Path.SHUT
    feed_state, feed = memory.feed, ProbeView()
    feed_us_cm = None
    if plan.feed is not None:
        feed_us = _number(reading.feed_us)
        feed_state, feed = _probe(
            plan.feed, memory.feed, feed_us, _number(reading.feed_c), now, flowing, Circuit.SOUND, None
        )
        if feed.measurement is not None and feed.health < Health.FUNCTION_CHECK:
            feed_us_cm = feed.measurement.conductivity_us_cm
    product_state, product = _probe(
        plan.product,
        memory.product,
        _number(reading.product_us),
        _number(reading.product_c),
        now,
        flowing,
        _circuit(reading.faults),
        feed_us_cm,
    )
    level_state, level = tank_level.observe(
        plan.level,
        memory.level,
        _sender(reading),
        reading.switch_low,
        reading.switch_full,
        reading.switch_overflow,
        now,
    )
    pulses, throughput_l, pulsed_l = _count(plan, memory, reading.pulses)
    unseen = plan.feed is None and memory.feed_ppm is None
    feed_ppm = plan.feed_ppm if unseen else memory.feed_ppm
    if feed_us_cm is not None and feed.measurement is not None:
        feed_ppm = feed.measurement.dissolved_solids_ppm
    # A failed probe's figure is no figure: nothing is decided on it and nothing is booked with it.
    trusted = product.measurement if product.health < Health.FUNCTION_CHECK else None
    product_ppm = None if trusted is None else trusted.dissolved_solids_ppm
    band_ppm = 0.0 if trusted is None else trusted.expanded_uncertainty_ppm
    inventory = follow(
        plan,
        memory.inventory,
        level,
        Inflow(reading.path, pulsed_l, product_ppm, band_ppm, feed_ppm),
        now,
    )
    over_advice_since = _over_advice(plan, memory.over_advice_since, product, filling, now)
    # A rinse ends at the limit, and what is left of the standing water washes out in the fill.
    advice_exceeded = over_advice_since is not None and now - over_advice_since >= plan.limits.rinse_max_s
    assessment = Assessment(
        frame_at=now,
        product_ppm=product_ppm,
        guard_band_ppm=band_ppm,
        probe=product.health,
        temperature_c=_number(reading.product_c),
        zone=level.zone,
        volume_l=level.volume_l,
        volume_at_least_l=level.volume_at_least_l,
        overflow=True if LocalFault.OVERFLOW_CUT in reading.faults else level.overflow,
        reservoir_ppm=holding(inventory),
        throughput_l=None if plan.litres_per_pulse is None else throughput_l,
        seen=_SEEN[reading.path],
        controller_fault=bool(reading.faults & _UNSOUND),
        advisories=_advisories(plan, reading, product, feed, level, advice_exceeded),
    )
    after = Memory(
        inventory, product_state, feed_state, level_state, pulses, throughput_l, feed_ppm, over_advice_since
    )
    return after, Picture(assessment, product, feed, level, feed_ppm, reading.path, reading.faults)


def _number(value: Value) -> float | None:
    return None if isinstance(value, Unmeasured) else value


def _circuit(faults: LocalFault) -> Circuit:
    if LocalFault.TEMPERATURE_OPEN in faults:
        return Circuit.OPEN
    return Circuit.SHORT if LocalFault.TEMPERATURE_SHORT in faults else Circuit.SOUND


def _sender(reading: Reading) -> RawSender:
    if LocalFault.SENDER_OPEN in reading.faults:
        return LevelFault.SENDER_OPEN
    if LocalFault.SENDER_SHORT in reading.faults:
        return LevelFault.SENDER_SHORT
    return _number(reading.sender)


def _probe(
    plan: ProbePlan,
    state: ProbeState,
    conductance_us: float | None,
    temperature_c: float | None,
    now: float,
    flowing: bool,
    circuit: Circuit,
    feed_us_cm: float | None,
) -> tuple[ProbeState, ProbeView]:
    measurement = None
    conductivity = None if conductance_us is None else conductivity_us_cm(plan.chain.cell, conductance_us)
    if conductance_us is not None and temperature_c is not None:
        try:
            measurement = measure(plan.chain, conductance_us, temperature_c)
        except OutOfRangeError:
            # No value is better than one beyond the method's range; the missing value closes the valve.
            measurement = None
    state, findings = water_probe.observe(
        plan.watch,
        state,
        conductivity,
        temperature_c,
        now,
        feed_us_cm=feed_us_cm,
        flowing=flowing,
        temperature_circuit=circuit,
    )
    health = water_probe.worst(findings)
    if measurement is None and health is Health.GOOD:
        health = Health.OUT_OF_SPECIFICATION
    return state, ProbeView(measurement, findings, health)


def _count(plan: StationPlan, memory: Memory, pulses: int | None) -> tuple[int | None, float, float]:
    """The pulse counter as a volume: it wraps at 2**32, and begins anew when the controller restarts."""
    if plan.litres_per_pulse is None or pulses is None:
        return memory.pulses, memory.throughput_l, 0.0
    if memory.pulses is None:
        return pulses, memory.throughput_l, 0.0
    counted = (pulses - memory.pulses) % 2**32
    if counted > 2**31:
        counted = pulses
    litres = counted * plan.litres_per_pulse
    return pulses, memory.throughput_l + litres, litres


def _over_advice(
    plan: StationPlan, since: float | None, product: ProbeView, filling: bool, now: float
) -> float | None:
    measured = product.measurement
    if not filling or measured is None or measured.dissolved_solids_ppm < plan.limits.advice_ppm:
        return None
    return now if since is None else since


def _advisories(
    plan: StationPlan,
    reading: Reading,
    product: ProbeView,
    feed: ProbeView,
    level: Level,
    advice_exceeded: bool,
) -> frozenset[Advisory]:
    found = set()
    limits = plan.limits
    if advice_exceeded:
        found.add(Advisory.PRODUCT_OVER_ADVICE)
    if Health.GOOD < product.health < Health.FUNCTION_CHECK and product.findings:
        found.add(Advisory.PROBE_MAINTENANCE)
    if feed.health >= Health.FUNCTION_CHECK:
        found.add(Advisory.FEED_PROBE_FAILURE)
    if (
        level.volume_l is not None
        and level.volume_l < 0.5 * plan.level.refill_fraction * plan.identity.capacity_l
    ):
        found.add(Advisory.RESERVOIR_LOW)
    if reading.faults & _UNSOUND:
        found.add(Advisory.CONTROLLER_FAULT)
    celsius = _number(reading.product_c)
    if celsius is not None and not limits.temperature_low_c <= celsius <= limits.temperature_high_c:
        found.add(Advisory.TEMPERATURE_OUT_OF_RANGE)
    return frozenset(found)
