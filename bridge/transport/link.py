"""The link to one reservoir's controller: the line protocol, or Modbus if there is a register map. Shell."""

from collections.abc import Callable
from typing import Protocol

from bridge.errors import InputError
from bridge.protocol.frame import Damaged, Ignored
from bridge.protocol.messages import FromBridge, FromController
from bridge.protocol.registers import ModbusMap
from bridge.protocol.session import LinkDown, LinkUp
from bridge.transport.serial_link import SerialLink


class Link(Protocol):
    """The methods of every link."""

    def next_sequence(self) -> int:
        """Return the number for the next message to send."""

    def send(self, message: FromBridge) -> bool:
        """Send a message. Never blocks. Returns False if the line cannot take it."""

    def finish(self) -> None:
        """Close the valve, and make :meth:`run` return."""

    async def run(self) -> None:
        """Keep the link up until :meth:`finish` or cancellation. A close is sent last."""


def link_to(
    port: str,
    baud: int,
    modbus: ModbusMap | None,
    *,
    silence_s: float,
    on_message: Callable[[FromController], None],
    on_link: Callable[[LinkUp | LinkDown], None],
    on_stray: Callable[[Damaged | Ignored], None] | None = None,
    on_note: Callable[[str], None] | None = None,
) -> Link:
    """Return a link that is not open yet. Run it as a task.

    Args:
        port: The device path.
        baud: The speed of the line.
        modbus: The register map of a Modbus line. None for the line protocol.
        silence_s: The link is down if no fresh message arrives for this long.
        on_message: Receives each message.
        on_link: Receives each change between up and down.
        on_stray: Receives each frame that is damaged or ignored.
        on_note: Receives each sentence about the line that a person should read.

    Raises:
        InputError: There is a register map, and the Modbus library is not installed.
    """
    if modbus is None:
        return SerialLink(
            port, on_message=on_message, on_link=on_link, on_stray=on_stray, baud=baud, silence_s=silence_s
        )
    try:
        from bridge.transport.modbus import ModbusLink
    except ImportError as error:
        raise InputError(
            "The configuration has a table modbus, and the library for it is not installed. Install it with: "
            "pip install 'pymodbus>=3.11,<4'"
        ) from error
    return ModbusLink(
        port, modbus, on_message=on_message, on_link=on_link, on_note=on_note, baud=baud, silence_s=silence_s
    )
