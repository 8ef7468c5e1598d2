"""What a server keeps of the memory that answers were made in."""

import subprocess
import sys

import pytest

# Large arrays among small things that stay, made in a thread, then freed: as an answer is made.
_WORK = """
import sys, threading, time
import numpy as np
from service.web.serving import give_back_freed_memory

def anonymous_mb():
    text = open("/proc/self/status", encoding="utf-8").read()
    return int(text.split("RssAnon:")[1].split()[0]) / 1024

if sys.argv[1] == "given back":
    give_back_freed_memory()
before, kept = anonymous_mb(), []

def answer():
    np.ones(4_000_000)  # the C library would take smaller ones from its heap after this
    large = []
    for _ in range(60):
        large.append(np.ones(500_000))
        kept.append(bytes(2_000))

thread = threading.Thread(target=answer)
thread.start()
thread.join()
print(anonymous_mb() - before)
"""

_WAIT = """
for _ in range(40):
    if anonymous_mb() - before > 60:
        time.sleep(0.5)
"""
# The same in pieces too small for the system, a few of which stay among those that are freed.
_PIECES = _WORK.replace(
    "    for _ in range(60):\n        large.append(np.ones(500_000))\n",
    "    for _ in range(200):\n        large.append([bytes(2_000) for _ in range(600)])\n",
).replace("thread.join()\n", "thread.join()\nsum(range(30_000_000))\n" + _WAIT)


def _left_mb(how: str, work: str = _WORK) -> float:
    command = [sys.executable, "-c", work, how]
    ran = subprocess.run(command, capture_output=True, check=True, text=True, timeout=60)
    return float(ran.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_arrays_that_were_freed_are_given_back_to_the_system() -> None:
    """Of 240 MB in arrays that an answer needed nothing stays; without the setting most does."""
    assert _left_mb("given back") < 60


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_small_pieces_that_were_freed_are_given_back_while_there_is_work() -> None:
    """Of 240 MB in pieces of 2 kB nothing stays a second later; without the setting all does."""
    assert "range(600)" in _PIECES
    assert _left_mb("given back", _PIECES) < 60
