"""Collects facts about a serial port and asks the controller for its identity. Shell.

It never opens the valve: the first and the last frame is a close, and every frame between them only asks for
the identity. Opening a port resets many boards, which shut their valves when they start.
"""

import asyncio
import grp
import os
import pwd
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

from bridge.doctor.judge_line import ControllerFacts, Holder, PortFacts
from bridge.protocol.frame import Damaged, Ignored, IgnoreReason
from bridge.protocol.messages import FromController, Hello, Identify, Reading
from bridge.protocol.session import DownCause, LinkDown, LinkUp
from bridge.station.plan import StationPlan
from bridge.transport.link import link_to

ANSWER_S = 8.0
"""A board that the opening has reset may take three seconds to its hello."""
ASK_AGAIN_S = 1.0
_BY_ID = Path("/dev/serial/by-id")
_PSEUDO_TERMINALS = range(136, 144)
"""Major numbers. Source: Linux, Documentation/admin-guide/devices.txt."""


def see_port(path: str) -> PortFacts:
    """Collect the facts about a path, with the processes that have it open, as far as this user may see."""
    me = _user(os.geteuid())
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        others = sorted(str(one) for one in _BY_ID.iterdir()) if _BY_ID.is_dir() else []
        return PortFacts(path, None, me=me, others=tuple(others))
    locked = set(_lockers(found))
    # The program at the other end of a pseudo-terminal often has this end open too, which does no harm.
    opened = set() if os.major(found.st_rdev) in _PSEUDO_TERMINALS else set(openers(path))
    holders = tuple(holder(pid) for pid in sorted((locked | opened) - {os.getpid()}))
    may = os.access(path, os.R_OK | os.W_OK, effective_ids=True)
    return PortFacts(path, found.st_mode, _user(found.st_uid), _group(found.st_gid), me, may, holders)


def lockers(path: Path) -> list[int]:
    """Return the processes with an advisory lock on a file; every user may see all of them."""
    try:
        return _lockers(path.stat())
    except OSError:
        return []


def _lockers(found: os.stat_result) -> list[int]:
    # proc(5), /proc/locks: "1: FLOCK ADVISORY WRITE <pid> <major>:<minor>:<inode> 0 EOF", the device in hex.
    where = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    try:
        lines = Path("/proc/locks").read_text("ascii", "replace").splitlines()
    except OSError:
        return []
    fields = [line.split() for line in lines]
    return [int(one[4]) for one in fields if len(one) > 5 and one[5] == where and one[4].isdigit()]


def openers(path: str) -> Iterator[int]:
    """Yield the processes that have a file open: all of them for root, else those of this user."""
    real = os.path.realpath(path)
    for process in Path("/proc").iterdir():
        if not process.name.isdigit():
            continue
        try:
            descriptors = list((process / "fd").iterdir())
        except OSError:
            continue
        if any(_points_to(one, real) for one in descriptors):
            yield int(process.name)


def _points_to(link: Path, real: str) -> bool:
    try:
        return os.readlink(link) == real
    except OSError:
        return False


def holder(pid: int) -> Holder:
    """Describe a process by its name only, because its arguments may contain a secret."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
        name = Path(f"/proc/{pid}/comm").read_text("utf-8", "replace").strip()
    except OSError:
        return Holder(pid, "a program that has ended", False)
    programs = [os.path.basename(word) for word in words]
    ours = any(now == "run" and before in ("clearwell", "bridge") for before, now in pairwise(programs))
    return Holder(pid, name, ours)


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)


def ask_controller(plan: StationPlan, timeout_s: float = ANSWER_S) -> ControllerFacts:
    """Open the line, wait for an identity and a reading, and close it again.

    Args:
        plan: the reservoir's plan.
        timeout_s: how long to wait.

    Raises:
        InputError: the plan needs Modbus and its library is not installed.
    """
    return asyncio.run(_ask(plan, timeout_s))


async def _ask(plan: StationPlan, timeout_s: float) -> ControllerFacts:
    hello: Hello | None = None
    reading: Reading | None = None
    foreign = damaged = 0
    down: LinkDown | None = None
    done = asyncio.Event()

    def on_message(message: FromController) -> None:
        nonlocal hello, reading
        if isinstance(message, Hello):
            hello = message
        elif isinstance(message, Reading):
            reading = message
        if hello is not None and reading is not None:
            done.set()

    def on_link(news: LinkUp | LinkDown) -> None:
        nonlocal down
        if isinstance(news, LinkDown):
            down = news
            if news.cause is not DownCause.SILENT:
                done.set()

    def on_stray(stray: Damaged | Ignored) -> None:
        nonlocal foreign, damaged
        if isinstance(stray, Damaged):
            damaged += 1
        elif stray.reason is IgnoreReason.VERSION:
            foreign += 1

    link = link_to(
        plan.port,
        plan.baud,
        plan.modbus,
        silence_s=plan.limits.stale_after_s,
        on_message=on_message,
        on_link=on_link,
        on_stray=on_stray,
    )
    running = asyncio.create_task(link.run())
    try:
        async with asyncio.timeout(timeout_s):
            while not done.is_set():
                try:
                    await asyncio.wait_for(done.wait(), ASK_AGAIN_S)
                except TimeoutError:
                    # The board may have been starting when the first request arrived.
                    link.send(Identify(link.next_sequence()))
    except TimeoutError:
        # The facts are what was received until now.
        pass
    link.finish()
    await running
    return ControllerFacts(hello, reading, foreign, damaged, down)
