"""The link to a reservoir's controller, of the kind that its plan asks for."""

from collections.abc import Callable
from typing import Protocol

from bridge.errors import InputError
from bridge.protocol.frame import Damaged, Ignored
from bridge.protocol.messages import FromBridge, FromController
from bridge.protocol.session import LinkDown, LinkUp
from bridge.station.plan import StationPlan
from bridge.transport.serial_link import SerialLink


class Link(Protocol):
    """What every link offers; :class:`bridge.transport.serial_link.SerialLink` says what each part means."""

    def next_sequence(self) -> int: ...

    def send(self, message: FromBridge) -> bool: ...

    def finish(self) -> None: ...

    async def run(self) -> None: ...


def link_to(
    plan: StationPlan,
    *,
    on_message: Callable[[FromController], None],
    on_link: Callable[[LinkUp | LinkDown], None],
    on_stray: Callable[[Damaged | Ignored], None] | None = None,
    on_note: Callable[[str], None] | None = None,
) -> Link:
    """A link that is not up yet: run it as a task.

    Raises :class:`InputError` when the plan asks for Modbus and its library is not installed.
    """
    if plan.modbus is not None:
        try:
            from bridge.transport.modbus import ModbusLink
        except ImportError as error:
            raise InputError(
                "The configuration has a table modbus, and the library for it is not installed. Install "
                "it with: "
                "pip install 'pymodbus>=3.11,<4'"
            ) from error
        return ModbusLink(
            plan.port,
            plan.modbus,
            on_message=on_message,
            on_link=on_link,
            on_note=on_note,
            baud=plan.baud,
            silence_s=plan.limits.stale_after_s,
        )
    return SerialLink(
        plan.port,
        on_message=on_message,
        on_link=on_link,
        on_stray=on_stray,
        baud=plan.baud,
        silence_s=plan.limits.stale_after_s,
    )
