"""Opens a serial device, and says in plain words why that, or keeping it, did not work."""

import errno
import os
import termios
from dataclasses import dataclass
from enum import Enum

import serial

from bridge.errors import LinkError


class DownCause(Enum):
    """Why a link is down; the value is the id in the log."""

    NO_DEVICE = "no-device"
    PERMISSION = "permission"
    BUSY = "busy"
    NOT_SERIAL = "not-serial"
    UNUSABLE = "unusable"
    """The system refused for another reason, which the sentence gives."""
    LOST = "lost"
    """The device went away while it was open."""
    SILENT = "silent"
    """The device is open, and no good frame comes."""
    STUCK = "stuck"
    """The device takes no more bytes."""


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The link cannot be used at present, for this cause; it is tried again by itself."""

    cause: DownCause
    error: LinkError


_CAUSES = {
    errno.ENOENT: DownCause.NO_DEVICE,
    errno.ENOTDIR: DownCause.NO_DEVICE,
    errno.ENXIO: DownCause.NO_DEVICE,
    errno.ENODEV: DownCause.NO_DEVICE,
    # A device node without hardware behind it opens, and fails at the first question.
    errno.EIO: DownCause.NO_DEVICE,
    errno.EACCES: DownCause.PERMISSION,
    errno.EPERM: DownCause.PERMISSION,
    errno.EBUSY: DownCause.BUSY,
    errno.EAGAIN: DownCause.BUSY,
    errno.ENOTTY: DownCause.NOT_SERIAL,
    errno.EISDIR: DownCause.NOT_SERIAL,
    errno.EINVAL: DownCause.NOT_SERIAL,
}

_SENTENCES = {
    DownCause.NO_DEVICE: "There is no device at {path}. Plug the controller in, or correct the port in the "
    "configuration.",
    DownCause.PERMISSION: "This user may not open {path}. Make it a member of the group that owns the "
    "device (often dialout).",
    DownCause.BUSY: "Another program uses {path}. Only one may talk to a controller: stop the other one.",
    DownCause.NOT_SERIAL: "{path} is not a serial line. Set the port to the controller's serial device.",
    DownCause.UNUSABLE: "{path} cannot be used: {detail}.",
    DownCause.LOST: "The device at {path} went away ({detail}). Look at the cable and its supply.",
    DownCause.SILENT: "The controller at {path} has been silent for {detail}. Look at its supply, "
    "the cable and the speed of the line.",
    DownCause.STUCK: "The device at {path} takes no more bytes ({detail}).",
}


def down(cause: DownCause, path: str, detail: str = "") -> LinkDown:
    """The value for a link that is down, with its sentence."""
    return LinkDown(cause, LinkError(_SENTENCES[cause].format(path=path, detail=detail)))


def open_device(path: str, baud: int) -> serial.Serial | LinkDown:
    """Open ``path`` raw, 8N1, without flow control, for us alone, and drop what waited in both directions.

    Blocks while the system opens the device: call it in a thread. The lock is an advisory one (flock).
    Opening raises DTR, which resets many boards; a controller boots with its valves shut.
    """
    try:
        # Not passed to the constructor, which would open in the middle of building the object.
        port = serial.Serial(None, baud, timeout=0, write_timeout=0, exclusive=True)
        port.port = path
        port.open()
    except (OSError, ValueError, termios.error) as error:
        number = _errno(error)
        cause = _CAUSES.get(number, DownCause.UNUSABLE)
        return down(cause, path, os.strerror(number) if number else str(error))
    try:
        os.set_blocking(port.fileno(), False)
        termios.tcflush(port.fileno(), termios.TCIOFLUSH)
    except (OSError, termios.error) as error:
        port.close()
        return down(DownCause.LOST, path, os.strerror(_errno(error)))
    return port


def _errno(error: BaseException | None) -> int:
    """The first error number in a chain of exceptions; 0 if there is none.

    The serial library keeps it in some of its errors and only in their context in others.
    """
    while error is not None:
        number = getattr(error, "errno", None)
        if number is None and isinstance(error, termios.error) and error.args:
            number = error.args[0]
        if isinstance(number, int) and number:
            return number
        error = error.__context__
    return 0
