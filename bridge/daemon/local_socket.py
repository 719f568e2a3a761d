"""The daemon's socket for people on the same machine: both of its ends, and its protection. Shell.

A Unix socket that only the daemon's user and root may open. A command on it takes the same way as one from
the hub: the same parser reads it, the guard decides, and its row is in the log before the answer is sent. One
connection carries one line in each direction; the lines are those of :mod:`bridge.daemon.page_lines`. A
second daemon with the same socket or the same client id does not start.

No line on the socket can delay the guard: a line is short, its sender has :data:`LINE_TIMEOUT_S` to send it,
and at most one line is read in :data:`LINE_EVERY_S`. No crowd of silent connections can keep a command out: a
new connection takes the place of the one that has been silent for longest.
"""

import asyncio
import contextlib
import hashlib
import os
import pwd
import socket
import stat
import struct
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from time import monotonic, sleep

from bridge.daemon.page_lines import (
    CommandRequest,
    CommandResult,
    command_result_line,
    read_from_daemon,
    read_from_page,
)
from bridge.errors import ClearwellError, InputError
from bridge.guard.commands import GuardCommand
from bridge.guard.state import Reply
from bridge.history.log_file import process_words
from bridge.mqtt.commands import Incoming, Refused, parse
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationIdentity

READ_ENTRIES = b'{"read": "entries"}\n'
"""The line that announces a new entry in the log."""
LINE_TIMEOUT_S = 5.0
LINE_EVERY_S = 0.02
LONGEST_LINE = 4096
"""Bytes; the longest command is a quarter of it."""
MOST_CONNECTIONS = 64
ANSWER_TIMEOUT_S = 10.0
"""How long a command line waits for the answer. The disk delays it by a second at most."""
_CONNECT_AGAIN_S = 0.05
_PATH_MAX = 107
"""Bytes in the name of a socket, see unix(7)."""
_CREDENTIALS = struct.Struct("3i")
"""``struct ucred`` of unix(7): process, user, group."""


class NoBridge(ClearwellError):
    """No daemon listens on the socket."""


# --- the daemon's end -----------------------------------------------------------------------------------


class LocalSocket:
    """Takes commands on the same machine.

    Args:
        path: the file of the socket.
        reservoirs: every reservoir.
        on_command: called in the event loop with the reservoir's id, a valid command, and a callback for the
            guard's reply.
        on_refused: called for each malformed command with the reservoir's id, the sentence that refuses it, a
            callback that sends the refusal, and the sender; call that callback when the refusal is logged.
        on_entries: called when a person has entered something into the log.

    Raises:
        InputError: another daemon listens there, or a file that is no socket is there.
        OSError: the socket cannot be made.
    """

    def __init__(
        self,
        path: Path,
        reservoirs: Sequence[StationIdentity],
        *,
        on_command: Callable[[str, GuardCommand, Callable[[Reply], None]], object],
        on_refused: Callable[[str, str, Callable[[], None], str], None],
        on_entries: Callable[[], None],
    ) -> None:
        self._path = path
        self._layout = Layout("local", "Local")
        self._identities = {self._layout.device(one.reservoir): one for one in reservoirs}
        self._on_command = on_command
        self._on_refused = on_refused
        self._on_entries = on_entries
        self._turn = asyncio.Lock()
        self._connections: set[asyncio.Task[None]] = set()
        self._silent: dict[asyncio.StreamWriter, asyncio.Task[None]] = {}
        self._line = _listening(path)

    async def run(self) -> None:
        """Take commands until cancelled."""
        server = await asyncio.start_unix_server(self._connected, sock=self._line, limit=LONGEST_LINE)
        try:
            await server.serve_forever()
        finally:
            for task in self._connections:
                task.cancel()

    def close(self) -> None:
        """Close the socket and delete its file."""
        with contextlib.suppress(OSError):
            self._path.unlink()
        self._line.close()

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._connections) >= MOST_CONNECTIONS:
            longest = next(iter(self._silent), None)
            if longest is None:
                writer.close()
                return
            task = self._silent[longest]
            task.cancel()
            self._forget(task, longest)
        task = asyncio.create_task(self._serve(reader, writer))
        self._connections.add(task)
        self._silent[writer] = task
        task.add_done_callback(lambda ended: self._forget(ended, writer))

    def _forget(self, task: asyncio.Task[None], writer: asyncio.StreamWriter) -> None:
        self._connections.discard(task)
        self._silent.pop(writer, None)
        # Here, because a task that is cancelled before its first step runs none of its lines.
        writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(LINE_TIMEOUT_S):
                line = await reader.readline()
            self._silent.pop(writer, None)
            if not line:
                return
            async with self._turn:
                await asyncio.sleep(LINE_EVERY_S)
            _, user, _ = _peer(writer.get_extra_info("socket"))
            # The database of users may be on the network.
            name = await asyncio.get_running_loop().run_in_executor(None, _user_name, user)
            result = await self._result(line, f"{name} at this machine")
            writer.write(command_result_line(result))
            await writer.drain()
        except (OSError, ValueError, TimeoutError):
            # A client that goes away, or sends something else than one of our lines, gets no answer.
            return

    async def _result(self, line: bytes, sender: str) -> CommandResult:
        if line == READ_ENTRIES:
            self._on_entries()
            return CommandResult(0, "done", "The running bridge reads it now.")
        request = read_from_page(line)
        if not isinstance(request, CommandRequest):
            raise ValueError("this line is not a command")
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[CommandResult] = loop.create_future()

        def answered(status: str, sentence: str) -> None:
            if not answer.done():
                answer.set_result(CommandResult(request.number, status, sentence[:1].upper() + sentence[1:]))

        device = f"{self._layout.bridge}-{request.reservoir}"
        topic = f"{self._layout.base(device)}/{request.property}/set"
        value = request.value.encode("utf-8", "backslashreplace")
        message = Incoming(topic, value, retained=False, received_at=loop.time())
        read = parse(self._layout, self._identities, message, sender)
        if isinstance(read, Refused):
            known, sentence = self._identities.get(read.device), read.sentence
            reservoir = "" if known is None else known.reservoir
            self._on_refused(reservoir, sentence, lambda: answered("malformed", sentence), sender)
        else:
            self._on_command(
                read.reservoir,
                read.command,
                lambda reply: answered("done" if reply.accepted else "refused", reply.sentence),
            )
        return await answer


