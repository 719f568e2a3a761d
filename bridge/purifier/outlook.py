"""An exchange bed forecast through the season: feed and use are those of the days until it gives out."""

from bridge.purifier.breakthrough import Front
from bridge.purifier.forecast import Expected, Forecast, forecast
from bridge.purifier.season import Season, expected

_ROUNDS = 3
LONGEST_DAYS = 3652.0


def through_season(front: Front, feed: Season, use: Season, today: float, lead_days: float) -> Forecast:
    """Litres and days left when feed (ppm) and use (litres a day) follow their seasons.

    The days left decide over which days feed and use are averaged, and these decide the days left: three
    rounds settle it.

    Raises:
        InputError: a negative lead time.
    """
    days = 30.0
    for _ in range(_ROUNDS - 1):
        days = min(over_days(front, feed, use, today, days, lead_days).days_left.median, LONGEST_DAYS)
    return over_days(front, feed, use, today, days, lead_days)


def over_days(
    front: Front, feed: Season, use: Season, today: float, days: float, lead_days: float
) -> Forecast:
    """One round: the forecast with feed and use as they are to be expected over so many days from today."""
    end = today + max(days, 1.0)
    coming: Expected = expected(feed, today, end)
    return forecast(front, coming, expected(use, today, end), lead_days)
