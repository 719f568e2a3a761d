"""Builds the plan from tables that are valid one by one, and checks that they fit together.

Bounds that the file leaves out follow from the reservoir; :class:`GuardTable` says how.
"""

from dataclasses import replace
from pathlib import Path

from bridge.config.mistakes import Mistakes
from bridge.config.model import BridgeTable, HubTable, LogTable
from bridge.config.plan import HubPlan, LogPlan
from bridge.config.reservoir import (
    DAILY_SHARE,
    FILL_SHARE,
    NO_RISE_SHARE,
    NO_RISE_STEPS,
    RISE_SHARE,
    RISE_STEPS,
    GuardTable,
    ProbeTable,
    PurifierTable,
    ReservoirTable,
)
from bridge.config.tables import Keys, given
from bridge.config.tank import LevelTable
from bridge.estimate.verdict import default_target_ppm
from bridge.guard.limits import Limits
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.mqtt.broker import BrokerSettings, MqttVersion, Secret, TlsSettings
from bridge.mqtt.topics import Layout
from bridge.protocol.registers import ModbusMap
from bridge.purifier.cartridge import Kind
from bridge.station.plan import ProbePlan, StationIdentity, StationPlan
from bridge.tank.level_sensor import LevelSettings
from bridge.tank.shapes import Shape
from bridge.water.conductivity import Method
from bridge.water.uncertainty import WaterKind

PORT, PORT_TLS = 1883, 8883
LOG_NAME = "clearwell.db"
SOCKET_ENDING = ".socket"
_SLICES = 50


def hub_plan(table: HubTable, bridge: BridgeTable, directory: Path, mistakes: Mistakes) -> HubPlan | None:
    """Build the broker's part of the plan.

    Args:
        table: The table ``[hub]``.
        bridge: The table ``[bridge]``.
        directory: The directory that relative paths start from.
        mistakes: Receives the mistakes.

    Returns:
        The plan, or None if there are mistakes.
    """
    layout = mistakes.tried(("hub",), lambda: Layout(bridge.id, bridge.name, table.prefix))
    broker = mistakes.tried(("hub",), lambda: _broker(table, bridge, directory))
    if layout is None or broker is None:
        return None
    templates = tuple(one.core() for one in table.announcement)
    return HubPlan(broker, layout, templates, table.heartbeat_s)


def log_plan(table: LogTable, directory: Path, state_directory: str | None) -> LogPlan | None:
    """Build the log's part of the plan.

    Without a path in the table the log is in systemd's state directory if there is one, else beside the
    configuration.

    Args:
        table: The table ``[log]``.
        directory: The directory of the configuration, which a relative path starts from.
        state_directory: The value of ``STATE_DIRECTORY``.

    Returns:
        The plan, or None if no log is kept.
    """
    if not table.enabled:
        return None
    home = Path(state_directory.split(":")[0]) if state_directory else directory
    path = home / LOG_NAME if table.path is None else directory / table.path
    outbox = OutboxSettings(every_s=table.outbox.every_s, limit_bytes=table.outbox.limit_mib * 2**20)
    days = 366 * table.years
    settings = LogSettings(
        raw_days=table.raw_days,
        minute_days=min(days, LogSettings().minute_days),
        hour_days=days,
        entry_days=days,
        outbox=outbox if table.outbox.enabled else None,
    )
    return LogPlan(path, settings)


def socket_path(table: BridgeTable, log: LogPlan | None, directory: Path) -> Path | None:
    """Return the socket for commands on the same machine.

    Args:
        table: The table ``[bridge]``.
        log: The log's part of the plan. Without a path in the table the socket is beside the log.
        directory: The directory of the configuration, which a relative path starts from.

    Returns:
        The path, or None if there is neither a path in the table nor a log.
    """
    if table.socket is not None:
        return directory / table.socket
    return None if log is None else log.path.with_name(log.path.name + SOCKET_ENDING)


def _broker(table: HubTable, bridge: BridgeTable, directory: Path) -> BrokerSettings:
    tls = None
    if table.tls is not None:
        tls = TlsSettings(**{key: directory / name for key, name in given(table.tls).items()})
    return BrokerSettings(
        host=table.host,
        client_id=bridge.id if table.client_id is None else table.client_id,
        port=table.port or (PORT if tls is None else PORT_TLS),
        username=table.username,
        password=None if table.password is None else Secret(table.password.get_secret_value()),
        version=MqttVersion(table.version),
        tls=tls,
        keepalive_s=table.keepalive_s,
    )


