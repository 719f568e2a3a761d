"""The format of the daemon's log output: readable on a terminal, JSON lines otherwise."""

import contextlib
import logging
import sys
from collections.abc import Iterator
from types import ModuleType
from typing import TextIO, cast


@contextlib.contextmanager
def _without(*names: str) -> Iterator[None]:
    """Prevent the import of these modules, unless they are imported already.

    None in ``sys.modules`` makes an import fail.
    """
    absent = [name for name in names if name not in sys.modules]
    sys.modules.update(dict.fromkeys(absent, cast(ModuleType, None)))
    try:
        yield
    finally:
        for name in absent:
            del sys.modules[name]


# structlog imports these two if they are installed. They are not used here, and would keep 92 modules and
# 7.3 MiB in memory.
with _without("rich", "greenlet"):
    import structlog
    import structlog.tracebacks


def logger() -> structlog.stdlib.BoundLogger:
    """Return the daemon's logger."""
    bound: structlog.stdlib.BoundLogger = structlog.get_logger("clearwell")
    return bound


def configure(out: TextIO = sys.stderr, level: int = logging.INFO) -> None:
    """Send all log lines, also those of libraries, to one stream.

    Args:
        out: the stream; colours and columns only if it is a terminal.
        level: the lowest level that is written.
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
    """Return a processor for tracebacks without local variables, because one may be a password."""
    return structlog.processors.ExceptionRenderer(
        structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
    )
