"""A stop that a call of C's swallows is asked for once more."""

import signal
import subprocess
import sys

import pytest

CALLED_BACK = """
import ctypes, os, signal, time
from geomcheck.cli import ending
ending.prepare()
back = ctypes.CFUNCTYPE(None)(lambda: (os.kill(os.getpid(), {number}), time.sleep(0.2)))
try:
    back()  # what is raised in here is printed and lost
    time.sleep(10)
except ending.Ended as stop:
    print("ended", stop.code)
except KeyboardInterrupt:
    print("interrupted")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize(
    ("number", "said"), [(signal.SIGTERM, "ended 143"), (signal.SIGINT, "interrupted")]
)
def test_a_stop_inside_a_call_back_is_not_lost(number, said):
    code = CALLED_BACK.format(number=int(number))
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == said
    assert done.stderr == ""


def test_the_test_is_about_something():
    """Without the hook the stop is lost: ctypes prints what is raised in a call back."""
    lost = CALLED_BACK.replace("ending.prepare()", "").replace("time.sleep(10)", "print('lost')")
    done = subprocess.run(
        [sys.executable, "-c", lost.format(number=int(signal.SIGINT))],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert done.stdout.strip() == "lost"
