"""Memory of arrays that come and go with every frame."""

import platform
import subprocess
import sys

import pytest

FAULTS = """
import resource
import numpy as np
from starsize.tracking.tasks import keep_freed_memory
keep_freed_memory()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for megabytes in range(1, 29):
    np.ones(megabytes << 20, np.uint8)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library, another way")
def test_freed_memory_is_used_again():
    # https://man7.org/linux/man-pages/man3/mallopt.3.html, M_MMAP_THRESHOLD: adjusted upward as
    # blocks are freed. The largest of the arrays, in pages of 4 kB, and little more.
    call = [sys.executable, "-c", FAULTS]
    told = subprocess.run(call, check=True, capture_output=True, text=True)
    assert int(told.stdout) < 1.5 * (28 << 20) / 4096
