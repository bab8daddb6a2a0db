"""PyMC models run as written, neither rewritten nor compiled: seconds instead of a minute."""

from pytensor.compile.mode import Mode
from pytensor.link.vm import VMLinker

AS_WRITTEN = Mode(linker=VMLinker(c_thunks=False), optimizer=None)
