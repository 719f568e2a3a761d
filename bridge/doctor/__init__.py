"""Checks everything that a bridge needs, and reports what is wrong and what to do.

``see_*`` is shell and collects facts; ``judge_*`` is core and turns the facts into findings. This file has
the finding, which is the result of one check: a verdict, a sentence, and what to do. It is core.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """The result of a check in one word."""

    OK = "ok"
    LOOK = "look"
    """It works or cannot be checked from here, and a person should look at it."""
    WRONG = "wrong"
    """The bridge cannot do all of its work."""


SIGNS = {Verdict.OK: "[+] ok", Verdict.LOOK: "[?] look", Verdict.WRONG: "[!] WRONG"}
"""A sign with its word; colours carry no information."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line."""

    check: str
    """One word, the same in every version of the program."""
    about: str
    """The reservoir, the cell or the topic that was checked; empty if there is only one."""
    verdict: Verdict
    what: str
    """The state, as sentences."""
    next: str = ""
    """What to do, as sentences; empty if there is nothing to do."""


def worst(findings: Iterable[Finding]) -> Verdict:
    """Return the worst verdict; ok if there are no findings."""
    order = list(Verdict)
    return max((one.verdict for one in findings), key=order.index, default=Verdict.OK)
