"""The errors a user can meet, as a small tree of plain sentences.

Every message says what happened, where, and what would be right. The command line turns an
:class:`InputError` into exit status 2 without a traceback; the daemon logs the others and goes on.
"""


class ClearwellError(Exception):
    """The root: anything this project raises on purpose."""


class InputError(ClearwellError):
    """A value given by a person is wrong: a configuration key, an option, a file."""


class OutOfRangeError(ClearwellError):
    """A physical quantity lies outside the range in which a method or a part is valid.

    It is no person's mistake by itself: a sensor can report such a value. A command that computes with typed
    values turns it into an :class:`InputError`.
    """


class LinkError(ClearwellError):
    """The serial line to a controller cannot be used."""


class HubError(ClearwellError):
    """The MQTT broker cannot be used."""


class LogError(ClearwellError):
    """The log on disk cannot be used."""
