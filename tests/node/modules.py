"""Programs that nobody here wrote, for tests under Node.js: fetched once, at the exact versions of a lock."""

import fcntl
import subprocess
from pathlib import Path

from tests.waiting import DEADLINE_S

HERE = Path(__file__).parent


def node_modules() -> Path:
    """The directory with every package of ``package-lock.json``, whose hashes npm checks.

    The first test that asks lets npm fetch them; tests in other processes wait for it.
    """
    modules = HERE / "node_modules"
    stamp = modules / ".fetched-by-this-lock"
    with (HERE / "package-lock.json").open("rb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        wanted = lock.read()
        if not stamp.exists() or stamp.read_bytes() != wanted:
            fetch = ("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund")
            done = subprocess.run(fetch, cwd=HERE, capture_output=True, text=True, timeout=DEADLINE_S)
            assert done.returncode == 0, f"npm could not fetch the packages of the lock:\n{done.stderr}"
            stamp.write_bytes(wanted)
    return modules
