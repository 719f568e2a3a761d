"""Fuzzes the codec, guided by the code coverage of each input.

    python tests/protocol/fuzz_codec.py --seconds 60                    with atheris, if it is installed
    python tests/protocol/fuzz_codec.py --seconds 60 --engine own       with the small loop below

atheris (libFuzzer for Python, with wheels for Linux on x86-64) is the better engine: it is faster, and it
traces comparisons as well as lines. The loop below keeps an input if it makes the codec step between two
lines in a new order, and mutates the kept inputs.

Every input of both engines goes through :func:`check`. A mutated frame has a correct CRC once in four
thousand million times, so mutation alone would never reach the fields. Half of the inputs are therefore lines
that get their CRC after the mutation.
"""

import argparse
import importlib.util
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any
from zlib import crc32

ROOT = Path(__file__).parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

LONGEST = 600
"""The greatest length of an input in bytes: a few frames."""
SEALED, TO_CONTROLLER = 1, 2
SEEDS = (
    b">1 0 hello id=tunnel-1 fw=1.0.2 boot=power lease=10000 fit=95",
    b">1 4710 reading path=fill p=3.271 pt=18.42 f=412.6 ft=17.9 lv=0.6125 sw=100 n=18231",
    b">1 4711 reading path=shut p=? pt=18.4 lv=0.6125 sw=--0 err=2",
    b">1 4712 ack of=88 path=fill",
    b">1 4713 no of=89 why=nodrain",
    b"<1 88 lease ms=4000",
    b"<1 89 drain ms=4000",
    b"<1 90 close",
    b"<1 91 identify",
)
"""The examples of the protocol page without their CRC."""
WORDS = (
    b" path=", b"shut", b"fill", b"drain", b" p=", b" pt=", b" sw=", b" n=", b" err=", b" of=", b" ms=", b"0",
    b"65535", b"65536", b"00", b"4294967295", b"4294967296", b"-", b"?", b".", b"=", b" ", b"*", b"<", b">",
    b"\r", b"\n", b"\0", b"\xff", b"1e9", b"unknown", b"1-0",
)  # fmt: skip


def check(data: bytes) -> int:
    """Check that the codec handles these bytes correctly.

    Args:
        data: The input. The first byte selects how the rest is used, and the second selects the chunk size.

    Returns:
        The number of messages in the input.

    Raises:
        AssertionError: The codec read the input wrongly.
    """
    from bridge.protocol.codec import Damaged, Direction, Ignored
    from bridge.protocol.frame import LONGEST_FRAME
    from tests.narrowing import decoder_of
    from tests.protocol.page_reader import said
    from tests.protocol.test_damage import receive_as_the_page_says
    from tests.protocol.test_vectors import described

    how, piece = data[:2].ljust(2, b"\0")
    piece, body = piece % 67 + 1, data[2:]
    stream = b"".join(sealed(line) for line in body.split(b"\n")) if how & SEALED else body
    to_controller = bool(how & TO_CONTROLLER)
    direction = Direction.TO_CONTROLLER if to_controller else Direction.TO_BRIDGE

    decoder = decoder_of(direction)
    events = decoder.feed(stream)
    messages = [event for event in events if not isinstance(event, Damaged | Ignored)]
    pieces = decoder_of(direction)
    cut = [event for at in range(0, len(stream), piece) for event in pieces.feed(stream[at : at + piece])]
    assert cut == events, f"{stream!r} gives other events in pieces of {piece} bytes"
    assert pieces.counts == decoder.counts
    assert decoder.counts.good == len(messages)
    assert len(decoder._kept) < LONGEST_FRAME, f"{stream!r} is kept in memory"

    # A second reader, written from the page, must read the same messages from the same bytes.
    lines = receive_as_the_page_says(stream, b"<" if to_controller else b">")
    wanted = [one for one in (said(line, to_controller) for line in lines) if one is not None]
    got = [described(message) for message in messages]
    assert got == wanted, f"{stream!r} was taken for {got}; the page has {wanted}"

    # The codec must read the next whole frame after any input.
    frame, kind = (sealed(SEEDS[7]), "close") if to_controller else (sealed(SEEDS[3]), "ack")
    assert described(decoder.feed(frame)[-1])[0] == kind, f"a whole frame is lost after {stream!r}"
    return len(messages)


def sealed(line: bytes) -> bytes:
    """Return the line with its CRC and its line end."""
    return b"%b*%08X\n" % (line, crc32(line))


def seeds() -> list[bytes]:
    """Return the first inputs: each example with and without its CRC, and two examples together."""
    found = []
    for number, line in enumerate(SEEDS):
        direction = TO_CONTROLLER if line[:1] == b"<" else 0
        found.append(bytes([SEALED | direction, number]) + line)
        found.append(bytes([direction, number]) + sealed(line))
        found.append(bytes([SEALED, number]) + line + b"\n" + SEEDS[number - 1])
    return found


# --- our own engine -----------------------------------------------------------------------------------


