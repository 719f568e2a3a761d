"""From one raw reading to everything that is known: the arrow from Reading to Assessment.

Core: one call for each reading, a memory in and out, no clock. Up to fifty readings come in a second, and
nearly all of them are sound: what only an unsound one needs is asked for behind one cheap question.
"""

from dataclasses import dataclass

from bridge.errors import OutOfRangeError
from bridge.guard.model import SHUT, TO_DRAIN, TO_RESERVOIR, Advisory, Assessment
from bridge.protocol.messages import FAILED, LocalFault, Path, Reading, Value
from bridge.station.inventory import Inventory, follow, holding
from bridge.station.plan import ProbePlan, StationPlan
from bridge.tank import level as tank_level
from bridge.tank.level import Level, LevelWatch
from bridge.tank.level_sensor import LevelFault, RawLevelSensor
from bridge.water import probe as water_probe
from bridge.water.conductivity import Cell, conductivity_us_cm
from bridge.water.health import Health
from bridge.water.measurement import Measurement, measure
from bridge.water.probe import Circuit, Finding, ProbeState

_UNSOUND = LocalFault.SELF_TEST | LocalFault.SUPPLY_LOW
_NO_ADVISORY: frozenset[Advisory] = frozenset()
# In Python 3.11 a member looked up on its enumeration costs six times as much as a name of the module, and a
# dictionary with members for keys calls Python code.
_NO_FAULT, _PATH_SHUT, _PATH_FILL, _SOUND = LocalFault.NONE, Path.SHUT, Path.FILL, Circuit.SOUND
_GOOD, _FUNCTION_CHECK = Health.GOOD, Health.FUNCTION_CHECK


@dataclass(frozen=True, slots=True)
class ProbeView:
    """What one probe shows: its value where there is one, and what is wrong with it."""

    measurement: Measurement | None = None
    findings: tuple[Finding, ...] = ()
    health: Health = Health.GOOD


_NOT_FITTED = ProbeView()


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
    over_target_since: float | None = None
    """Since when product has been over the target in a fill without a break."""


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
    path, faults = reading.path, reading.faults
    flowing = path is not _PATH_SHUT
    circuit, cut, unsound = _SOUND, False, False
    level_sensor: RawLevelSensor = None if reading.level_sensor is FAILED else reading.level_sensor
    if faults is not _NO_FAULT:
        circuit, level_sensor = _circuit(faults), _level_sensor(faults, level_sensor)
        cut, unsound = LocalFault.OVERFLOW_CUT in faults, bool(faults & _UNSOUND)
    feed_state, feed, feed_us_cm, feed_ppm = memory.feed, _NOT_FITTED, None, memory.feed_ppm
    if plan.feed is not None:
        feed_state, feed = _probe(
            plan.feed, memory.feed, reading.feed_us, reading.feed_c, now, flowing, _SOUND, None
        )
        if feed.measurement is not None and feed.health < _FUNCTION_CHECK:
            feed_us_cm = feed.measurement.conductivity_us_cm
            feed_ppm = feed.measurement.dissolved_solids_ppm
    elif feed_ppm is None:
        feed_ppm = plan.feed_ppm
    product_state, product = _probe(
        plan.product,
        memory.product,
        reading.product_us,
        reading.product_c,
        now,
        flowing,
        circuit,
        feed_us_cm,
    )
    level_state, level = tank_level.observe(
        plan.level,
        memory.level,
        level_sensor,
        reading.switch_low,
        reading.switch_full,
        reading.switch_overflow,
        now,
    )
    pulses, throughput_l, pulsed_l = _count(plan, memory, reading.pulses)
    # A failed probe's figure is no figure: nothing is decided on it and nothing is booked with it.
    trusted = product.measurement if product.health < _FUNCTION_CHECK else None
    product_ppm = None if trusted is None else trusted.dissolved_solids_ppm
    band_ppm = 0.0 if trusted is None else trusted.expanded_uncertainty_ppm
    last_at = memory.product.seen_at_s
    inventory = follow(
        plan,
        memory.inventory,
        level,
        path,
        pulsed_l,
        product_ppm,
        band_ppm,
        feed_ppm,
        0.0 if last_at is None or last_at > now else now - last_at,
    )
    over_target_since = _over_target(plan, memory.over_target_since, product, filling, now)
    # A rinse ends at the limit, and what is left of the standing water washes out in the fill.
    target_exceeded = over_target_since is not None and now - over_target_since >= plan.limits.rinse_max_s
    product_c = None if reading.product_c is FAILED else reading.product_c
    seen = SHUT if path is _PATH_SHUT else TO_RESERVOIR if path is _PATH_FILL else TO_DRAIN
    advisories = _advisories(plan, product_c, product, feed, level, unsound, target_exceeded)
    # In the order of the fields: this many keywords would cost a third of the value on top.
    assessment = Assessment(
        now, product_ppm, band_ppm, product.health, product_c,
        level.zone, level.volume_l, level.volume_at_least_l, True if cut else level.overflow,
        holding(inventory), None if plan.litres_per_pulse is None else throughput_l,
        seen, unsound, advisories,
    )  # fmt: skip
    after = Memory(
        inventory, product_state, feed_state, level_state, pulses, throughput_l, feed_ppm, over_target_since
    )
    return after, Picture(assessment, product, feed, level, feed_ppm, path, faults)