def station_plan(ident: str, table: ReservoirTable, mistakes: Mistakes) -> StationPlan | None:
    """Build one reservoir's part of the plan.

    Args:
        ident: The id of the reservoir.
        table: Its table.
        mistakes: Receives the mistakes.

    Returns:
        The plan, or None if its tables do not fit together.
    """
    at: Keys = ("reservoir", ident)
    shape = table.shape.core()
    purifier = table.purifier
    level = mistakes.tried((*at, "level"), lambda: _level(table.level, shape))
    away = None
    if (known := level) is not None:
        away = mistakes.tried(
            (*at, "level", "away_fill_fraction"), lambda: _level_while_away(table.level, known)
        )
    limits = mistakes.tried((*at, "guard"), lambda: _limits(table, shape))
    # Without a cartridge the kind with the widest uncertainty.
    usual = WaterKind.EXCHANGE_PRODUCT if table.cartridge is None else Kind(table.cartridge.kind).water
    product = mistakes.tried(
        (*at, "product"), lambda: _probe(table.product, Method.PURE, table.factor, usual)
    )
    feed = None
    if table.feed is not None:
        feed_table = table.feed
        feed = mistakes.tried(
            (*at, "feed"), lambda: _probe(feed_table, Method.NATURAL, table.factor, WaterKind.TAP)
        )
        if purifier.feed_ppm is not None:
            mistakes.add(
                (*at, "purifier", "feed_ppm"),
                "the feed has a probe that measures it; remove this key or the table 'feed'",
                purifier.feed_ppm,
            )
    check = None
    if table.check_cell is not None:
        check_table = table.check_cell
        check = mistakes.tried(
            (*at, "check_cell"), lambda: _probe(check_table, Method.PURE, table.factor, usual)
        )
        if table.feed is not None:
            mistakes.add(
                (*at, "check_cell"),
                "the controller has one channel beside the product cell, and the table 'feed' uses it; "
                "remove one of the two, and give purifier.feed_ppm instead of a feed probe",
            )
    if limits is not None and check is not None:
        _check_temperatures(at, limits, check.chain.compensation.method, mistakes)
    if limits is not None and product is not None:
        _check_temperatures(at, limits, product.chain.compensation.method, mistakes)
    assumed_ppm = None if limits is None else _assumed_ppm(at, table, limits, mistakes)
    if level is None or limits is None or product is None or assumed_ppm is None:
        return None
    identity = StationIdentity(
        reservoir=ident,
        name=table.name or ident.replace("-", " ").capitalize(),
        capacity_l=shape.capacity_l,
        limit_ppm=limits.limit_ppm,
        target_ppm=limits.target_ppm,
        factor=table.factor,
        has_feed_probe=feed is not None,
        has_drain=purifier.drain_valve,
        has_volume=level.level_sensor is not None,
        has_forecast=table.cartridge is not None,
        has_check_cell=check is not None,
    )
    return StationPlan(
        identity=identity,
        port=table.port,
        baud=table.baud,
        product=product,
        feed=feed,
        check=check,
        feed_ppm=purifier.feed_ppm,
        level=level,
        limits=limits,
        litres_per_pulse=purifier.litres_per_pulse,
        assumed_ppm=assumed_ppm,
        rain_ppm=table.rain_ppm,
        open_surface_m2=table.open_surface_m2,
        modbus=_modbus(at, table, mistakes),
        controller_id=table.controller_id,
        cartridge=None if table.cartridge is None else table.cartridge.core(table.factor),
        level_while_away=away,
        night_draw=None if table.night_draw_percent is None else 0.01 * table.night_draw_percent,
    )


def _modbus(at: Keys, table: ReservoirTable, mistakes: Mistakes) -> ModbusMap | None:
    modbus = table.modbus
    if modbus is None:
        return None
    second = table.feed is not None or table.check_cell is not None
    channel = "feed" if table.check_cell is None else "check_cell"
    for fitted, there, name, key in (
        (table.purifier.drain_valve, modbus.drain, "drain", "purifier.drain_valve"),
        (second, modbus.feed_conductivity, "feed_conductivity", channel),
        (second, modbus.feed_temperature, "feed_temperature", channel),
        (table.level.sensor is not None, modbus.level, "level", "level.sensor"),
        (table.level.low_switch, modbus.low_switch, "low_switch", "level.low_switch"),
        (table.level.full_switch, modbus.full_switch, "full_switch", "level.full_switch"),
        (table.level.overflow_float, modbus.overflow_float, "overflow_float", "level.overflow_float"),
    ):
        if fitted != (there is not None):
            more = "says that one is fitted; add the table" if fitted else "says that none is; remove it"
            mistakes.add((*at, "modbus", name), f"{key} {more}, or correct the one that is wrong")
    if table.purifier.litres_per_pulse is not None:
        mistakes.add(
            (*at, "purifier", "litres_per_pulse"), "pulses cannot be counted over Modbus; remove this key"
        )
    if table.controller_id is not None:
        mistakes.add((*at, "controller_id"), "transmitters on a Modbus line have no id; remove this key")
    return modbus.core()


