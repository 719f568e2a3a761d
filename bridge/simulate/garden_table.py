"""The outcome of seasons of a garden of trays, as a table and as JSON values."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

from bridge.errors import InputError
from bridge.simulate.garden_season import DAYS, Grower, Season, coverage, coverage_sd
from bridge.simulate.garden_world import BENCHES, TrueDay
from bridge.trays.course import Weather

CLOUDS_DRY, CLOUDS_WET = 0.5, 0.9
"""The clouds of a day without and with rain, where a file says nothing about them (invented)."""


def season_of(weather: Mapping[date, Weather], number: int, days: int) -> list[TrueDay]:
    """Return the days of a season out of a weather file, from a first of March on.

    Args:
        weather: The days of the file.
        number: 0 for the first season in it, 1 for the second.
        days: The days that the season needs with its horizon; those after :data:`DAYS` may be missing.

    Raises:
        InputError: The file does not hold that season.
    """
    starts = [day for day in sorted(weather) if (day.month, day.day) == (3, 1)]
    made: list[TrueDay] = []
    if number < len(starts):
        for later in range(days):
            day = starts[number] + timedelta(days=later)
            one = weather.get(day)
            if one is None or one.highest_c is None or one.lowest_c is None:
                break
            clouds = CLOUDS_WET if one.rain_mm > 0.2 else CLOUDS_DRY
            made.append(TrueDay(day, one.highest_c, one.lowest_c, one.rain_mm, clouds))
    if len(made) < DAYS:
        raise InputError(
            f"--weather: season {number + 1} needs {DAYS} days in a row from a first of March; there are "
            f"{len(made)}"
        )
    return made


_ROWS = (
    ("litres used", "litres"),
    ("walks", "walks"),
    ("flushes of a tray", "flushes"),
    ("samples", "samples"),
    ("tray-days over the limit", "any_over"),
    ("tray-days dry", "any_dry"),
)


def lines(seasons: Sequence[Season]) -> Iterator[str]:
    """Put the outcome into a table of Markdown."""
    count = len(seasons)
    yield (
        f"{count} season{'' if count == 1 else 's'} of {len(BENCHES)} benches, 365 days from 1 March, "
        f"seeds {seasons[0].seed} to {seasons[-1].seed}"
    )
    yield ""
    yield "| a season, on average | without the round | with the round |"
    yield "|---|---|---|"
    for label, name in _ROWS:
        without, with_it = (_mean(seasons, which, name) for which in ("without", "with_round"))
        yield f"| {label} | {without:.0f} | {with_it:.0f} |"
    for plan in BENCHES:
        cells = [
            f"{sum(own.over_days.get(plan.ident, 0) for own in growers) / count:.0f} over, "
            f"{sum(own.dry_days.get(plan.ident, 0) for own in growers) / count:.0f} dry"
            for growers in _both(seasons)
        ]
        yield f"| {plan.name} | {cells[0]} | {cells[1]} |"
    held, all_ = coverage([one for season in seasons for one in season.judged])
    yield ""
    yield (
        f"The 80 % interval of the days until the limit held the truth in {held} of {all_} forecasts: "
        f"{100.0 * held / max(all_, 1):.0f} %, where chance alone scatters by {coverage_sd(all_):.1f} %."
    )


def as_values(seasons: Sequence[Season]) -> dict[str, object]:
    """Return the outcome as JSON values."""
    held, all_ = coverage([one for season in seasons for one in season.judged])
    return {
        "seasons": [
            {
                "seed": season.seed,
                **{
                    key: {name: round(float(getattr(own, name)), 1) for _, name in _ROWS}
                    for key, own in (("without", season.without), ("with", season.with_round))
                },
            }
            for season in seasons
        ],
        "intervals": {"held": held, "of": all_},
    }


def _both(seasons: Sequence[Season]) -> tuple[list[Grower], list[Grower]]:
    return [season.without for season in seasons], [season.with_round for season in seasons]


def _mean(seasons: Sequence[Season], which: str, name: str) -> float:
    return sum(float(getattr(getattr(season, which), name)) for season in seasons) / len(seasons)
