"""Warnings about a plan: values that a configuration may have, but that are questionable."""

from collections.abc import Iterator

from bridge.config.modbus import CANNOT_PROMISE
from bridge.config.plan import BridgePlan, is_this_machine
from bridge.mqtt.broker import BrokerSettings
from bridge.station.plan import StationPlan
from bridge.water.conductivity import Method

_CHANGING = ("/dev/ttyUSB", "/dev/ttyACM")


def warnings_of(plan: BridgePlan) -> tuple[str, ...]:
    """Return the warnings about a plan, those about the broker first."""
    found = [] if plan.hub is None else list(_about_broker(plan.hub.broker))
    for station in plan.stations:
        found += [f"reservoir {station.identity.reservoir}: {sentence}" for sentence in _about(station)]
    return tuple(found)


def _about_broker(broker: BrokerSettings) -> Iterator[str]:
    if broker.tls is not None or is_this_machine(broker.host):
        return
    if broker.password is not None:
        yield (
            f"hub: the password travels in clear to {broker.host}, and anyone who reads it there can "
            "command the bridge; add the table hub.tls"
        )
    else:
        yield (
            f"hub: nothing between here and {broker.host} is encrypted, and no password is given, so anyone "
            "on that network can read everything and send commands; add the table hub.tls, a user name and a "
            "password"
        )


def _about(station: StationPlan) -> Iterator[str]:
    limits, product = station.limits, station.product.chain.compensation
    if not limits.has_overflow_float:
        yield (
            "no overflow float is fitted, so if the level sensor sticks only the bounds on time and volume "
            "stop a fill; fit one, and in any case an overflow pipe to a drain"
        )
    if product.method is Method.OFF:
        yield (
            "the product is not compensated for its temperature, so cold water seems purer and warm water "
            'less pure than it is; product.method = "pure" suits purified water'
        )
    if station.feed is not None:
        method = station.feed.chain.compensation.method
        low_c, high_c = method.range_c
        if not low_c <= limits.temperature_low_c <= limits.temperature_high_c <= high_c:
            yield (
                f"the feed is not measured below {low_c:g} and above {high_c:g} °C, where its method "
                f"'{method.value}' ends, but water may flow from {limits.temperature_low_c:g} to "
                f"{limits.temperature_high_c:g} °C"
            )
    if station.modbus is not None:
        plain = [relay for relay in (station.modbus.valve, station.modbus.drain) if relay is not None]
        if any(relay.time_limit_register is None for relay in plain):
            yield CANNOT_PROMISE
    if station.level.level_sensor is None and station.litres_per_pulse is None:
        yield (
            "with switches only and no flow sensor the volume of a fill is not known; only its time is "
            f"bounded, now by {limits.fill_max_s / 3600.0:g} h: set guard.fill_max_s a little "
            "above the time of a fill"
        )
    if station.port.startswith(_CHANGING):
        yield (
            f"the port {station.port} may name another device after a restart; the links in "
            "/dev/serial/by-id do not change"
        )
