"""What a server keeps of the memory that answers were made in."""

import subprocess
import sys

import pytest

# Large arrays among small things that stay, made in a thread, then freed: as an answer is made.
_WORK = """
import sys, threading
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


def _left_mb(how: str) -> float:
    command = [sys.executable, "-c", _WORK, how]
    ran = subprocess.run(command, capture_output=True, check=True, text=True, timeout=60)
    return float(ran.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_arrays_that_were_freed_are_given_back_to_the_system() -> None:
    """Of 240 MB in arrays that an answer needed nothing stays; without the setting most does."""
    assert _left_mb("given back") < 60
