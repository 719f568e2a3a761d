"""Runs all singles and all pairs, and prints their tables as Markdown."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from bridge.rig.faults import FaultName
from bridge.simulate.campaign import spread
from bridge.simulate.scenes.bounds import UNCOVERED, bounds, hazards_of
from bridge.simulate.scenes.scene import ALL_OPTIONS, FULL, PHASES, SCENES, Option, Scene, outfit
from bridge.simulate.scenes.trial import Finding, fitted, pairs_with, single


@dataclass(frozen=True, slots=True)
class Chunk:
    """The work of one process: one scene with these options, and the faults that come first in it."""

    scene: Scene
    options: frozenset[Option]
    faults: tuple[FaultName, ...]


def _singles_of(chunk: Chunk) -> list[Finding]:
    return [single(chunk.scene, name, chunk.options) for name in chunk.faults]


def _pairs_of(chunk: Chunk) -> list[Finding]:
    return [found for name in chunk.faults for found in pairs_with(chunk.scene, name, FaultName)]


def _all(
    work: Callable[[Chunk], list[Finding]], chunks: list[Chunk], jobs: int | None
) -> list[list[Finding]]:
    found = dict(spread(work, chunks, jobs))
    return [found[index] for index in range(len(chunks))]


def singles(jobs: int | None = None, scenes: Sequence[Scene] = SCENES) -> list[Finding]:
    """Try each fault alone in each scene, with every option that the scene permits."""
    chunks = [Chunk(scene, fitted(scene), (name,)) for scene in scenes for name in FaultName]
    return [one for part in _all(_singles_of, chunks, jobs) for one in part]


PAIR_SCENES = (*PHASES, FULL)


def pairs(
    jobs: int | None = None,
    scenes: Sequence[Scene] = PAIR_SCENES,
    firsts: Sequence[FaultName] = tuple(FaultName),
) -> list[Finding]:
    """Try each ordered pair of faults in each scene, with the second fault at several moments."""
    chunks = [Chunk(scene, fitted(scene), (name,)) for scene in scenes for name in firsts]
    return [one for part in _all(_pairs_of, chunks, jobs) for one in part]


def compared(options: Sequence[Option], jobs: int | None = None) -> dict[str, list[Finding]]:
    """Try each fault alone with no option, and with each one of these options.

    Returns:
        The findings by the name of the option; those without an option have the name ``none``.
    """
    outfits = {"none": frozenset[Option]()} | {option.value: frozenset({option}) for option in options}
    chunks = [
        Chunk(scene, fittings, (name,))
        for fittings in outfits.values()
        for scene in PAIR_SCENES
        # Without a drain valve, both scenes of a rinse are the same.
        if scene.has_drain
        for name in FaultName
    ]
    parts = _all(_singles_of, chunks, jobs)
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
    for name in FaultName:
        cells = []
        for findings in found.values():
            own = [one for one in findings if one.faults == (name,)]
            cells.append(_cell(own) if own else "not tried")
        if any(cell != cells[0] for cell in cells):
            rows.append((name.value, *cells))
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
    if unseen:
        parts.append(f"not noticed in {unseen} of {len(own)} scenes")
    return ", ".join(parts) or "nothing"


def table_of_pairs(findings: Sequence[Finding]) -> str:
    """Return the worst of the pairs that cost something, and the pairs that nothing covers."""
    worst: dict[tuple[FaultName, ...], list[Finding]] = {}
    for one in findings:
        worst.setdefault(one.faults, []).append(one)
    costly = sorted(
        worst.items(),
        key=lambda entry: -max(one.over_limit_l + one.spilled_l for one in entry[1]),
    )
    rows = [
        (
            faults[0].value,
            faults[1].value,
            _worst(own, "over_limit_l"),
            _worst(own, "spilled_l"),
            _worst(own, "floor_l"),
            _where(own),
        )
        for faults, own in costly[:20]
        if max(one.over_limit_l + one.spilled_l for one in own) >= 0.5
    ]
    heads = (
        "first fault",
        "second fault",
        "L over the limit",
        "L over the rim",
        "L on the floor",
        "worst in",
    )
    lines = [_markdown(heads, rows), "", "Pairs that one valve and one float cannot cover:", ""]
    for row in UNCOVERED:
        other = "any fault" if row.other is None else _names(row.other)
        lines.append(f"- {_names(row.one)}; with {other}: {row.reason}.")
    return "\n".join(lines)


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