def _circuit(faults: LocalFault) -> Circuit:
    if LocalFault.TEMPERATURE_OPEN in faults:
        return Circuit.OPEN
    return Circuit.SHORT if LocalFault.TEMPERATURE_SHORT in faults else Circuit.SOUND


def _level_sensor(faults: LocalFault, level_sensor: RawLevelSensor) -> RawLevelSensor:
    if LocalFault.LEVEL_SENSOR_OPEN in faults:
        return LevelFault.LEVEL_SENSOR_OPEN
    return LevelFault.LEVEL_SENSOR_SHORT if LocalFault.LEVEL_SENSOR_SHORT in faults else level_sensor


def _probe(
    plan: ProbePlan,
    state: ProbeState,
    conductance: Value,
    temperature: Value,
    now: float,
    flowing: bool,
    circuit: Circuit,
    feed_us_cm: float | None,
) -> tuple[ProbeState, ProbeView]:
    conductance_us = None if conductance is FAILED else conductance
    temperature_c = None if temperature is FAILED else temperature
    measurement = conductivity = None
    if conductance_us is not None and temperature_c is not None:
        try:
            measurement = measure(plan.chain, conductance_us, temperature_c)
            conductivity = measurement.conductivity_us_cm
        except OutOfRangeError:
            # No value is better than one beyond the method's range; the missing value closes the valve.
            measurement = None
    if measurement is None and conductance_us is not None:
        conductivity = _conductivity(plan.chain.cell, conductance_us)
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
    health = water_probe.worst(findings) if findings else _GOOD
    if measurement is None and health is _GOOD:
        health = Health.OUT_OF_SPECIFICATION
    return state, ProbeView(measurement, findings, health)


def _conductivity(cell: Cell, conductance_us: float) -> float | None:
    try:
        return conductivity_us_cm(cell, conductance_us)
    except OutOfRangeError:
        # More than the leads alone would let through: whatever that is, it is no reading of this cell.
        return None


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


def _over_target(
    plan: StationPlan, since: float | None, product: ProbeView, filling: bool, now: float
) -> float | None:
    measured = product.measurement
    if not filling or measured is None or measured.dissolved_solids_ppm < plan.limits.target_ppm:
        return None
    return now if since is None else since


def _advisories(
    plan: StationPlan,
    product_c: float | None,
    product: ProbeView,
    feed: ProbeView,
    level: Level,
    unsound: bool,
    target_exceeded: bool,
) -> frozenset[Advisory]:
    found = set()
    limits = plan.limits
    if target_exceeded:
        found.add(Advisory.PRODUCT_OVER_TARGET)
    if product.findings and product.health < _FUNCTION_CHECK:
        found.add(Advisory.PROBE_MAINTENANCE)
    if feed.health >= _FUNCTION_CHECK:
        found.add(Advisory.FEED_PROBE_FAILURE)
    volume_l = level.volume_l
    if volume_l is not None and volume_l < 0.5 * plan.level.refill_fraction * plan.identity.capacity_l:
        found.add(Advisory.RESERVOIR_LOW)
    if unsound:
        found.add(Advisory.CONTROLLER_FAULT)
    if product_c is not None and not limits.temperature_low_c <= product_c <= limits.temperature_high_c:
        found.add(Advisory.TEMPERATURE_OUT_OF_RANGE)
    return frozenset(found) if found else _NO_ADVISORY