def _level(table: LevelTable, shape: Shape) -> LevelSettings:
    return LevelSettings(
        shape,
        level_sensor=None if table.sensor is None else table.sensor.core(),
        overflow_switch=table.overflow_float,
        **given(table, "sensor", "overflow_float", "away_fill_fraction"),
    )


def _level_while_away(table: LevelTable, level: LevelSettings) -> LevelSettings | None:
    """Build the marks of an absence: a higher one to fill to, and a refill at half of the usual range."""
    if level.level_sensor is None:
        return None
    low, full = level.low_switch_fraction, level.full_switch_fraction
    return replace(
        level,
        refill_fraction=0.5 * (level.refill_fraction + level.fill_fraction),
        fill_fraction=level.fill_fraction if table.away_fill_fraction is None else table.away_fill_fraction,
        # The switches stay where they are.
        low_switch_fraction=level.refill_fraction if low is None else low,
        full_switch_fraction=level.fill_fraction if full is None else full,
    )


def _probe(table: ProbeTable, default: Method, factor: float, usual: WaterKind) -> ProbePlan:
    return ProbePlan(table.chain(default, factor, usual), table.watching())


def _limits(table: ReservoirTable, shape: Shape) -> Limits:
    guard: GuardTable = table.guard
    purifier: PurifierTable = table.purifier
    level: LevelTable = table.level
    capacity_l = shape.capacity_l
    step_l = 0.0 if table.level.sensor is None else _step_l(shape, table.level.sensor.step_m)
    rise_l = max(RISE_SHARE * capacity_l, RISE_STEPS * step_l)
    values: dict[str, float | None] = {
        "target_ppm": default_target_ppm(guard.limit_ppm),
        "gross_ppm": 2.0 * guard.limit_ppm,
        "reservoir_limit_ppm": guard.limit_ppm,
        "flow_max_l_s": purifier.flow_max_l_min / 60.0,
        "fill_max_l": FILL_SHARE * (level.away_fill_fraction or level.fill_fraction) * capacity_l,
        "daily_max_l": DAILY_SHARE * capacity_l,
        "rise_closed_l": rise_l if table.rain_ppm is None else None,
        "no_rise_l": max(NO_RISE_SHARE * capacity_l, NO_RISE_STEPS * step_l),
    }
    return Limits(
        has_drain=purifier.drain_valve,
        has_overflow_float=table.level.overflow_float,
        **(values | given(guard)),
    )


def _step_l(shape: Shape, step_m: float) -> float:
    # The step is largest in litres where the tank is widest.
    high_m = shape.height_m
    step_m = min(step_m, high_m)
    bottoms = [(high_m - step_m) * part / _SLICES for part in range(_SLICES + 1)]
    return max(shape.volume_l(min(low_m + step_m, high_m)) - shape.volume_l(low_m) for low_m in bottoms)


def _check_temperatures(at: Keys, limits: Limits, method: Method, mistakes: Mistakes) -> None:
    # The guard must not let water flow at a temperature at which the method gives no value.
    low_c, high_c = method.range_c
    name = f"of the method '{method.value}' of the product"
    if limits.temperature_low_c < low_c:
        mistakes.add(
            (*at, "guard", "temperature_low_c"),
            f"must be {low_c:g} or more, where the range {name} begins",
            limits.temperature_low_c,
        )
    if limits.temperature_high_c > high_c:
        mistakes.add(
            (*at, "guard", "temperature_high_c"),
            f"must be at most {high_c:g}, where the range {name} ends",
            limits.temperature_high_c,
        )


def _assumed_ppm(at: Keys, table: ReservoirTable, limits: Limits, mistakes: Mistakes) -> float | None:
    if table.assumed_ppm is None:
        return min(limits.target_ppm, 0.5 * limits.reservoir_limit_ppm)
    if table.assumed_ppm < limits.reservoir_limit_ppm:
        return table.assumed_ppm
    mistakes.add(
        (*at, "assumed_ppm"),
        f"must be below the reservoir's limit of {limits.reservoir_limit_ppm:g} ppm, or it would never be "
        "filled",
        table.assumed_ppm,
    )
    return None
