"""Runs all singles and all pairs, and prints their tables as Markdown."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from bridge.rig.faults import PAIRED, FaultName
from bridge.simulate.campaign import spread
from bridge.simulate.scenes.bounds import UNCOVERED, bounds, hazards_of
from bridge.simulate.scenes.scene import ALL_OPTIONS, FULL, PHASES, SCENES, Option, Scene, outfit
from bridge.simulate.scenes.trial import Finding, fitted, pairs_with, singles_in, together_in


@dataclass(frozen=True, slots=True)
class Chunk:
    """The work of one process: one scene with these options, and the faults that come first in it."""

    scene: Scene
    options: frozenset[Option]
    faults: tuple[FaultName, ...]
    noticed_s: float | None = None
    """The seconds until the first fault of pairs is noticed alone; None if it is not noticed."""


def _singles_of(chunk: Chunk) -> list[Finding]:
    return singles_in(chunk.scene, chunk.faults, chunk.options)


def _pairs_of(chunk: Chunk) -> list[Finding]:
    return [
        found for name in chunk.faults for found in pairs_with(chunk.scene, name, PAIRED, chunk.noticed_s)
    ]


def _all(
    work: Callable[[Chunk], list[Finding]], chunks: list[Chunk], jobs: int | None
) -> list[list[Finding]]:
    found = dict(spread(work, chunks, jobs))
    return [found[index] for index in range(len(chunks))]


def singles(
    jobs: int | None = None,
    scenes: Sequence[Scene] = SCENES,
    names: Sequence[FaultName] = tuple(FaultName),
) -> list[Finding]:
    """Try each fault alone in each scene, with every option that the scene permits."""
    chunks = [Chunk(scene, fitted(scene), tuple(names)) for scene in scenes]
    return [one for part in _all(_singles_of, chunks, jobs) for one in part]


PAIR_SCENES = (*PHASES, FULL)
_SHOWN, _WORTH_SHOWING_L = 20, 0.5


def pairs(
    alone: Sequence[Finding],
    jobs: int | None = None,
    scenes: Sequence[Scene] = PAIR_SCENES,
) -> list[Finding]:
    """Try each ordered pair of faults in each scene, with the second fault at several moments.

    Args:
        alone: The findings of the first faults alone in these scenes.
        jobs: The number of processes. Without it, one process runs on each core.
        scenes: The scenes.
    """
    by_name = {scene.name: scene for scene in scenes}
    chunks = [
        Chunk(by_name[one.scene], fitted(by_name[one.scene]), one.faults, one.noticed_s)
        for one in alone
        if one.scene in by_name and one.faults[0] in PAIRED
    ]
    return [one for part in _all(_pairs_of, chunks, jobs) for one in part]


NAMED_PAIRS = tuple(
    (one, other)
    for row in UNCOVERED
    if row.other is not None
    for one in sorted(row.one, key=tuple(FaultName).index)
    for other in sorted(row.other, key=tuple(FaultName).index)
)
"""The pairs that one valve and one float cannot cover: what some options are for."""


def _compared_of(chunk: Chunk) -> list[Finding]:
    pairs = together_in(chunk.scene, NAMED_PAIRS, chunk.options)
    return singles_in(chunk.scene, chunk.faults, chunk.options) + pairs


def compared(options: Sequence[Option], jobs: int | None = None) -> dict[str, list[Finding]]:
    """Try each fault alone, and the named pairs, with no option and with each one of these options.

    Returns:
        The findings by the name of the option; those without an option have the name ``none``.
    """
    outfits = {"none": frozenset[Option]()} | {option.value: frozenset({option}) for option in options}
    chunks = [
        Chunk(scene, fittings, tuple(FaultName))
        for fittings in outfits.values()
        for scene in PAIR_SCENES
        # Without a drain valve, both scenes of a rinse are the same.
        if scene.has_drain
    ]
    parts = _all(_compared_of, chunks, jobs)
    found: dict[str, list[Finding]] = {name: [] for name in outfits}
    for chunk, part in zip(chunks, parts, strict=True):
        found[next(name for name, fittings in outfits.items() if fittings == chunk.options)] += part
    return found


# --- tables -------------------------------------------------------------------------------------------------


def table_of_singles(findings: Sequence[Finding]) -> str:
    """Return the table of the faults alone."""
    garden = outfit(ALL_OPTIONS, 0.6)
    hazards, bound = hazards_of(garden), bounds(outfit(frozenset(), 0.6))
    rows = []
    for name in FaultName:
        own = [one for one in findings if one.faults == (name,)]
        if not own:
            continue
        times = [one.noticed_s for one in own if one.noticed_s is not None]
        rows.append(
            (
                name.value,
                _signs(own),
                f"{median(times):.0f}" if times else "-",
                f"{max(times):.0f}" if times else "-",
                f"{len(own) - len(times)} of {len(own)}",
                _worst(own, "over_limit_l"),
                f"{bound[name].over_limit_l:.2f}",
                _worst(own, "spilled_l"),
                _worst(own, "floor_l"),
                _left(own, hazards[name].remark),
            )
        )
    return _markdown(
        (
            "fault",
            "noticed by",
            "median s",
            "worst s",
            "not noticed",
            "L over the limit",
            "at most",
            "L over the rim",
            "L on the floor",
            "left to people",
        ),
        rows,
    )


def _signs(findings: Sequence[Finding]) -> str:
    counts = Counter(one.noticed_by for one in findings if one.noticed_by is not None)
    return ", ".join(sign for sign, _ in counts.most_common(2)) or "nothing"


def _worst(findings: Sequence[Finding], what: str) -> str:
    litres = max(float(getattr(one, what)) for one in findings)
    return f"{litres:.2f}" if litres >= 0.005 else "0"


def _left(findings: Sequence[Finding], remark: str) -> str:
    still = max(one.still_l_min for one in findings)
    if still > 0.0:
        return f"{still:.2g} L/min run on: the overflow pipe, then the hand valve"
    return remark or "-"


def table_of_options(found: dict[str, list[Finding]]) -> str:
    """Return what each option changes: only the faults for which an option changes something."""
    rows = []
    for faults in (*((name,) for name in FaultName), *NAMED_PAIRS):
        cells = []
        for findings in found.values():
            own = [one for one in findings if one.faults == faults]
            cells.append(_cell(own) if own else "not tried")
        if any(cell != cells[0] for cell in cells):
            rows.append((" and ".join(name.value for name in faults), *cells))
    heads = ("none of these" if name == "none" else f"with {name}" for name in found)
    return _markdown(("fault", *heads), rows)


def _cell(own: Sequence[Finding]) -> str:
    parts = [
        f"{litres:.1f} L {where}"
        for what, where in (
            ("over_limit_l", "over the limit"),
            ("spilled_l", "over the rim"),
            ("floor_l", "on the floor"),
        )
        if (litres := max(float(getattr(one, what)) for one in own)) >= 0.05
    ]
    unseen = sum(1 for one in own if one.noticed_s is None)
    # A trial of a pair does not wait for the notice.
    if unseen and len(own[0].faults) == 1:
        parts.append(f"not noticed in {unseen} of {len(own)} scenes")
    return ", ".join(parts) or "nothing"


def table_of_pairs(findings: Sequence[Finding]) -> str:
    """Return the worst of the pairs that cost something, and the pairs that nothing covers."""
    heading = "Pairs that one valve and one float cannot cover:"
    return "\n".join([table_of_worst(findings), "", heading, "", *uncovered_lines()])


def uncovered_lines() -> list[str]:
    """Return a line of Markdown for each group of pairs that one valve and one float cannot cover."""
    lines = []
    for row in UNCOVERED:
        other = "any fault" if row.other is None else _names(row.other)
        what = {"over_limit_l": "over the limit", "spilled_l": "over the rim", "floor_l": "on the floor"}[
            row.what
        ]
        covered = "; a check cell covers it" if row.has_remedy else ""
        lines.append(f"- {_names(row.one)}; with {other}: litres {what}, because {row.reason}{covered}.")
    return lines


def table_of_worst(findings: Sequence[Finding]) -> str:
    """Return the twenty groups of faults that cost most, in the order in which the faults came."""
    worst: dict[tuple[FaultName, ...], list[Finding]] = {}
    for one in findings:
        worst.setdefault(one.faults, []).append(one)
    costly = sorted(
        worst.items(),
        key=lambda entry: -max(one.over_limit_l + one.spilled_l for one in entry[1]),
    )
    rows = [
        (
            ", then ".join(name.value for name in faults),
            _worst(own, "over_limit_l"),
            _worst(own, "spilled_l"),
            _worst(own, "floor_l"),
            _where(own),
        )
        for faults, own in costly[:_SHOWN]
        if max(one.over_limit_l + one.spilled_l for one in own) >= _WORTH_SHOWING_L
    ]
    heads = ("faults", "L over the limit", "L over the rim", "L on the floor", "worst in")
    return _markdown(heads, rows)


def _names(faults: Iterable[FaultName]) -> str:
    return ", ".join(sorted(name.value for name in faults))


def _where(own: Sequence[Finding]) -> str:
    worst = max(own, key=lambda one: one.over_limit_l + one.spilled_l)
    return f"{worst.scene}, {worst.when}"


def violations_of(findings: Sequence[Finding]) -> list[str]:
    """Return a line for each violation, with the scene and the faults."""
    return [
        f"{one.scene}: {' and '.join(name.value for name in one.faults)}"
        f"{f' ({one.when})' if one.when else ''}: {sentence}."
        for one in findings
        for sentence in one.violations
    ]


def _markdown(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(line[column]) for line in (heads, *rows)) for column in range(len(heads))]

    def line(cells: Sequence[str]) -> str:
        return "| " + " | ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)) + " |"

    return "\n".join(
        (line(heads), "|" + "|".join("-" * (width + 2) for width in widths) + "|", *map(line, rows))
    )
