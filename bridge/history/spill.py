"""What waits for the next commit, kept outside the process so that killing the process loses nothing.

The file belongs on a memory file system (``/run`` or ``/dev/shm``): there it costs the card nothing, and a
process that is killed finds it again. A power cut takes it away; what that costs is said in
:mod:`bridge.history.writer`. The format is pure (:func:`frame`, :func:`frames`); :class:`Spill` is the file.
"""

import fcntl
import os
import struct
import zlib
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

from bridge.history.pack import HEALTHS, Measured
from bridge.history.records import Series
from bridge.history.trouble import LogFault, LogTrouble

HEAD = struct.Struct("<BII")
"""What stands before the payload of a frame: its part, its length, its checksum."""
_MAGIC = b"clearwell spill 1"
RAW = struct.Struct(f"<IIqBB{len(Series)}d")
"""One reading: boot, sequence, UTC in ms, path, health, and the series, NaN for none."""
NAN = float("nan")
_SEQUENCE, _UTC, _PATH, _HEALTH = (struct.Struct(one) for one in ("<4xI", "<8xq", "<16xB", "<17xB"))
_SERIES = [struct.Struct(f"<{RAW.size - 8 * (len(Series) - series)}xd") for series in Series]
"""Each number of a reading alone."""
ORDER = struct.Struct("<II")
"""Boot and sequence, with which a reading begins."""
_SIGHT = struct.Struct(f"<IIqBB{8 * len(Series)}x")
Sight = tuple[int, int, int, int, int]
"""What is to be seen of a reading from outside: boot, sequence, UTC in ms, path, health."""


class Part(IntEnum):
    """What a frame holds."""

    READING = 1
    ENTRY = 2
    STATE = 3
    COMMITTED = 4
    """Everything but readings before this frame is in the log."""


def raw(one: Measured) -> bytes:
    """A reading as bytes of one length."""
    numbers = [NAN if v is None else v for v in one.values]
    return RAW.pack(one.boot, one.sequence & 0xFFFFFFFF, one.utc_ms, one.path, one.health, *numbers)


def from_raw(packed: bytes | bytearray) -> list[Measured]:
    """Any number of readings laid end to end."""
    laid = Laid(packed, 0, len(packed) // RAW.size)
    return [laid[index] for index in range(len(laid))]


class Laid:
    """Some of the readings that lie end to end: one after the other, or as a table of one boot's.

    What they lie in may grow at its end meanwhile.

    Args:
        packed: where they lie.
        first: the index of the first of them.
        end: the index after the last.
    """

    def __init__(self, packed: bytes | bytearray, first: int, end: int) -> None:
        self._packed = packed
        self._places = range(first * RAW.size, end * RAW.size, RAW.size)

    def __len__(self) -> int:
        return len(self._places)

    def __getitem__(self, index: int) -> Measured:
        boot, sequence, utc_ms, path, health, *numbers = RAW.unpack_from(self._packed, self._places[index])
        values = tuple([None if v != v else v for v in numbers])
        return Measured(boot, sequence, utc_ms, path, HEALTHS[health], values)

    def sights(self) -> Iterator[Sight]:
        """Each of them as seen from outside."""
        packed, read = self._packed, _SIGHT.unpack_from
        return (read(packed, at) for at in self._places)

    @property
    def boot(self) -> int:
        return self.order(0)[0]

    def order(self, index: int) -> tuple[int, int]:
        """Boot and sequence of one of them."""
        boot, sequence = ORDER.unpack_from(self._packed, self._places[index])
        return boot, sequence

    def utc_of(self, index: int) -> int:
        """The time of one of them."""
        utc_ms: int = _UTC.unpack_from(self._packed, self._places[index])[0]
        return utc_ms

    def sequences(self) -> list[int]:
        return self._whole(_SEQUENCE)

    def utc_ms(self) -> list[int]:
        return self._whole(_UTC)

    def paths(self) -> list[int]:
        return self._whole(_PATH)

    def healths(self) -> list[int]:
        return self._whole(_HEALTH)

    def series(self, series: Series) -> "array[float]":
        packed, read = self._packed, _SERIES[series].unpack_from
        return array("d", [read(packed, at)[0] for at in self._places])

    def _whole(self, field: struct.Struct) -> list[int]:
        packed, read = self._packed, field.unpack_from
        return [read(packed, at)[0] for at in self._places]


def frame(part: Part, payload: bytes) -> bytes:
    """One frame: kind, length, checksum, payload."""
    return HEAD.pack(part, len(payload), zlib.crc32(payload)) + payload


def frames(data: bytes) -> Iterator[tuple[Part, bytes]]:
    """The frames of a file up to the first that is cut or damaged, which is where the process was killed."""
    at = 0
    while at + HEAD.size <= len(data):
        part, length, checksum = HEAD.unpack_from(data, at)
        payload = data[at + HEAD.size : at + HEAD.size + length]
        if len(payload) != length or zlib.crc32(payload) != checksum or part not in Part.__members__.values():
            return
        yield Part(part), payload
        at += HEAD.size + length


@dataclass(frozen=True, slots=True)
class Left:
    """What a spill holds: the log it belongs to, the boot that wrote it, and its frames."""

    identity: str
    boot: int
    frames: list[tuple[Part, bytes]]


def read_spill(path: Path) -> Left | None:
    """What waits beside a log; None when there is no such file or it is none of ours."""
    try:
        magic, owner, data = path.read_bytes().split(b"\n", 2)
        identity, boot = owner.decode("ascii").split()
        return Left(identity, int(boot), list(frames(data))) if magic == _MAGIC else None
    except (OSError, ValueError):
        return None


class Spill:
    """The file, open for one writer. Methods raise ``OSError``; opening raises ``LogTrouble`` when another
    holds it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        self._lock = os.open(
            path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600
        )
        self._file = -1
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o600)
            # Counted from here on: nobody else writes it.
            self.size = os.fstat(self._file).st_size
        except BlockingIOError as error:
            os.close(self._lock)
            told = f"Another bridge writes this log (it holds {path}). Stop one, or give each its own log."
            raise LogTrouble(LogFault.LOCKED, told) from error
        except OSError:
            os.close(self._lock)
            raise

    def append(self, data: bytes) -> None:
        """Add frames at the end; a short write is taken back, so that what follows stays readable."""
        try:
            written = os.write(self._file, data)
            if written != len(data):
                raise OSError(28, "no space left for the readings that wait", str(self._path))
        except OSError:
            os.ftruncate(self._file, self.size)
            raise
        self.size += written

    def replace(self, identity: str, boot: int, data: bytes) -> None:
        """Begin again with these frames only."""
        fresh = self._path.with_name(self._path.name + ".new")
        descriptor = os.open(fresh, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND | os.O_CLOEXEC, 0o600)
        try:
            content = _MAGIC + f"\n{identity} {boot}\n".encode("ascii") + data
            if os.write(descriptor, content) != len(content):
                raise OSError(28, "no space left for the readings that wait", str(fresh))
            os.replace(fresh, self._path)
        except OSError:
            os.close(descriptor)
            raise
        os.close(self._file)
        self._file, self.size = descriptor, len(content)

    def close(self, *, remove: bool) -> None:
        """Let go of the file; ``remove`` when nothing waits in it."""
        if remove:
            self._path.unlink(missing_ok=True)
        os.close(self._file)
        os.close(self._lock)