def _listening(path: Path) -> socket.socket:
    """Make the socket, in place of one that a killed daemon left."""
    with contextlib.suppress(FileNotFoundError):
        if not stat.S_ISSOCK(os.lstat(path).st_mode):
            raise InputError(
                f"bridge.socket: {path} is a file of another kind, so no socket can be made there; move it "
                "away, or give another path"
            )
        holder = _listener(path)
        if holder is not None:
            raise InputError(
                f"another daemon listens on {path}: {holder}. Stop one of them, or give each its own log and "
                "its own bridge.socket"
            )
        path.unlink()
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        # Linux gives the file these permissions when it is made, so that nobody else can open it in between.
        os.fchmod(line.fileno(), 0o600)
        with _named(path) as name:
            line.bind(name)
        line.listen(MOST_CONNECTIONS)
        line.setblocking(False)
    except BaseException:
        line.close()
        raise
    return line


def claim_client(address: str, client_id: str) -> socket.socket:
    """Claim a client id at a broker for this process, as far as this machine is concerned.

    An abstract socket (unix(7)) holds the claim. It leaves no file, and ends with the process.

    Args:
        address: host and port of the broker.
        client_id: the client id.

    Returns:
        The claim. Closing it ends it.

    Raises:
        InputError: another daemon on this machine uses it.
    """
    digest = hashlib.sha256(f"{address}\n{client_id}".encode()).hexdigest()
    name = f"\0clearwell-client-{digest}"
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        line.bind(name)
        line.listen(socket.SOMAXCONN)
    except OSError as error:
        line.close()
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
            asking.setblocking(False)
            holder = "another process"
            with contextlib.suppress(OSError):
                asking.connect(name)
                holder = process_words(_peer(asking)[0])
        raise InputError(
            f"hub: another daemon here uses the client id {client_id!r} at {address}: {holder}. The "
            "broker would disconnect the two in turn. Stop one of them, or give each its own bridge.id"
        ) from error
    return line


def _peer(line: socket.socket) -> tuple[int, int, int]:
    """Return process, user and group at the other end."""
    process, user, group = _CREDENTIALS.unpack(
        line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    )
    return process, user, group


def _user_name(user: int) -> str:
    try:
        return pwd.getpwuid(user).pw_name
    except KeyError:
        return f"user {user}"


@contextlib.contextmanager
def _named(path: Path) -> Iterator[str]:
    """Yield a name for the socket that is short enough for the system."""
    if len(os.fsencode(path)) <= _PATH_MAX:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


# --- the command line's end -----------------------------------------------------------------------------


def _connect(path: Path) -> socket.socket:
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    until = monotonic() + ANSWER_TIMEOUT_S
    try:
        line.settimeout(ANSWER_TIMEOUT_S)
        with _named(path) as name:
            while True:
                try:
                    line.connect(name)
                    break
                except BlockingIOError:
                    # A Unix socket with a timeout does not wait for room in a full queue, see connect(2).
                    if monotonic() >= until:
                        raise TimeoutError("its queue of connections stays full") from None
                    sleep(_CONNECT_AGAIN_S)
    except BaseException:
        line.close()
        raise
    return line


def _listener(path: Path) -> str | None:
    """Return the process that listens on a socket, as a part of a sentence; None if nobody does."""
    try:
        with _connect(path) as line:
            return process_words(_peer(line)[0])
    except (ConnectionRefusedError, FileNotFoundError):
        return None
    except OSError:
        return "another process"


def ask(path: Path, line: bytes) -> CommandResult:
    """Send one line to the running daemon, and return its answer.

    Raises:
        NoBridge: no daemon listens on this socket, or it gave no answer.
        InputError: this user may not open the socket.
    """
    try:
        with _connect(path) as connection:
            connection.sendall(line)
            with connection.makefile("rb") as answers:
                answer = answers.readline(LONGEST_LINE)
    except (FileNotFoundError, ConnectionRefusedError, NotADirectoryError):
        raise NoBridge(
            f"no bridge runs with this configuration: nothing listens on {path}. Start it with clearwell "
            "run, or name the configuration of the running one with --config"
        ) from None
    except PermissionError:
        raise InputError(
            f"{path}: only the user that runs the bridge, and root, may command it; put sudo before the "
            "command"
        ) from None
    except OSError as error:
        raise NoBridge(f"the bridge that listens on {path} does not answer ({error})") from error
    try:
        result = read_from_daemon(answer, {})
    except ValueError:
        result = None
    if not isinstance(result, CommandResult):
        raise NoBridge(
            f"the bridge that listens on {path} gave no answer; read with clearwell log whether it obeyed"
        )
    return result
