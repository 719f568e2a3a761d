"""The whole system on one machine without hardware: rig, broker, daemon and an observer.

This file has the plan of a station for a simulated rig, as a configuration file would give it. It is core.
"""

from bridge.config.plan import BridgePlan, HubPlan
from bridge.guard.limits import Limits
from bridge.mqtt.broker import BrokerSettings, MqttVersion
from bridge.mqtt.topics import Layout
from bridge.protocol.messages import Feature
from bridge.rig.scenario import Scenario
from bridge.station.plan import ProbePlan, StationIdentity, StationPlan
from bridge.tank.level_sensor import LevelSensor, LevelSensorTable, LevelSettings
from bridge.tank.shapes import UprightCylinder
from bridge.water.conductivity import Cell, Compensation, Method
from bridge.water.measurement import MeasuringChain
from bridge.water.probe import ProbeSettings

BRIDGE_ID = "clearwell-demo"
RESERVOIR = "barrel"
HURRIED = Limits(
    # The demo's water runs a hundred times as fast as real water, so every wait is a hundredth.
    persistence_s=1.0,
    pause_s=1.5,
    rinse_min_s=0.5,
    rinse_max_s=10.0,
    in_spec_s=0.4,
    flow_max_l_s=6.0,
    lease_s=2.0,
    step_s=0.2,
    stale_after_s=1.0,
    probe_failure_after_s=2.0,
    level_failure_after_s=5.0,
    fill_max_s=60.0,
    fill_max_l=150.0,
    daily_max_l=1000.0,
    no_rise_after_s=6.0,
    no_rise_l=2.0,
    settle_s=2.0,
    rise_closed_l=20.0,
)
"""Limits for a rig at about the demo's speed."""


def station(scenario: Scenario, port: str, limits: Limits, refill: float, fill: float) -> StationPlan:
    """Make the plan of a station that fits the scenario's rig; its level filter is too short for real waves.

    Args:
        scenario: the simulated reservoir and its fittings.
        port: the serial port.
        limits: the guard's limits.
        refill: the fraction of the height at which a fill begins.
        fill: the fraction of the height at which a fill ends.
    """
    barrel, fittings = scenario.barrel, scenario.fittings
    shape = UprightCylinder(barrel.diameter_m, barrel.height_m)
    features = fittings.features
    table = LevelSensorTable(
        (
            (fittings.level_sensor_low, barrel.level_sensor_bottom_fraction * barrel.height_m),
            (fittings.level_sensor_high, barrel.level_sensor_top_fraction * barrel.height_m),
        )
    )
    level = LevelSettings(
        shape,
        level_sensor=LevelSensor(table, step_m=barrel.height_m / fittings.level_sensor_steps),
        low_switch=Feature.SWITCH_LOW in features,
        full_switch=Feature.SWITCH_FULL in features,
        overflow_switch=Feature.SWITCH_OVERFLOW in features,
        refill_fraction=refill,
        fill_fraction=fill,
        low_switch_fraction=barrel.low_fraction,
        full_switch_fraction=barrel.full_fraction,
        debounce_s=0.1,
        overflow_return_s=0.5,
        wave_time_constant_s=0.2,
    )

    def probe(constant_per_cm: float, method: Method) -> ProbePlan:
        cell = Cell(constant_per_cm)
        return ProbePlan(MeasuringChain(cell, Compensation(method), scenario.factor), ProbeSettings())

    has_feed = Feature.FEED_CELL in features
    return StationPlan(
        identity=StationIdentity(
            reservoir=RESERVOIR,
            name="The barrel in the polytunnel",
            capacity_l=shape.capacity_l,
            limit_ppm=limits.limit_ppm,
            target_ppm=limits.target_ppm,
            factor=scenario.factor,
            has_feed_probe=has_feed,
            has_drain=Feature.DRAIN_VALVE in features,
            has_volume=True,
        ),
        port=port,
        baud=115200,
        product=probe(fittings.product_cell_per_cm, Method.PURE),
        feed=probe(fittings.feed_cell_per_cm, Method.NATURAL) if has_feed else None,
        feed_ppm=scenario.feed.mean_ppm,
        level=level,
        limits=limits,
        litres_per_pulse=1.0 / fittings.pulses_per_l if Feature.FLOW_PULSES in features else None,
        assumed_ppm=barrel.start_ppm,
    )


def bridge(one: StationPlan, host: str, port: int, version: MqttVersion) -> BridgePlan:
    """Make the plan of a daemon with one station and a broker without passwords."""
    broker = BrokerSettings(host, client_id=BRIDGE_ID, port=port, version=version)
    return BridgePlan((one,), HubPlan(broker, Layout(BRIDGE_ID, "Clearwell demo"), heartbeat_s=60.0))
