"""An adversary that searches for the worst: it composes faults, happenings and commands into a plot.

The search begins with the plots of a beginner: each place without a move, then each kind of move alone, in a
rinse and in a fill, for a few seconds and for minutes. It goes on with the cross-entropy method: each round
draws plots from a distribution, and moves the distribution towards the plots that did most harm (R. Y.
Rubinstein, Methodology and Computing in Applied Probability 1 (1999) 127; from memory). A third of each round
are the worst plots so far with one change, because a violation often lies a few seconds beside one.

A violation is the worst harm. Without one, the harm is the share of a stated bound that a plot reaches. The
litres over the limit and over the rim, and the time for which water over the limit enters before anybody is
shown a sign, count by their logarithm: much of that harm is what one valve and one float cannot prevent, and
the search must not stay there.

The worst plot is *shrunk*: moves are left out, one by one, as long as the harm stays.
"""

import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

from bridge.errors import InputError
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.detection import Tally, signs_of
from bridge.simulate.gardens import Garden
from bridge.simulate.mishaps import Event, Happening
from bridge.simulate.outcome import Task
from bridge.simulate.scenes.rest import is_steady
from bridge.simulate.scenes.scene import ALL_OPTIONS, HURRIED, Act, Option, event_of, outfit
from bridge.simulate.year import Year

_ENDS_S = 400.0
_ASKED_AT_S = (10.0, 130.0, 250.0)
"""The times at which a person asks for a fill. A guard that is at fault may only show it in the next one."""
_MID_RINSE_S, _MID_FILL_S = 20.0, 100.0
_SLOTS = 5
_ROUND, _ELITE = 30, 6
_CHANGED = 10
"""How many plots of a round are changes of the worst plots so far."""
_POOL = 12
_KEPT = 0.4
"""The share of the old distribution that a round keeps."""
_LEAST = 0.3
"""The share of each round that is drawn without regard to the distribution, so that no kind dies out."""
_LONG_S, _BRIEF_S, _SEVERE = 600.0, 5.0, 4.0
_ALONE = (
    (_MID_FILL_S, _LONG_S, 1.0),
    (_MID_RINSE_S, _LONG_S, 1.0),
    (_MID_FILL_S, _BRIEF_S, 1.0),
    (_MID_FILL_S, _LONG_S, _SEVERE),
)
"""The moment, the duration and the severity of a kind that is tried alone."""

_HAPPENINGS = (
    Happening.POWER_CUT,
    Happening.KILLED,
    Happening.BROKER_GONE,
    Happening.CLOCK_STEP,
    Happening.DISK_FULL,
    Happening.DRAW,
)
_ACTS = tuple(act for act in Act if act not in (Act.KILL_BRIDGE, Act.RESET_CONTROLLER))
_TAKEN_BACK = {Act.HOLD: Act.RELEASE, Act.UNFIT_SAMPLE: Act.FIT_SAMPLE}
"""Acts that a person takes back after the duration of the move."""
KINDS = tuple(one.value for group in (tuple(FaultName), _HAPPENINGS, _ACTS) for one in group)
"""The kinds of moves: each fault, happening and command by its value."""


@dataclass(frozen=True, slots=True)
class Move:
    """One move of a plot."""

    kind: str
    at_s: float
    lasts_s: float = 60.0
    """How long a fault, a happening, a hold or an unfit sample lasts; a clock step in seconds."""
    severity: float = 1.0

    def events(self) -> list[Event]:
        """Return the event of this move, and the event that ends it if a person takes it back."""
        for name in FaultName:
            if name.value == self.kind:
                severity = self.severity * HURRIED.get(name, 1.0)
                return [Event(self.at_s, Fault(name, 0.0, self.lasts_s, severity))]
        for happening in _HAPPENINGS:
            if happening.value == self.kind:
                size = 20.0 if happening is Happening.DRAW else self.lasts_s
                return [Event(self.at_s, happening=happening, size=size)]
        for act in _ACTS:
            if act.value == self.kind:
                back = _TAKEN_BACK.get(act)
                ends = [] if back is None else [event_of(self.at_s + self.lasts_s, back)]
                return [event_of(self.at_s, act), *ends]
        raise InputError(f"the move {self.kind!r} is not known; the moves are {', '.join(KINDS)}")


