"""The assessment of a raw reading, with the plan and the memory of earlier readings.

Core: one call for each reading, which takes a memory and returns the next one. No clock.
"""

from dataclasses import dataclass, replace

from bridge.errors import OutOfRangeError
from bridge.guard.model import Advisory, Assessment, Flow
from bridge.protocol.messages import FAILED, Hello, LocalFault, Reading, Value
from bridge.station import balance, cell_watch, cells, check_cell, flow_meter, inventory
from bridge.station.cell_watch import CellRun
from bridge.station.cells import Cells
from bridge.station.check_cell import Ratio
from bridge.station.flow_meter import FlowMeter
from bridge.station.inventory import Inventory, holding_at_worst, watched
from bridge.station.plan import ProbePlan, StationPlan
from bridge.tank import level
from bridge.tank.level import Level, LevelWatch
from bridge.tank.level_sensor import LevelFault, RawLevelSensor
from bridge.water import health, probe
from bridge.water.conductivity import Cell, conductivity_us_cm
from bridge.water.health import Finding, Health
from bridge.water.measurement import Measurement, measure
from bridge.water.probe import Circuit, ProbeState

FEED_READING_S = 0.5
"""The feed is measured at most this often. Of a controller that sends faster, more of it adds no evidence."""
TEMPERATURE_DEAD_BAND_K = 1.0
"""The alarm of a temperature out of range clears so far within the range, so that noise cannot repeat it."""
_UNSOUND = LocalFault.SELF_TEST | LocalFault.SUPPLY_LOW

# In Python 3.11 a member costs ten times as much as a name of the module: saves 0.8 µs a reading.
_GOOD, _FUNCTION_CHECK = Health.GOOD, Health.FUNCTION_CHECK
_SOUND = Circuit.SOUND
_SHUT = Flow.SHUT


@dataclass(frozen=True, slots=True)
class ProbeView:
    """One probe at one reading: its measurement, or None if there is none, and its faults."""

    measurement: Measurement | None = None
    findings: tuple[Finding, ...] = ()
    health: Health = _GOOD

    @property
    def usable(self) -> bool:
        """True if the health of the probe allows to use its value."""
        return self.health < _FUNCTION_CHECK


_NOT_FITTED = ProbeView()


