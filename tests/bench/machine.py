"""The machine that figures were measured on, in one line."""

from __future__ import annotations

import os
import platform
from pathlib import Path


def machine() -> str:
    """Processor, cores, memory, kernel, Python, and how busy it is."""
    model = platform.machine()
    for line in Path("/proc/cpuinfo").read_text("utf-8", "replace").splitlines():
        if line.startswith("model name"):
            model = " ".join(line.partition(":")[2].split())
            break
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return (
        f"{model}, {os.cpu_count()} cores, {memory:.0f} GiB, Linux {platform.release()}, "
        f"Python {platform.python_version()}, load {os.getloadavg()[0]:.1f}"
    )
