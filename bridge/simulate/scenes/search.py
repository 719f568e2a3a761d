"""An adversary that searches for the worst: it composes faults, happenings and commands into a plot.

The search is the cross-entropy method. Each round draws plots from a distribution, and moves the distribution
towards the plots that did most harm (R. Y. Rubinstein, Methodology and Computing in Applied Probability 1
(1999) 127; from memory). A violation is the worst harm. Without one, the harm is the litres over the limit
and over the rim, and the time for which water over the limit enters before anybody is shown a sign.

The best plot is *shrunk*: moves are left out, one by one, as long as the harm stays.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from bridge.errors import InputError
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.detection import signs_of
from bridge.simulate.gardens import Garden
from bridge.simulate.mishaps import Event, Happening
from bridge.simulate.outcome import Task
from bridge.simulate.scenes.scene import ALL_OPTIONS, Act, Option, event_of, outfit
from bridge.simulate.year import Year

_ENDS_S = 400.0
_FILL_AT_S = 10.0
_SLOTS = 5
_ROUND, _ELITE = 30, 6
_KEPT = 0.4
"""The share of the old distribution that a round keeps."""
_LEAST = 0.3
"""The share of each round that is drawn without regard to the distribution, so that no kind dies out."""

_HAPPENINGS = (
    Happening.POWER_CUT,
    Happening.KILLED,
    Happening.BROKER_GONE,
    Happening.CLOCK_STEP,
    Happening.DISK_FULL,
    Happening.DRAW,
)
_ACTS = tuple(act for act in Act if act not in (Act.KILL_BRIDGE, Act.RESET_CONTROLLER))
KINDS = tuple(one.value for group in (tuple(FaultName), _HAPPENINGS, _ACTS) for one in group)
"""The kinds of moves: each fault, happening and command by its value."""


@dataclass(frozen=True, slots=True)
class Move:
    """One move of a plot."""

    kind: str
    at_s: float
    lasts_s: float = 60.0
    """How long a fault or a happening lasts; a clock step in seconds."""
    severity: float = 1.0

    def event(self) -> Event:
        """Return the event of this move."""
        for name in FaultName:
            if name.value == self.kind:
                return Event(self.at_s, Fault(name, 0.0, self.lasts_s, self.severity))
        for happening in _HAPPENINGS:
            if happening.value == self.kind:
                size = 20.0 if happening is Happening.DRAW else self.lasts_s
                return Event(self.at_s, happening=happening, size=size)
        for act in _ACTS:
            if act.value == self.kind:
                return event_of(self.at_s, act)
        raise InputError(f"the move {self.kind!r} is not known; the moves are {', '.join(KINDS)}")


@dataclass(frozen=True, slots=True)
class Plot:
    """A place, and the moves in it. A person starts a fill after ten seconds."""

    place: str
    moves: tuple[Move, ...]


@lru_cache(maxsize=8)
def _place(name: str) -> Garden:
    if name == "nearly full":
        return outfit(ALL_OPTIONS, 0.885)
    half = outfit(ALL_OPTIONS, 0.6)
    match name:
        case "no drain":
            return outfit(ALL_OPTIONS - {Option.DRAIN_VALVE}, 0.6)
        case "hot":
            climate = replace(half.scenario.climate, mains_mean_c=42.0)
            return replace(half, scenario=replace(half.scenario, climate=climate))
        case "short fills":
            limits = replace(half.plan.limits, fill_max_s=120.0, fill_max_l=2.0)
            return replace(half, plan=replace(half.plan, limits=limits))
        case _:
            return half


PLACES = ("half full", "nearly full", "no drain", "hot", "short fills")


@dataclass(frozen=True, slots=True)
class Harm:
    """The harm that a plot did."""

    violations: tuple[str, ...]
    over_limit_l: float
    spilled_l: float
    unseen_s: float
    """Seconds in which water over the limit entered and no sign was shown."""

    @property
    def score(self) -> float:
        """The harm as one number; a violation outweighs everything else."""
        return 1000.0 * bool(self.violations) + self.over_limit_l + self.spilled_l + self.unseen_s / 60.0


def play(plot: Plot) -> Harm:
    """Run a plot, and return the harm that it did."""
    events = [event_of(_FILL_AT_S, Act.START_FILL), *(move.event() for move in plot.moves)]
    place = _place(plot.place)
    year = Year(
        Task("search", place.scenario.name, 0.25, faults=True),
        events=sorted(events, key=lambda event: event.at_s),
        place=place,
    )
    world, unseen_s = year.world, 0.0
    while year.rig.line_s < _ENDS_S and not year.outcome.violations:
        before_s, before_l = year.rig.line_s, world.over_limit_l
        year.step()
        station = year.station
        if world.over_limit_l > before_l and (station is None or not signs_of(station)):
            unseen_s += year.rig.line_s - before_s
    year.end()
    found = tuple(one.sentence for one in year.outcome.violations)
    return Harm(found, world.over_limit_l, world.reservoir.spilled.litres, unseen_s)


@dataclass(slots=True)
class _Slot:
    """The distribution of one move; mutable."""

    kinds: list[float] = field(default_factory=lambda: [1.0 / len(KINDS)] * len(KINDS))
    at_s: tuple[float, float] = (120.0, 90.0)
    """Mean and standard deviation; the same for the decimal logarithm of the duration."""
    lasts: tuple[float, float] = (1.8, 0.6)

    def draw(self, chance: random.Random) -> Move:
        blind = chance.random() < _LEAST
        kind = chance.choice(KINDS) if blind else chance.choices(KINDS, self.kinds)[0]
        at_s = min(_ENDS_S - 60.0, max(1.0, chance.gauss(*self.at_s)))
        lasts_s = 10.0 ** min(3.0, max(0.0, chance.gauss(*self.lasts)))
        return Move(kind, round(at_s, 1), round(lasts_s, 1), round(10.0 ** chance.uniform(-0.3, 0.5), 2))

    def learn(self, elite: Sequence[Move]) -> None:
        shares = [sum(move.kind == kind for move in elite) / len(elite) for kind in KINDS]
        self.kinds = [_KEPT * old + (1.0 - _KEPT) * new for old, new in zip(self.kinds, shares, strict=True)]
        self.at_s = _moved(self.at_s, [move.at_s for move in elite], 10.0)


def _moved(old: tuple[float, float], values: Sequence[float], least: float) -> tuple[float, float]:
    mean = sum(values) / len(values)
    spread = (sum((value - mean) ** 2 for value in values) / len(values)) ** 0.5
    new = (mean, max(least, spread))
    return _KEPT * old[0] + (1.0 - _KEPT) * new[0], _KEPT * old[1] + (1.0 - _KEPT) * new[1]


@dataclass(frozen=True, slots=True)
class Find:
    """The worst plot of a search."""

    plot: Plot
    harm: Harm
    gain: float
    """The score of the harm above that of the same place without any move."""
    plays: int
    """How many plots the search tried."""


def search(seed: int, goes_on: Callable[[int], bool], *, until_violation: bool = True) -> Find:
    """Search for the plot that does most harm.

    Args:
        seed: The seed of the search.
        goes_on: Returns, for the number of plots played so far, whether to play another one.
        until_violation: Whether the first violation ends the search.

    Returns:
        The worst plot, shrunk.
    """
    chance = random.Random(f"{seed}/search")
    slots = [_Slot() for _ in range(_SLOTS)]
    # Standing water enters from a rinse without a drain: that is no merit of a plot.
    quiet = {place: play(Plot(place, ())).score for place in PLACES}
    best: Find | None = None
    plays = len(quiet)
    while best is None or goes_on(plays):
        drawn: list[Find] = []
        while len(drawn) < _ROUND and (best is None or goes_on(plays)):
            plot = Plot(chance.choice(PLACES), tuple(slot.draw(chance) for slot in slots))
            plays += 1
            harm = play(plot)
            drawn.append(Find(plot, harm, harm.score - quiet[plot.place], plays))
            if best is None or drawn[-1].gain > best.gain:
                best = drawn[-1]
            if harm.violations and until_violation:
                return _shrunk(best, quiet[best.plot.place])
        if len(drawn) == _ROUND:
            elite = sorted(drawn, key=lambda one: -one.gain)[:_ELITE]
            for index, slot in enumerate(slots):
                slot.learn([one.plot.moves[index] for one in elite])
    return replace(_shrunk(best, quiet[best.plot.place]), plays=plays)


def _shrunk(find: Find, quiet: float) -> Find:
    """Leave out every move without which the plot does the same harm."""
    for move in find.plot.moves:
        plot = replace(find.plot, moves=tuple(one for one in find.plot.moves if one is not move))
        harm = play(plot)
        if harm.score - quiet >= 0.95 * find.gain:
            find = Find(plot, harm, harm.score - quiet, find.plays)
    return find


def story(find: Find) -> str:
    """Return the find as code that a test can run, and the harm that it does."""
    harm = find.harm
    lines = ["play(", "    Plot(", f"        {find.plot.place!r},", "        ("]
    lines += [f"            {move!r}," for move in find.plot.moves]
    lines += ["        ),", "    )", ")"]
    lines.append(
        f"# {harm.over_limit_l:.2f} L over the limit, {harm.spilled_l:.2f} L over the rim, "
        f"{harm.unseen_s:.0f} s over the limit without a sign; {find.plays} plots were tried."
    )
    return "\n".join([*lines, *(f"# violation: {sentence}." for sentence in harm.violations)])