@dataclass(frozen=True, slots=True)
class Plot:
    """A place, and the moves in it. A person asks for a fill after ten seconds, and again later."""

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
            return _limited(half, fill_max_s=120.0)
        case "small fills":
            return _limited(half, fill_max_l=2.0)
        case _:
            return half


def _limited(place: Garden, **limits: float) -> Garden:
    plan = place.plan
    return replace(place, plan=replace(plan, limits=replace(plan.limits, **limits)))  # type: ignore[arg-type]


PLACES = ("half full", "nearly full", "no drain", "hot", "short fills", "small fills")
"""The places of a plot. Each bound of the plan can be reached in one of them."""


@dataclass(frozen=True, slots=True)
class Harm:
    """The harm that a plot did."""

    violations: tuple[str, ...]
    over_limit_l: float
    spilled_l: float
    unseen_s: float
    """Seconds in which water over the limit entered and no sign was shown."""
    opening_share: float
    """The largest share of its bound that the water over the limit of one opening reached."""
    notice_share: float
    """The largest share of its bound that the time until the sign of a fault reached."""

    @property
    def score(self) -> float:
        """The harm as one number; a violation outweighs everything else."""
        others = (self.over_limit_l, self.spilled_l, self.unseen_s / 60.0)
        return (
            1000.0 * bool(self.violations)
            + 10.0 * (self.opening_share + self.notice_share)
            + sum(math.log1p(one) for one in others)
        )