class Paths:
    """The pairs of successive lines that any input has executed in the codec."""

    def __init__(self) -> None:
        self._known: set[tuple[str, int, int]] = set()
        self._new = False
        self._room = str(ROOT / "bridge" / "protocol")

    def __len__(self) -> int:
        return len(self._known)

    def took_a_new_one(self, work: Callable[[], object]) -> bool:
        """Run the work. Returns whether it executed a new pair of lines."""
        self._new = False
        before = sys.gettrace()
        sys.settrace(self._enter)
        try:
            work()
        finally:
            sys.settrace(before)
        return self._new

    def _enter(self, frame: FrameType, event: str, _: object) -> Callable[..., Any] | None:
        name = frame.f_code.co_filename
        if not name.startswith(self._room):
            return None
        before = 0

        def step(frame: FrameType, event: str, _: object) -> Callable[..., Any]:
            nonlocal before
            if event == "line":
                edge = (name, before, frame.f_lineno)
                before = frame.f_lineno
                if edge not in self._known:
                    self._known.add(edge)
                    self._new = True
            return step

        return step


def changed(chance: random.Random, data: bytes, other: bytes) -> bytes:
    """Return a mutation of one or two inputs."""
    out = bytearray(data)
    for _ in range(chance.choice([1, 1, 2, 4])):
        at = chance.randrange(len(out) + 1)
        to = min(len(out), at + chance.choice([0, 1, 1, 2, 8]))
        match chance.randrange(5):
            case 0 if at < len(out):
                out[at] ^= 1 << chance.randrange(8)
            case 1:
                out[at:to] = chance.choice(WORDS)
            case 2:
                del out[at:to]
            case 3:
                out[at:at] = out[chance.randrange(len(out) + 1) :][: chance.randrange(1, 40)]
            case _:
                out[at:] = other[chance.randrange(len(other) + 1) :]
    return bytes(out[:LONGEST])


def own_guide(runs: int | None, seconds: float | None, seed: int = 1) -> tuple[int, int, int, int]:
    """Fuzz with our own loop. The same runs and seed give the same inputs.

    Returns:
        The number of inputs, of messages, of line pairs in the codec, and of kept inputs.
    """
    chance, paths = random.Random(seed), Paths()
    kept: list[bytes] = []
    messages = done = 0
    until = None if seconds is None else time.monotonic() + seconds
    waiting = seeds()
    check(b"")
    while (runs is None or done < runs) and (until is None or time.monotonic() < until):
        data = waiting.pop() if waiting else changed(chance, chance.choice(kept), chance.choice(kept))
        found: list[int] = []
        try:
            new = paths.took_a_new_one(lambda data=data, found=found: found.append(check(data)))  # type: ignore[misc]
        except Exception as error:
            error.add_note(f"input: {data!r}")
            raise
        messages += sum(found)
        done += 1
        if new:
            kept.append(data)
    return done, messages, len(paths), len(kept)


# --- atheris ------------------------------------------------------------------------------------------


def with_atheris(runs: int | None, seconds: float | None) -> None:
    """Fuzz with atheris, which ends the process. The exit status is 0 if no input failed."""
    import atheris

    # The hook of atheris for regular expressions stays off, because it has no search from a position.
    with atheris.instrument_imports(include=["bridge.protocol"]):
        import bridge.protocol.codec  # noqa: F401

    def one(data: bytes) -> None:
        try:
            check(data)
        except Exception as error:
            error.add_note(f"input: {data!r}")
            raise

    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        for number, data in enumerate(seeds()):
            (corpus / str(number)).write_bytes(data)
        words = Path(folder) / "words"
        quoted = ("".join(f"\\x{byte:02x}" for byte in word) for word in WORDS)
        words.write_text("".join(f'"{word}"\n' for word in quoted))
        limits = [f"-max_len={LONGEST}", f"-dict={words}", f"-artifact_prefix={folder}/", "-seed=1"]
        limits += [] if runs is None else [f"-runs={runs}"]
        limits += [] if seconds is None else [f"-max_total_time={round(seconds)}"]
        atheris.Setup([sys.argv[0], *limits, "-print_final_stats=1", str(corpus)], one)
        atheris.Fuzz()


def main() -> None:
    options = argparse.ArgumentParser(description="Fuzz the codec.")
    options.add_argument("--seconds", type=float)
    options.add_argument("--runs", type=int)
    options.add_argument("--engine", choices=["atheris", "own"])
    asked = options.parse_args()
    seconds = 60.0 if asked.seconds is None and asked.runs is None else asked.seconds
    there = importlib.util.find_spec("atheris") is not None
    if (asked.engine or ("atheris" if there else "own")) == "atheris":
        with_atheris(asked.runs, seconds)
        return
    done, messages, paths, kept = own_guide(asked.runs, seconds)
    print(
        f"own engine: {done} inputs, {messages} messages, {paths} line pairs in the codec, {kept} inputs kept"
    )


if __name__ == "__main__":
    main()
