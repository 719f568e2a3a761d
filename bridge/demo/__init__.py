"""The whole system on one machine without hardware: rig, broker, daemon and an observer.

This file has the plan of a station for a simulated rig, as a configuration file would give it, and the story
of the demo as a table of chapters, with its screen. It is core.

The observer is a subscriber like any hub: it knows only what the bridge publishes. The screen is the normal
terminal view with the story below it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from bridge.config.plan import BridgePlan, HubPlan
from bridge.display.terminal import WIDTH, Selection, cropped, screen
from bridge.display.text import cut
from bridge.display.topics import bridges
from bridge.guard.limits import Limits
from bridge.mqtt.broker import BrokerSettings, MqttVersion
from bridge.mqtt.topics import Layout
from bridge.protocol.messages import Feature
from bridge.rig.scenario import Scenario
from bridge.station.plan import ProbePlan, StationIdentity, StationPlan
from bridge.tank.level_sensor import LevelSensor, LevelSensorTable, LevelSettings
from bridge.tank.shapes import UprightCylinder
from bridge.units import DisplayUnits
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


class Action(Enum):
    """A person's action at the end of a chapter."""

    NOTHING = auto()
    DRAW = auto()
    """Water the plants."""
    TRY_RESET = auto()
    """Press reset without having changed the cartridge."""
    CHANGE_CARTRIDGE = auto()
    """Insert a new cartridge, enter the change, press reset."""
    ACKNOWLEDGE = auto()
    STOP = auto()
    """Stop the bridge, as the service manager does."""


@dataclass(frozen=True, slots=True)
class Observed:
    """The data of a subscriber: the retained values, and the last lines of ``$log``."""

    retained: Mapping[str, str]
    log_lines: tuple[str, ...]
    root: str
    device: str

    @classmethod
    def of(
        cls, layout: Layout, reservoir: str, retained: Mapping[str, str], log_lines: tuple[str, ...]
    ) -> "Observed":
        """Collect the data of one reservoir of a bridge."""
        return cls(retained, log_lines, layout.base(layout.bridge), layout.base(layout.device(reservoir)))

    def value(self, path: str) -> str:
        """Return the value of one property, or an empty text."""
        return self.retained.get(f"{self.device}/{path}", "")


@dataclass(frozen=True, slots=True)
class Chapter:
    """One state that must be observed, and the action that follows."""

    title: str
    reached: Callable[[Observed], bool]
    then: Action = Action.NOTHING


def _shut(h: Observed) -> bool:
    return h.value("valve/decided") == "shut" and h.value("valve/reported") == "shut"


def _flows(h: Observed) -> bool:
    return h.value("valve/reported") == "fill" and h.value("fill/phase") == "fill"


def _full(h: Observed) -> bool:
    return h.value("reservoir/zone") == "full" and h.value("fill/phase") == "idle" and _shut(h)


def _tripped(h: Observed) -> bool:
    return h.value("health/first-out") == "product-over-limit"


CHAPTERS: tuple[Chapter, ...] = (
    Chapter(
        "the bridge and its reservoir are announced",
        lambda h: (
            h.retained.get(f"{h.root}/$state") == "ready"
            and h.retained.get(f"{h.device}/$state") == "ready"
            and bool(h.retained.get(f"{h.device}/$description"))
        ),
    ),
    Chapter("the level is low and the reservoir fills", _flows),
    Chapter("filled to the mark, valve shut", _full, Action.DRAW),
    Chapter("water is drawn off until the refill mark", lambda h: h.value("reservoir/zone") == "low"),
    Chapter("it refills by itself", _flows),
    Chapter("filled again", _full, Action.DRAW),
    Chapter("drawn off again", lambda h: h.value("reservoir/zone") == "low"),
    Chapter("the purifier is exhausted: product over the limit, trip", _tripped),
    Chapter("the valve is shut", _shut),
    Chapter(
        "the alert is retained on the hub",
        lambda h: bool(h.retained.get(f"{h.device}/$alert/product-over-limit")),
        Action.TRY_RESET,
    ),
    Chapter(
        "a reset without a new cartridge is refused",
        lambda h: _tripped(h) and any("cannot be reset yet" in line for line in h.log_lines),
        Action.CHANGE_CARTRIDGE,
    ),
    Chapter(
        "cartridge changed, trip reset", lambda h: h.value("health/first-out") == "none", Action.ACKNOWLEDGE
    ),
    Chapter("the alert is deleted", lambda h: not h.retained.get(f"{h.device}/$alert/product-over-limit")),
    Chapter("it refills with the new cartridge", _flows),
    Chapter("filled to the mark, water suitable", lambda h: _full(h) and _suitable(h), Action.STOP),
    Chapter("a clean stop", lambda h: h.retained.get(f"{h.root}/$state") == "disconnected"),
)
"""The chapters of the demo, in this order."""


def _suitable(h: Observed) -> bool:
    return h.value("reservoir/verdict") == "suitable"


@dataclass(slots=True)
class Story:
    """The progress of the story.

    Attributes:
        chapter: how many chapters are complete.
    """

    chapter: int = 0

    @property
    def over(self) -> bool:
        """Whether all chapters are complete."""
        return self.chapter == len(CHAPTERS)

    @property
    def waits_for(self) -> str:
        """The title of the next chapter; empty if all are complete."""
        return "" if self.over else CHAPTERS[self.chapter].title

    def advance(self, observed: Observed) -> Chapter | None:
        """Return the chapter that is now complete, or None. Call again, as the next may be complete too."""
        if self.over or not CHAPTERS[self.chapter].reached(observed):
            return None
        self.chapter += 1
        return CHAPTERS[self.chapter - 1]


_LAST = 3
"""Lines of the story that stay visible."""


def lines(observed: Observed, done: Sequence[str], waits_for: str, rows: int = 60) -> list[str]:
    """Return the screen: the view, cut so that the story fits below it.

    Args:
        observed: the subscriber's data.
        done: the lines of the complete chapters.
        waits_for: the title of the next chapter.
        rows: the rows of the window.
    """
    goal = [f"waiting: {waits_for}"] if waits_for else []
    story = [cut(line, WIDTH) for line in (*done[-_LAST:], *goal)]
    found = bridges(observed.retained, observed.root.split("/", 1)[0], DisplayUnits(), {})
    view = screen(Selection("the demo's broker"), found, None)
    return ["", *cropped(view, rows - len(story) - 2), "", *story]
