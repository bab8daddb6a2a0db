"""How loops are compiled, and where compiled code is kept: outside the project, in a folder named
after a hash of the sources.

Numba itself tracks the calling file only; the hash makes sure that an edited file never meets a
stale cache of another.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numba

# all whose text ends up in compiled code: the flags here, and the constants that are frozen into
# it, as well as the loops
STAND_SOURCES = (
    "compiled.py",
    "stand/kernel/*.py",
    "stand/whitening.py",
    "stand/parameters.py",
    "stand/data.py",
    "stand/dating.py",
    "stand/emergence.py",
)
SOURCES = (
    *STAND_SOURCES,
    "findings/local_ratio.py",
    "growth/release_loops.py",
    "growth/release_model.py",
    "growth/stand_disturbance.py",
)


def sources_hash(patterns: tuple[str, ...]) -> str:
    """Hash of the package's files of these patterns: 16 hexadecimal digits."""
    package = Path(__file__).parent
    sources = sorted(path for pattern in patterns for path in package.glob(pattern))
    return hashlib.sha256(b"".join(source.read_bytes() for source in sources)).hexdigest()[:16]


def _cache_folder() -> str:
    root = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return str(Path(root) / "standage" / f"compiled-{SOURCES_HASH}")


SOURCES_HASH = sources_hash(SOURCES)
numba.config.CACHE_DIR = os.environ.get("NUMBA_CACHE_DIR") or _cache_folder()

# a division by zero far from the mode gives an infinity that the sampler turns down, not an
# exception in the middle of a chain; sums may be reordered so that loops run in vector registers;
# infinities and not-a-numbers keep their meaning
compiled = numba.njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "arcp", "nsz"}
)
