"""A tree of labelled arrays as one netCDF file, written whole and read whole: whatever is wrong
with the file, nothing of it stays open.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import xarray as xr

from standage.errors import StandageError
from standage.stand.labelled import NO_YEAR
from standage.stops import stops_held_back

# of a file, and of all arrays in it (assumption: a hundred stands have two); a damaged one may ask
# for any amount [bytes]
MOST_BYTES = 8e9
# level 1 with bytes shuffled makes smaller files, sooner, than level 4 without: 52 against 65 MB of
# draws of four stands (measured)
PACKED: dict[str, object] = {"zlib": True, "complevel": 1, "shuffle": True}
SMALL = 500  # values not worth packing, which takes two kilobytes by itself
WHOLE = ("parameters", "log_counts")  # draws that are weighed against each other: not rounded
# of a variable with draws, how much of an axis is packed together: a unit or a part of the stems at
# a time, as they are asked for
CHUNK = {"chain": 1, "unit": 1, "tree": 250, "parameter": 64}


def write_netcdf(tree: xr.DataTree, path: str | Path) -> None:
    """Write the tree; draws in single precision, text as characters. Raises OSError where there is
    no room for it.
    """
    encoding = {
        group.path: {
            name: _encoding(str(name), variable)
            for name, variable in group.to_dataset(inherit=False).variables.items()
        }
        for group in tree.subtree
        if group.variables
    }
    with Path(path).open("w+b", buffering=0) as file, stops_held_back(), _without_cluster():
        target = _DiskThenMemory(file)
        tree.to_netcdf(target, engine="h5netcdf", encoding=encoding)
        if target.fault is not None:
            raise target.fault


class _DiskThenMemory(io.RawIOBase):
    """A file that goes on in memory where the disk fails, and says so in `fault`: a library that
    can't end what it writes would bring the process down.
    """

    def __init__(self, file: io.FileIO) -> None:
        self.fault: OSError | None = None
        self._file: io.FileIO | io.BytesIO = file

    def write(self, content: Any) -> int:
        left = memoryview(content).cast("B")
        start = self._file.tell()
        try:
            done = 0
            while done < len(left):
                done += self._file.write(left[done:])
        except OSError as fault:
            self._leave_disk(fault)
            self._file.seek(start)
            self._file.write(left)
        return len(left)

    def truncate(self, size: int | None = None) -> int:
        try:
            return self._file.truncate(size)
        except OSError as fault:
            self._leave_disk(fault)
            return self._file.truncate(size)

    def _leave_disk(self, fault: OSError) -> None:
        self.fault = fault
        self._file.seek(0)
        self._file = io.BytesIO(self._file.read())

    def readinto(self, buffer: Any) -> int:
        return self._file.readinto(buffer)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True


@contextmanager
def _without_cluster() -> Iterator[None]:
    """In a task of a Dask cluster xarray would ask the cluster for a lock on the file, which is one
    of this process alone.
    """
    if "dask" not in sys.modules:
        yield
        return
    import dask

    with dask.config.set(scheduler="single-threaded"):
        yield


def read_netcdf(path: str | Path) -> xr.DataTree:
    """The tree in a file, all of it in memory. Raises `StandageError` where it asks for more than
    `MOST_BYTES`, and whatever the library raises where it isn't such a file.
    """
    _refuse_above_limit(path, Path(path).stat().st_size)
    content = io.BytesIO(Path(path).read_bytes())
    with h5py.File(content, "r") as file:  # a file that can't even be begun is refused here, since
        dict(file.attrs)  # the next library would print, later, that it can't close it
    with (
        _without_cluster(),
        xr.open_datatree(content, engine="h5netcdf", decode_timedelta=False) as tree,
    ):
        _refuse_above_limit(path, sum(group.nbytes for group in tree.subtree))
        for group in tree.subtree:
            for name in group.data_vars:
                _put_by_unit(group.dataset[name].variable.load())
        return tree.load()


def _put_by_unit(variable: xr.Variable) -> None:
    """Each unit's draws together in memory, as after a fit: else whoever asks for those of a unit
    gets a copy.
    """
    if "unit" in variable.dims and "draw" in variable.dims:
        apart = variable.transpose("unit", ...)
        apart.data = np.ascontiguousarray(apart.data)
        variable.data = apart.transpose(*variable.dims).data


def _refuse_above_limit(path: str | Path, size: float) -> None:
    if size > MOST_BYTES:
        raise StandageError.at(
            path,
            f"{size / 1e9:,.0f} GB of draws",
            f"at most {MOST_BYTES / 1e9:.0f} GB",
            "Run the survey again.",
        )


def _encoding(name: str, variable: xr.Variable) -> dict[str, object]:
    if not variable.size or not variable.dims:
        return {}
    packed = PACKED if variable.size > SMALL else {}
    if variable.dtype.kind in "OUT":
        return packed | {"dtype": "S1"}
    # a blank is written as what it is: nothing to look for when it is read
    as_is: dict[str, object] = {"_FillValue": None} if variable.dtype.kind == "f" else {}
    if "draw" not in variable.dims or len(variable.dims) < 3:
        return packed | as_is
    chunks = (min(size, CHUNK.get(str(axis), size)) for axis, size in variable.sizes.items())
    if variable.dtype.kind == "i":  # calendar years, blank for whoever else reads the file
        as_is = {"dtype": "int16", "_FillValue": NO_YEAR}
    elif name not in WHOLE:
        as_is |= {"dtype": "float32"}
    return PACKED | as_is | {"chunksizes": tuple(chunks)}
