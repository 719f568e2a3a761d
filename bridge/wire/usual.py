"""The usual reading, taken apart in one stroke: a short cut for nearly every line there is.

In the usual reading everything is well. Its fields stand in the order of the protocol page, every fitted
input gave a number, and no local fault is told. One expression has the whole form of such a frame, start to
line end. The short cut takes nothing that the general reader would refuse or read otherwise; whatever it
does not take, the general reader judges.
"""

import re
from zlib import crc32

from bridge.wire.fields import PATHS, SWITCHES, UINT16, UINT32, Switches
from bridge.wire.frame import LONGEST_FRAME
from bridge.wire.messages import LocalFault, Path, Reading

_NUMBER = rb"(?=[^ *]{1,10}[ *])(-?[0-9]+(?:\.[0-9]+)?)"
_READING = re.compile(
    rb"(>1 (0|[1-9][0-9]{0,4}) reading path=(shut|fill|drain) p=%(number)b pt=%(number)b"
    rb"(?: f=%(number)b)?(?: ft=%(number)b)?(?: lv=%(number)b)?(?: sw=([01-]{3}))?"
    rb"(?: n=(0|[1-9][0-9]{0,9}))?)\*([0-9A-F]{8})\r?\n" % {b"number": _NUMBER}
).fullmatch

_PATHS: dict[bytes, Path] = {word.encode(): path for word, path in PATHS.items()}
_SWITCHES: dict[bytes | None, Switches] = {word.encode(): states for word, states in SWITCHES.items()}
_SWITCHES[None] = (None, None, None)
_NO_FAULT = LocalFault.NONE


def usual_reading(data: bytes) -> Reading | None:
    """The reading, if these bytes are one usual reading to the bridge and nothing else."""
    if len(data) > LONGEST_FRAME:
        return None
    form = _READING(data)
    if form is None:
        return None
    body, number, path, product_us, product_c, feed_us, feed_c, sender, switches, count, check = form.groups()
    sequence = int(number)
    pulses = None if count is None else int(count)
    if crc32(body) != int(check, 16) or sequence > UINT16 or (pulses is not None and pulses > UINT32):
        return None
    low, full, overflow = _SWITCHES[switches]
    return Reading(
        sequence,
        _PATHS[path],
        float(product_us),
        float(product_c),
        None if feed_us is None else float(feed_us),
        None if feed_c is None else float(feed_c),
        None if sender is None else float(sender),
        low,
        full,
        overflow,
        pulses,
        _NO_FAULT,
    )
