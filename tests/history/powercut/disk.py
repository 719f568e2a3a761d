"""Replays a journal of the shim on a disk that loses its power, and returns what is on it afterwards.

The model is harsher than a real disk where the standards leave room:

- Content that a file had at its last sync stays. ``fdatasync`` also keeps the size.
- Of the later writes any subset is on the disk, and they reach it in any order. A write is torn at sectors of
  512 bytes. A sector that was being written holds the old bytes, the new ones or noise; bytes outside the
  range of the write keep their value (SQLite relies on this: "powersafe overwrite").
- A name is on the disk after a sync of the folder, and not after a sync of the file alone. Later changes of
  names survive up to a point and none after it: the metadata of a file system has a journal.
- The ``-shm`` file is shared memory, is never synced, and holds anything.
"""

import random
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path

SECTOR = 512
ACKNOWLEDGED = "acknowledged"
"""The file of the workload's acknowledgements. It stands outside the disk."""
_HEADER = struct.Struct("=IIQQQ")
_KEPT_SHARES = (0.0, 0.1, 0.5, 0.9, 1.0)


class Kind(IntEnum):
    """The kind of a call; the same numbers as in ``shim.c``."""

    OPENED = 1
    WRITTEN = 2
    TRUNCATED = 3
    SYNCED = 4
    FOLDER_SYNCED = 5
    UNLINKED = 6
    RENAMED = 7


@dataclass(frozen=True, slots=True)
class Call:
    """One call that changed a file or the folder, or synced one of them."""

    kind: Kind
    name: str
    inode: int
    offset: int
    """Of a write; the new size of a truncation."""
    data: bytes


def calls_in(journal: Path) -> Iterator[Call]:
    """Reads a journal."""
    written, at = journal.read_bytes(), 0
    while at < len(written):
        kind, name_length, inode, offset, length = _HEADER.unpack_from(written, at)
        at += _HEADER.size + name_length
        name = written[at - name_length : at].decode()
        yield Call(Kind(kind), name, inode, offset, written[at : at + length])
        at += length


@dataclass(slots=True)
class File:
    """One file, whatever its names."""

    name: str
    """Its name when it was opened first."""
    synced: bytearray = field(default_factory=bytearray)
    unsynced: list[Call] = field(default_factory=list)

    def sync(self) -> None:
        for call in self.unsynced:
            _apply(self.synced, call)
        self.unsynced.clear()


@dataclass(slots=True)
class Disk:
    """The files of one folder, as the process sees them and as the disk has them.

    Args:
        begin: the files that are on the disk at the beginning.
        honest: False for a disk that confirms a sync and does not do it.
    """

    begin: Mapping[str, bytes]
    honest: bool = True
    acknowledged: list[str] = field(default_factory=list)
    _names: dict[str, File] = field(default_factory=dict)
    _synced_names: dict[str, File] = field(default_factory=dict)
    _unsynced_names: list[Call] = field(default_factory=list)
    _by_inode: dict[int, File] = field(default_factory=dict)
    _created: dict[int, File] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._names = {name: File(name, bytearray(data)) for name, data in self.begin.items()}
        self._synced_names = dict(self._names)

    def kind_of(self, call: Call) -> str:
        """Returns the kind of a moment: the call and its file. The lock and ``-shm`` are one kind."""
        file = self._by_inode.get(call.inode)
        name = call.name or (file.name if file is not None else "")
        if name.endswith(("-shm", ".lock")):
            return "call for another file"
        return f"{call.kind.name.lower().replace('_', ' ')} {name}".rstrip()

    def do(self, call: Call) -> None:
        """Does one call."""
        match call.kind:
            case Kind.OPENED:
                file = self._names.get(call.name)
                if file is None:
                    file = File(call.name)
                    self._change_names(call, file)
                self._by_inode[call.inode] = file
            case Kind.UNLINKED | Kind.RENAMED:
                self._change_names(call, None)
            case Kind.SYNCED if self.honest:
                self._by_inode[call.inode].sync()
            case Kind.FOLDER_SYNCED if self.honest:
                self._synced_names = dict(self._names)
                self._unsynced_names.clear()
                self._created.clear()
            case Kind.WRITTEN | Kind.TRUNCATED:
                file = self._by_inode[call.inode]
                if file.name == ACKNOWLEDGED:
                    self.acknowledged += call.data.decode().splitlines()
                else:
                    file.unsynced.append(call)
            case _:
                return

    def _change_names(self, call: Call, created: File | None) -> None:
        if created is not None:
            self._created[id(call)] = created
        self._unsynced_names.append(call)
        self._apply_name(self._names, call)

    def _apply_name(self, names: dict[str, File], call: Call) -> None:
        if call.kind is Kind.OPENED:
            names[call.name] = self._created[id(call)]
        elif call.kind is Kind.UNLINKED:
            names.pop(call.name)
        else:
            before, _, after = call.name.partition("/")
            names[after] = names.pop(before)

    def everything(self) -> dict[str, bytes]:
        """Returns the files as the process sees them."""
        seen: dict[str, bytes] = {}
        for name, file in self._names.items():
            content = bytearray(file.synced)
            for call in file.unsynced:
                _apply(content, call)
            seen[name] = bytes(content)
        return _without_shared_memory(seen)

    def cut(self, chance: random.Random) -> dict[str, bytes]:
        """Returns one possible content of the disk after a power cut now."""
        names = dict(self._synced_names)
        for call in self._unsynced_names[: chance.randint(0, len(self._unsynced_names))]:
            self._apply_name(names, call)
        kept_share = chance.choice(_KEPT_SHARES)
        left = _without_shared_memory(
            {name: _after_cut(file, kept_share, chance) for name, file in names.items()}
        )
        for name in names:
            if name.endswith("-shm") and chance.random() < 0.5:
                left[name] = chance.randbytes(chance.choice((0, 3, 4096, 32768)))
        return left


def _without_shared_memory(files: dict[str, bytes]) -> dict[str, bytes]:
    return {name: data for name, data in files.items() if not name.endswith("-shm") and name != ACKNOWLEDGED}


def _after_cut(file: File, kept_share: float, chance: random.Random) -> bytes:
    content = bytearray(file.synced)
    parts: list[list[Call]] = [[]]
    for call in file.unsynced:
        if call.kind is Kind.WRITTEN:
            parts[-1].append(call)
        elif chance.random() < kept_share:
            # A write from before this truncation does not grow the file again.
            parts += [[call], []]
    for part in parts:
        for call in chance.sample(part, len(part)):
            if call.kind is Kind.TRUNCATED or chance.random() < kept_share:
                _apply(content, call)
            elif chance.random() < 0.5:
                _tear(content, call, chance)
    return bytes(content)


def _apply(content: bytearray, call: Call) -> None:
    end = call.offset if call.kind is Kind.TRUNCATED else call.offset + len(call.data)
    if len(content) < end:
        content.extend(bytes(end - len(content)))
    if call.kind is Kind.TRUNCATED:
        del content[end:]
    else:
        content[call.offset : end] = call.data


def _tear(content: bytearray, call: Call, chance: random.Random) -> None:
    """Writes some sectors of a write, and noise into a few others."""
    begin, end = call.offset, call.offset + len(call.data)
    at = begin
    while at < end:
        after = min(end, at - at % SECTOR + SECTOR)
        fate = chance.random()
        if fate < 0.6:
            new = call.data[at - begin : after - begin] if fate < 0.5 else chance.randbytes(after - at)
            _apply(content, Call(Kind.WRITTEN, "", 0, at, new))
        at = after
