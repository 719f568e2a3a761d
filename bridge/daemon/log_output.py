"""How the daemon writes its log: readable on a terminal, JSON lines otherwise."""

import contextlib
import logging
import sys
from collections.abc import Iterator
from types import ModuleType
from typing import TextIO, cast


@contextlib.contextmanager
def _without(*names: str) -> Iterator[None]:
    """While this lasts, these modules cannot be imported (None in ``sys.modules`` says so), unless they are
    there already."""
    absent = [name for name in names if name not in sys.modules]
    sys.modules.update(dict.fromkeys(absent, cast(ModuleType, None)))
    try:
        yield
    finally:
        for name in absent:
            del sys.modules[name]


# structlog takes these where it finds them, for tracebacks in colour and a kind of threads, and uses neither
# here: fifty modules, which would stay for months.
with _without("rich", "greenlet"):
    import structlog
    import structlog.tracebacks


def logger() -> structlog.stdlib.BoundLogger:
    """The daemon's logger."""
    made: structlog.stdlib.BoundLogger = structlog.get_logger("clearwell")
    return made


def configure(out: TextIO = sys.stderr, level: int = logging.INFO) -> None:
    """Route everything, the libraries' own messages too, to one stream.

    Args:
        out: where to; colours and columns only if it is a terminal.
        level: what matters less than this is left out.
    """
    shared: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.stdlib.ExtraAdder(),
    ]
    terminal = out.isatty()
    last: list[structlog.typing.Processor] = (
        [structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)]
        if terminal
        else [_plain_traceback(), structlog.processors.JSONRenderer(ensure_ascii=False)]
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(max(level, logging.WARNING))
    logging.getLogger("clearwell").setLevel(level)
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared[:3],
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )


def _plain_traceback() -> structlog.typing.Processor:
    """Tracebacks without the variables of their frames: one of those may be a password."""
    return structlog.processors.ExceptionRenderer(
        structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    )