@dataclass(frozen=True, slots=True)
class Memory:
    """The state that is kept from one reading to the next."""

    inventory: Inventory
    product: ProbeState = ProbeState()
    feed: ProbeState = ProbeState()
    """Of the second channel: the feed cell, or the check cell."""
    level: LevelWatch = LevelWatch()
    controller: str | None = None
    """The id of the controller, from its last hello."""
    product_step_us: float = 0.0
    """One step of the product conductance, if the controller states one."""
    cells: Cells = Cells()
    run: CellRun = CellRun()
    meter: FlowMeter = FlowMeter()
    throughput_l: float = 0.0
    feed_ppm: float | None = None
    """The last good feed value, or the last hand sample of the feed."""
    over_target_since: float | None = None
    """Since when the product has been over the target without a break during a fill."""
    out_of_temperature: bool = False
    """Whether the product has left the temperatures at which water may flow, and is not surely back."""
    feed_view: ProbeView = _NOT_FITTED
    """The feed cell at its last reading that was measured."""

    @property
    def pulses(self) -> int | None:
        """The last count of flow pulses that was used."""
        return self.meter.pulses


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything known at one reading: the assessment, and the values behind it."""

    assessment: Assessment
    product: ProbeView
    feed: ProbeView
    check: ProbeView
    """The check cell."""
    level: Level
    feed_ppm: float | None
    local: LocalFault


def begin(plan: StationPlan, accounts: Inventory | None = None) -> Memory:
    """Return the memory before the first reading."""
    accounts = accounts or inventory.begin(plan)
    return Memory(
        accounts,
        controller=accounts.controller,
        cells=Cells(accounts.exchanged, exchanged=accounts.exchanged is not None),
        meter=FlowMeter(accounts.pulses),
    )


def assess(
    plan: StationPlan, memory: Memory, reading: Reading, filling: bool, now: float
) -> tuple[Memory, Picture]:
    """Assess one reading.

    Args:
        plan: the fitted parts and how they measure.
        memory: the memory that the last call returned, or that of :func:`begin`.
        reading: the reading as the controller sent it.
        filling: True if product flows past its probe and the rinse is over.
        now: monotonic seconds.

    Returns:
        The next memory, and everything known at this reading.
    """
    path, faults = reading.path, reading.faults
    flowing = path is not _SHUT
    circuit, cut, unsound = _SOUND, False, False
    product_us = reading.product_us
    level_sensor: RawLevelSensor = None if reading.level_sensor is FAILED else reading.level_sensor
    # One test for no fault saves 1.7 µs a reading: Python 3.11 combines flags in Python code.
    if faults:
        circuit, level_sensor = _circuit(faults), _level_sensor(faults, level_sensor)
        cut, unsound = LocalFault.OVERFLOW_CUT in faults, bool(faults & _UNSOUND)
        if LocalFault.CELL_RANGE in faults:
            # A number beside this fault is not a measured one.
            product_us = FAILED
    feed_state, feed, feed_us_cm, feed_ppm = memory.feed, memory.feed_view, None, memory.feed_ppm
    new_feed_us_cm, fed_at = None, memory.feed.seen_at_s
    if plan.feed is not None:
        feed_is_new = fed_at is None or not 0.0 <= now - fed_at < FEED_READING_S
        if feed_is_new:
            feed_state, feed = _probe(
                plan.feed, memory.feed, reading.feed_us, reading.feed_c, now, flowing, _SOUND, None
            )
        if feed.measurement is not None and feed.usable:
            feed_us_cm = feed.measurement.conductivity_us_cm
            # Only two values of the same moment are compared.
            new_feed_us_cm = feed_us_cm if feed_is_new else None
            feed_ppm = feed.measurement.dissolved_solids_ppm
    elif feed_ppm is None:
        feed_ppm = plan.feed_ppm
    check, disagree = _NOT_FITTED, False
    if plan.check is not None:
        feed_state, check = _probe(
            plan.check, memory.feed, reading.feed_us, reading.feed_c, now, flowing, _SOUND, None
        )
    product_state, product = _probe(
        plan.product,
        memory.product,
        product_us,
        reading.product_c,
        now,
        flowing,
        circuit,
        feed_us_cm,
        memory.product_step_us,
    )
    pair = memory.cells
    if new_feed_us_cm is not None and product.measurement is not None and product.usable:
        pair = cells.look(pair, product.measurement.conductivity_us_cm, new_feed_us_cm, now)
    if pair.exchanged and product.measurement is not None:
        # It also holds while the feed cell fails: it may stand in product that has spoiled.
        finding = health.exchanged(product.measurement.conductivity_us_cm, feed_us_cm)
        product = ProbeView(
            product.measurement, (finding, *product.findings), max(finding.health, product.health)
        )
    level_state, level_now = level.observe(
        plan.level,
        memory.level,
        level_sensor,
        reading.switch_low,
        reading.switch_full,
        reading.switch_overflow,
        now,
    )
    meter, throughput_l, pulsed_l = _count(plan, memory, reading.pulses, now)
    # The value of a failed probe is not used: neither for a decision nor for the estimate.
    trusted = product.measurement if product.usable else None
    product_ppm = None if trusted is None else trusted.dissolved_solids_ppm
    band_ppm = 0.0 if trusted is None else trusted.expanded_uncertainty_ppm
    worst_ppm, worst_band_ppm, probe_health = product_ppm, band_ppm, product.health
    if plan.check is not None:
        checked = check.measurement if check.usable else None
        voted, probe_health = check_cell.vote(trusted, checked), max(product.health, check.health)
        worst_ppm, worst_band_ppm = voted.ppm, voted.band_ppm
        if filling and trusted is not None and checked is not None:
            ratio, disagree = check_cell.compare(
                memory.inventory.ratio, (plan.product.chain, trusted), (plan.check.chain, checked)
            )
            if ratio is not memory.inventory.ratio:
                memory = replace(memory, inventory=replace(memory.inventory, ratio=ratio))
    last_at = memory.product.seen_at_s
    accounts = balance.follow(
        plan,
        memory.inventory,
        level_now,
        path,
        pulsed_l,
        product_ppm,
        band_ppm,
        feed_ppm,
        0.0 if last_at is None or last_at > now else now - last_at,
        now,
        None if reading.product_c is FAILED else reading.product_c,
    )
    if pair.exchanged != memory.cells.exchanged:
        accounts = replace(accounts, exchanged=pair.usual if pair.exchanged else None)
    run, seen_cell = cell_watch.look(
        memory.run, accounts.watch, flowing, trusted, None if feed_us_cm is None else feed.measurement, now
    )
    if seen_cell is not accounts.watch:
        accounts = watched(accounts, seen_cell)
    over_target_since = _over_target(plan, memory.over_target_since, product, filling, now)
    # While the meter fails, the guard counts the rise of the level instead.
    failing = meter.failed_at is not None and meter.failing(now)
    metered = plan.litres_per_pulse is not None and meter.caught_up and not failing
    # A rinse ends when the product is under the limit. The rest of the standing water leaves during the fill,
    # so the target counts only after the longest rinse time.
    target_exceeded = over_target_since is not None and now - over_target_since >= plan.limits.rinse_max_s
    product_c = None if reading.product_c is FAILED else reading.product_c
    out_of_temperature = _out_of_temperature(plan, memory.out_of_temperature, product_c)
    assessment = Assessment(
        frame_at=now,
        product_ppm=worst_ppm,
        guard_band_ppm=worst_band_ppm,
        probe=probe_health,
        temperature_c=product_c,
        zone=level_now.zone,
        volume_l=level_now.volume_l,
        volume_at_least_l=level_now.volume_at_least_l,
        overflow=True if cut else level_now.overflow,
        reservoir_ppm=holding_at_worst(accounts),
        throughput_l=throughput_l if metered else None,
        seen=path,
        controller_fault=unsound,
        cells_disagree=disagree,
        advisories=_advisories(
            plan, out_of_temperature, (product, check), feed, level_now, unsound, target_exceeded, failing
        ),
    )
    after = Memory(
        inventory=accounts,
        product=product_state,
        feed=feed_state,
        level=level_state,
        controller=memory.controller,
        product_step_us=memory.product_step_us,
        cells=pair,
        run=run,
        meter=meter,
        throughput_l=throughput_l,
        feed_ppm=feed_ppm,
        over_target_since=over_target_since,
        out_of_temperature=out_of_temperature,
        feed_view=feed,
    )
    return after, Picture(
        assessment=assessment,
        product=product,
        feed=feed,
        check=check,
        level=level_now,
        feed_ppm=feed_ppm,
        local=faults,
    )


def _circuit(faults: LocalFault) -> Circuit:
    if LocalFault.TEMPERATURE_OPEN in faults:
        return Circuit.OPEN
    return Circuit.SHORT if LocalFault.TEMPERATURE_SHORT in faults else _SOUND


def _level_sensor(faults: LocalFault, fraction: RawLevelSensor) -> RawLevelSensor:
    if LocalFault.LEVEL_SENSOR_OPEN in faults:
        return LevelFault.LEVEL_SENSOR_OPEN
    return LevelFault.LEVEL_SENSOR_SHORT if LocalFault.LEVEL_SENSOR_SHORT in faults else fraction


def _probe(
    plan: ProbePlan,
    state: ProbeState,
    conductance: Value,
    temperature: Value,
    now: float,
    flowing: bool,
    circuit: Circuit,
    feed_us_cm: float | None,
    step_us: float = 0.0,
) -> tuple[ProbeState, ProbeView]:
    conductance_us = None if conductance is FAILED else conductance
    temperature_c = None if temperature is FAILED else temperature
    measurement = conductivity = None
    if conductance_us is not None and temperature_c is not None:
        try:
            measurement = measure(plan.chain, conductance_us, temperature_c)
            conductivity = measurement.conductivity_us_cm
        except OutOfRangeError:
            # A value beyond the method's range is not used. The missing value closes the valve.
            measurement = None
    if measurement is None and conductance_us is not None:
        conductivity = _conductivity(plan.chain.cell, conductance_us)
    state, findings = probe.observe(
        plan.watch,
        state,
        conductivity,
        temperature_c,
        now,
        feed_us_cm=feed_us_cm,
        flowing=flowing,
        temperature_circuit=circuit,
        step_us_cm=step_us * plan.chain.cell.constant_per_cm,
    )
    worst = _GOOD
    if findings:
        worst = probe.worst(findings)
        if conductivity is not None and not 0.0 < conductivity < plan.watch.over_range_us_cm:
            # No water conducts so much or so little: the number is shown and averaged nowhere.
            measurement = None
    if measurement is None and worst is _GOOD:
        worst = Health.OUT_OF_SPECIFICATION
    return state, ProbeView(measurement, findings, worst)


def _conductivity(cell: Cell, conductance_us: float) -> float | None:
    try:
        return conductivity_us_cm(cell, conductance_us)
    except OutOfRangeError:
        # The leads alone would conduct less, so this is not a reading of this cell.
        return None


def greeted(memory: Memory, hello: Hello) -> Memory:
    """Return the memory after a hello, with the controller's id and the step of its product cell."""
    step = hello.product_step_us
    step_us = max(step, 0.0) if isinstance(step, float) else 0.0
    return replace(memory, controller=hello.identity, product_step_us=step_us)


