"""glibc's own count of heaps after threads have allocated, with and without a limit."""

import ctypes
import subprocess
import sys

import pytest

SCRIPT = """
import ctypes, sys, threading
from framesort.workers import tune_heaps, release_memory
if sys.argv[2] == "limited":
    tune_heaps()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.free.argtypes = [ctypes.c_void_p]
together = threading.Barrier(8)
def work():
    held = [libc.malloc(4000) for _ in range(200)]
    together.wait()
    for one in held:
        libc.free(one)
threads = [threading.Thread(target=work) for _ in range(8)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
release_memory()
libc.fopen.restype = ctypes.c_void_p
libc.malloc_info.argtypes = [ctypes.c_int, ctypes.c_void_p]
libc.fclose.argtypes = [ctypes.c_void_p]
out = libc.fopen(sys.argv[1].encode(), b"w")
libc.malloc_info(0, out)
libc.fclose(out)
"""


@pytest.mark.skipif(
    sys.platform != "linux" or not hasattr(ctypes.CDLL(None), "malloc_info"), reason="glibc only"
)
def test_threads_share_two_heaps_where_that_is_wanted(tmp_path):
    count = {}
    for how in ("limited", "free"):
        report = tmp_path / how
        subprocess.run([sys.executable, "-c", SCRIPT, str(report), how], check=True)
        count[how] = report.read_text().count("<heap nr=")
    assert count["limited"] <= 2 < count["free"]
