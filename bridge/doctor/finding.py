"""What one check found: a word, a sentence on it, and what to do. Core."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """How a check came out."""

    OK = "ok"
    LOOK = "look"
    """It works, or cannot be told from here, and is worth a person's look."""
    WRONG = "wrong"
    """The bridge cannot do its work, or not all of it."""


SIGNS = {Verdict.OK: "[+] ok", Verdict.LOOK: "[?] look", Verdict.WRONG: "[!] WRONG"}
"""A sign and its word; nothing is told by a colour."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line."""

    check: str
    """One word, the same in every version of the program."""
    about: str
    """The reservoir, the cell or the file that is meant; empty where there is only one."""
    verdict: Verdict
    what: str
    """What is so, as sentences."""
    next: str = ""
    """What to do, as sentences; empty where nothing is to be done."""


def worst(findings: Iterable[Finding]) -> Verdict:
    """The worst of them; ok where there is none."""
    order = list(Verdict)
    return max((one.verdict for one in findings), key=order.index, default=Verdict.OK)