def restarted(memory: Memory) -> Memory:
    """Return the memory after a restart of the controller, which counts flow pulses from 0."""
    return replace(memory, meter=flow_meter.restarted(memory.meter))


def cells_reset(memory: Memory) -> Memory:
    """Return the memory after a person has reset the trip of cells that disagree: their ratio is new."""
    return replace(memory, inventory=replace(memory.inventory, ratio=Ratio()))


def retested(memory: Memory) -> Memory:
    """Return the memory after a passed retest by hand: the present values of both cells are right."""
    return replace(memory, cells=Cells(), inventory=replace(memory.inventory, exchanged=None))


def _count(
    plan: StationPlan, memory: Memory, pulses: int | None, now: float
) -> tuple[FlowMeter, float, float | None]:
    """Return the flow meter, the whole throughput, and the litres since the last count, None if unknown."""
    if plan.litres_per_pulse is None or pulses is None:
        return memory.meter, memory.throughput_l, None
    limits = plan.limits
    meter, litres = flow_meter.count(
        memory.meter, pulses, now, plan.litres_per_pulse, limits.flow_max_l_s, limits.fill_max_l
    )
    return meter, memory.throughput_l + (litres or 0.0), litres


def _out_of_temperature(plan: StationPlan, before: bool, product_c: float | None) -> bool:
    if product_c is None:
        return False
    margin_k = TEMPERATURE_DEAD_BAND_K if before else 0.0
    low_c, high_c = plan.limits.temperature_low_c, plan.limits.temperature_high_c
    return not low_c + margin_k <= product_c <= high_c - margin_k


