"""What lies ahead of a reservoir: when its purifier gives out, how long its water lasts. Values only."""

from dataclasses import dataclass

from bridge.purifier.forecast import Interval
from bridge.tank.cover import Cover, Leak


@dataclass(frozen=True, slots=True)
class Ahead:
    """None where too little is known to say."""

    litres_left: Interval | None = None
    """Product until it crosses the limit."""
    days_left: Interval | None = None
    order_now: bool | None = None
    dry_share_of_lead: float | None = None
    """The part of the lead time that is on average spent after the crossing."""
    rests_on: str = ""
    """What the figures were drawn from."""
    cover: Cover | None = None
    """How long the water in the reservoir lasts with nothing flowing in."""
    leak: Leak | None = None


NOTHING_KNOWN = Ahead()
