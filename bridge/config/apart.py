"""Reads the configuration in a process of its own, so that the daemon does not carry what read it.

The libraries that check a configuration work for a third of a second and would then lie in memory for months,
as a third of all that the daemon needs. So a child reads it, hands over the plan, which is plain values, and
ends; meanwhile the daemon's own modules can be loaded.
"""

import os
import pickle
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from bridge.config.plan import BridgePlan
from bridge.errors import ClearwellError, InputError

# What both processes need is loaded before they part.


@dataclass(frozen=True, slots=True)
class _Refused:
    """Why there is no plan."""

    sentence: str
    mistaken: bool
    """A person's mistake."""


_Outcome = tuple[BridgePlan, tuple[str, ...]] | _Refused


class ApartReading:
    """A configuration that is being read. To be made before the process has a second thread.

    Args:
        path: the file.
        environ: the environment, as :func:`bridge.config.loading.read` takes it.
    """

    def __init__(self, path: Path, environ: Mapping[str, str]) -> None:
        self._path = path
        self._from_child, to_parent = os.pipe()
        self._child = os.fork()
        if self._child == 0:
            os.close(self._from_child)
            _read_and_end(path, environ, to_parent)
        os.close(to_parent)

    def result(self) -> tuple[BridgePlan, tuple[str, ...]]:
        """Wait for the plan and its warnings. To be called once.

        Raises:
            InputError: what is wrong with the configuration.
            ClearwellError: the child ended without an answer.
        """
        with os.fdopen(self._from_child, "rb") as answer:
            data = answer.read()
        os.waitpid(self._child, 0)
        if not data:
            raise ClearwellError(
                f"The configuration {self._path} could not be read: the process that read it ended by a "
                "fault of the program. Please report this with what it printed."
            )
        outcome: _Outcome = pickle.loads(data)
        if isinstance(outcome, _Refused):
            raise InputError(outcome.sentence) if outcome.mistaken else ClearwellError(outcome.sentence)
        return outcome


def _read_and_end(path: Path, environ: Mapping[str, str], to_parent: int) -> NoReturn:
    """The child's life. It ends without the parent's clean-up, which is not its to do."""
    try:
        with os.fdopen(to_parent, "wb") as out:
            out.write(pickle.dumps(_outcome(path, environ)))
    except (BrokenPipeError, KeyboardInterrupt):
        # The parent has ended, or is about to, and says so itself.
        pass
    except BaseException:  # noqa: BLE001 - nothing may climb up into the parent's own frames
        traceback.print_exc()
    finally:
        os._exit(0)


def _outcome(path: Path, environ: Mapping[str, str]) -> _Outcome:
    from bridge.config.loading import read

    try:
        configuration = read(path, environ)
    except ClearwellError as error:
        return _Refused(str(error), isinstance(error, InputError))
    return configuration.plan, configuration.warnings
