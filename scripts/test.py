"""Make an environment and run the tests:  python scripts/test.py [arguments of pytest]

Needs Python 3.11 or later and nothing else. Ends with pytest's exit code. Without arguments all
tests are run, on every processor; with some, pytest gets those and no others.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036 - said before anything newer is imported
    sys.exit("geomcheck needs Python 3.11 or later; this is " + sys.version.split()[0] + ".")

import subprocess
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import environment

#: A file's tests stay together, as some share what takes long to compute.
ALL = ["-n", "auto", "--dist", "loadfile"]


def main() -> int:
    """Run pytest in the environment."""
    python = environment.ready("test")
    command = [str(python), "-m", "pytest", *(sys.argv[1:] or ALL)]
    return subprocess.run(command, cwd=environment.ROOT, stdin=subprocess.DEVNULL).returncode


if __name__ == "__main__":
    sys.exit(main())
