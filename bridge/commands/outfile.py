"""What the commands that write a file share: what it may be called, and that it appears when it is whole."""

import os
from pathlib import Path

from bridge.errors import ClearwellError, InputError


def check_out(out: Path, log: Path, force: bool) -> None:
    """Refuse a name that is taken, that cannot be, or that is the log's own.

    :raises InputError: with what would be right.
    """
    if not out.parent.is_dir():
        raise InputError(f"--out {out}: there is no directory {out.parent}; create it or give another one")
    if out.is_dir():
        raise InputError(f"--out {out}: that is a directory; give the name of a file")
    if not out.exists():
        return
    belongs = (log, *(log.with_name(log.name + ending) for ending in ("-wal", "-shm", ".lock")))
    if any(one.exists() and out.samefile(one) for one in belongs):
        raise InputError(f"--out {out}: that is the log itself; give another name")
    if out.is_file() and not force:
        raise InputError(
            f"--out {out}: the file is there already; give another name, or --force to replace it"
        )


def put(out: Path, content: bytes) -> None:
    """Write a file that has its name only when it is whole.

    :raises ClearwellError: it cannot be written; nothing is left there.
    """
    target = out.resolve()
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content)
        part.replace(target)
    except OSError as error:
        raise ClearwellError(
            f"{out}: cannot be written ({error.strerror}); nothing was left there"
        ) from error
    finally:
        part.unlink(missing_ok=True)
