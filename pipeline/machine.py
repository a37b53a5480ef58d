"""How much memory this process may use: that of the machine, or less where the system sets a limit."""

import os
from pathlib import Path

# where a container's limit is found, with control groups of version 2 and 1
_CONTAINER_LIMITS = ("/sys/fs/cgroup/memory.max", "/sys/fs/cgroup/memory/memory.limit_in_bytes")
# bytes that are assumed where the system does not say: a small machine of today (common practice, no source)
_ASSUMED_BYTES = 8 * 2**30


def machine_memory() -> int:
    """Return the bytes of memory that this process may use: the least of machine, container and the account's limit (`ulimit -v`)."""
    return min(_installed_memory(), address_space(), *map(_container_limit, _CONTAINER_LIMITS))


def database_memory() -> str:
    """Return how much memory the database may use, as its settings write it: a quarter of the machine's, at least 1 GB."""
    return f"{max(machine_memory() // 4, 2**30) // 2**20}MiB"


def address_space() -> int:
    """Return the bytes of address space that the system allows this process; a number beyond any machine where it sets no limit."""
    try:
        import resource
    except ImportError:  # Windows
        return 2**63
    limits = [limit for limit in resource.getrlimit(resource.RLIMIT_AS) if limit != resource.RLIM_INFINITY]
    return min(limits, default=2**63)


def _installed_memory() -> int:
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        return _ASSUMED_BYTES


def _container_limit(file: str) -> int:
    try:
        return int(Path(file).read_text("ascii"))
    except (OSError, ValueError):  # no container, or "max"
        return 2**63