def _over_target(
    plan: StationPlan, since: float | None, product: ProbeView, filling: bool, now: float
) -> float | None:
    measured = product.measurement
    if not filling or measured is None or measured.dissolved_solids_ppm < plan.limits.target_ppm:
        return None
    return now if since is None else since


def _advisories(
    plan: StationPlan,
    out_of_temperature: bool,
    in_product: tuple[ProbeView, ProbeView],
    feed: ProbeView,
    level: Level,
    unsound: bool,
    target_exceeded: bool,
    meter_failing: bool,
) -> frozenset[Advisory]:
    found = set()
    if target_exceeded:
        found.add(Advisory.PRODUCT_OVER_TARGET)
    for cell in in_product:
        if cell.findings and cell.usable:
            found.add(Advisory.PROBE_MAINTENANCE)
    if not feed.usable:
        found.add(Advisory.FEED_PROBE_FAILURE)
    volume_l = level.volume_l
    if volume_l is not None and volume_l < 0.5 * plan.level.refill_fraction * plan.identity.capacity_l:
        found.add(Advisory.RESERVOIR_LOW)
    if meter_failing:
        found.add(Advisory.FLOW_METER_FAILURE)
    if unsound:
        found.add(Advisory.CONTROLLER_FAULT)
    if out_of_temperature:
        found.add(Advisory.TEMPERATURE_OUT_OF_RANGE)
    return frozenset(found)