def play(plot: Plot) -> Harm:
    """Run a plot, and return the harm that it did."""
    events = [event_of(at_s, Act.START_FILL) for at_s in _ASKED_AT_S]
    events += [event for move in plot.moves for event in move.events()]
    place = _place(plot.place)
    year = Year(
        Task("search", place.scenario.name, 0.25, faults=True, short=True),
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
        # A tripped guard is not taken for one that stays shut: it may be the one that is at fault.
        if plot.moves and is_steady(year, _ENDS_S):
            break
    year.end()
    outcome = year.outcome
    return Harm(
        tuple(one.sentence for one in outcome.violations),
        world.over_limit_l,
        world.reservoir.spilled.litres,
        unseen_s,
        outcome.entered.worst_share,
        max(map(_notice_share, outcome.tallies.values())),
    )


def _notice_share(tally: Tally) -> float:
    return max(tally.times_s, default=0.0) / tally.bound_s if tally.bound_s > 0.0 else 0.0


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
        lasts_s = 10.0 ** min(3.0, max(0.0, chance.gauss(*self.lasts)))
        severity = 10.0 ** chance.uniform(-0.3, 0.7)
        return Move(kind, _in_time(chance.gauss(*self.at_s)), round(lasts_s, 1), round(severity, 2))

    def learn(self, elite: Sequence[Move]) -> None:
        if not elite:
            return
        shares = [sum(move.kind == kind for move in elite) / len(elite) for kind in KINDS]
        self.kinds = [_KEPT * old + (1.0 - _KEPT) * new for old, new in zip(self.kinds, shares, strict=True)]
        self.at_s = _moved(self.at_s, [move.at_s for move in elite], 10.0)
        self.lasts = _moved(self.lasts, [math.log10(move.lasts_s) for move in elite], 0.2)


def _in_time(at_s: float) -> float:
    return round(min(_ENDS_S - 60.0, max(1.0, at_s)), 1)


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


class _Hunt:
    """What a search has learnt; mutable."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(f"{seed}/search")
        self._slots = [_Slot() for _ in range(_SLOTS)]
        self._quiet: dict[str, float] = {}
        self._pool: list[Find] = []
        self.plays = 0

    @property
    def worst(self) -> Find:
        """The worst plot so far."""
        return self._pool[0]

    def tries(self, plot: Plot) -> Find:
        """Play a plot. The first plot of a place must have no moves."""
        self.plays += 1
        harm = play(plot)
        if plot.place not in self._quiet:
            # Standing water enters from a rinse without a drain: that is no merit of a plot.
            self._quiet[plot.place] = 0.0 if harm.violations else harm.score
        find = Find(plot, harm, harm.score - self._quiet[plot.place], self.plays)
        # One plot of each place and set of kinds, so that the pool does not fill with changes of one plot.
        others = [one for one in self._pool if _subject(one.plot) != _subject(plot)]
        before = [one for one in self._pool if _subject(one.plot) == _subject(plot)]
        self._pool = sorted([*others, max([*before, find], key=_gain)], key=_gain, reverse=True)[:_POOL]
        return find

    def draw(self, number: int) -> Plot:
        """Draw the plot of this number in a round."""
        chance = self._chance
        if number >= _CHANGED:
            return Plot(chance.choice(PLACES), tuple(slot.draw(chance) for slot in self._slots))
        plot = chance.choice(self._pool).plot
        moves = list(plot.moves)
        if len(moves) < _SLOTS and chance.random() < 0.5:
            moves.append(chance.choice(self._slots).draw(chance))
        elif moves:
            at = chance.randrange(len(moves))
            move = moves[at]
            later_s, longer = chance.gauss(0.0, 10.0), 10.0 ** chance.gauss(0.0, 0.3)
            changed = replace(
                move, at_s=_in_time(move.at_s + later_s), lasts_s=round(max(1.0, move.lasts_s * longer), 1)
            )
            moves[at] = changed if chance.random() < 0.7 else self._slots[at].draw(chance)
        place = plot.place if chance.random() < 0.9 else chance.choice(PLACES)
        return Plot(place, tuple(moves))

    def learn(self, drawn: Sequence[Find]) -> None:
        """Move the distribution towards the worst plots of a round."""
        elite = sorted(drawn, key=_gain, reverse=True)[:_ELITE]
        for index, slot in enumerate(self._slots):
            slot.learn([one.plot.moves[index] for one in elite if index < len(one.plot.moves)])

    def shrunk(self, find: Find) -> Find:
        """Leave out every move without which the plot does the same harm."""
        least = 0.95 * find.gain + self._quiet[find.plot.place]
        for move in find.plot.moves:
            plot = replace(find.plot, moves=tuple(one for one in find.plot.moves if one is not move))
            harm = play(plot)
            if harm.score >= least:
                find = replace(find, plot=plot, harm=harm)
        return replace(find, gain=find.harm.score - self._quiet[find.plot.place], plays=self.plays)


def _subject(plot: Plot) -> tuple[str, ...]:
    return plot.place, *sorted(move.kind for move in plot.moves)


def _gain(find: Find) -> float:
    return find.gain


def _beginnings() -> Iterator[Plot]:
    """Yield each place without a move, then each kind of move alone: in the first place at each moment."""
    for place in PLACES:
        yield Plot(place, ())
    for at_s, lasts_s, severity in _ALONE:
        for kind in KINDS:
            yield Plot(PLACES[0], (Move(kind, at_s, lasts_s, severity),))
    for place in PLACES[1:]:
        for kind in KINDS:
            yield Plot(place, (Move(kind, _MID_FILL_S, _LONG_S),))


def search(seed: int, goes_on: Callable[[int], bool], *, until_violation: bool = True) -> Find:
    """Search for the plot that does most harm.

    Args:
        seed: The seed of the search.
        goes_on: Returns, for the number of plots played so far, whether to play another one.
        until_violation: Whether the first violation ends the search.

    Returns:
        The worst plot, shrunk.
    """
    hunt = _Hunt(seed)
    for plot in _beginnings():
        if hunt.plays and not goes_on(hunt.plays):
            return hunt.shrunk(hunt.worst)
        find = hunt.tries(plot)
        if find.harm.violations and until_violation:
            return hunt.shrunk(find)
    while True:
        drawn: list[Find] = []
        for number in range(_ROUND):
            if not goes_on(hunt.plays):
                return hunt.shrunk(hunt.worst)
            drawn.append(hunt.tries(hunt.draw(number)))
            if drawn[-1].harm.violations and until_violation:
                return hunt.shrunk(drawn[-1])
        hunt.learn(drawn)


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
