"""Spreads the tasks of a campaign over the machines of a Dask cluster.

Each machine runs ``dask worker`` in an environment with the same version of this program. If a worker dies,
its tasks run again on another one. Each task has its own seed, so that changes no outcome.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from bridge.errors import InputError

Given = TypeVar("Given")
Found = TypeVar("Found")

SCHEME = "dask://"
_CONNECT_S = 10.0


def spread_over(
    executor: str, work: Callable[[Given], Found], tasks: Sequence[Given]
) -> Iterator[tuple[int, Found]]:
    """Run a function on many values on a cluster.

    Args:
        executor: The scheduler, as ``dask://HOST:PORT``.
        work: A function of a module.
        tasks: The values.

    Yields:
        The index of each value and its result, in the order in which they end.

    Raises:
        InputError: The address has another form, the extra is not installed, or nothing answers there.
    """
    address = executor.removeprefix(SCHEME)
    if address == executor or ":" not in address:
        raise InputError(f"--executor {executor!r}: the form is {SCHEME}HOST:PORT, such as {SCHEME}barn:8786")
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise InputError(
            "--executor needs the extra 'cluster' (pip install 'clearwell-bridge[cluster]')"
        ) from error
    try:
        client = Client(f"tcp://{address}", timeout=_CONNECT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(f"--executor {executor!r}: no scheduler answers there ({error})") from error
    with client:
        # Two equal tasks must both run, so no result is taken from an earlier one.
        waiting = {client.submit(work, task, pure=False): index for index, task in enumerate(tasks)}
        for done in as_completed(waiting):
            yield waiting[done], done.result()
