"""What was really said on the line: every frame as the controller sent it, before the line could touch it."""

from dataclasses import dataclass

from bridge.guard.model import Flow
from bridge.protocol.messages import Feature, LocalFault, Reading
from bridge.rig.controller import Controller
from bridge.rig.sensors import Inputs

_KEPT = 512


@dataclass(frozen=True, slots=True)
class Sent:
    """One reading as it left the controller."""

    at_s: float
    """Line seconds."""
    sequence: int
    path: Flow
    faults: LocalFault
    inputs: Inputs


class Witness(Controller):
    """A controller whose readings are kept, each under its sequence number, until enough newer ones came."""

    def __init__(self, features: Feature) -> None:
        """Power it on at its time 0."""
        super().__init__(features)
        self.last: Sent | None = None
        self._kept: dict[int, Sent] = {}

    def report(self, now_s: float, inputs: Inputs) -> None:
        """Send one reading, and remember what went into it."""
        super().report(now_s, inputs)
        sequence = (self._sequence - 1) & 0xFFFF
        kept = self._kept
        # Taken out first, so that the oldest stands first when the numbers come round again.
        kept.pop(sequence, None)
        self.last = kept[sequence] = Sent(
            now_s, sequence, self._reported_path, self.faults | inputs.faults, inputs
        )
        if len(kept) > _KEPT:
            del kept[next(iter(kept))]

    def sent_as(self, reading: Reading) -> Sent | None:
        """The reading that left under this number; None when none did lately."""
        return self._kept.get(reading.sequence)


def same(sent: Sent, heard: Reading) -> bool:
    """What was heard is what was sent, up to the digits that a frame has room for."""
    inputs = sent.inputs
    values = (
        (inputs.product_us, heard.product_us),
        (inputs.product_c, heard.product_c),
        (inputs.feed_us, heard.feed_us),
        (inputs.feed_c, heard.feed_c),
        (inputs.level_sensor, heard.level_sensor),
    )
    for before, after in values:
        if isinstance(before, float) and isinstance(after, float):
            if abs(before - after) > 1e-3 + 1e-4 * abs(before):
                return False
        elif before is not after:
            return False
    switches = (inputs.switch_low, inputs.switch_full, inputs.switch_overflow)
    return (
        sent.path is heard.path
        and sent.faults == heard.faults
        and switches == (heard.switch_low, heard.switch_full, heard.switch_overflow)
    )
