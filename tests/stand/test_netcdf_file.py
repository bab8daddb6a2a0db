"""A file of draws on a disk that fills up: an error that can be caught, at whichever write it
comes, and the file as it would be where it doesn't.
"""

from __future__ import annotations

import errno
import io
import os
import signal
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
import xarray as xr

from standage.stand.draws_file import DrawsFile
from standage.stand.netcdf_file import _DiskThenMemory, read_netcdf, write_netcdf


@pytest.fixture(scope="module")
def tree():
    values = np.random.default_rng(1).normal(size=(2, 50, 3, 40)).astype(np.float32)
    drawn = xr.Dataset({"living": (("chain", "draw", "unit", "year"), values)})
    return xr.DataTree.from_dict({"/": xr.Dataset(attrs={"format": 1}), "posterior": drawn})


class Disk(io.FileIO):
    """Has room for so many bytes, and takes no more than a few at a time."""

    def __init__(self, path, room):
        super().__init__(path, "w+")
        self.room = room

    def write(self, content):
        taken = min(len(content), self.room, 1000)
        if taken == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.room -= taken
        return super().write(content[:taken])


def written(tree, path, room, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", lambda self, *_, **__: Disk(self, room))
        write_netcdf(tree, path)


@pytest.mark.parametrize("room", [0, 500, 1500, 20_000, 35_000])
def test_a_full_disk_is_an_error_of_the_system(tree, room, tmp_path, monkeypatch):
    with pytest.raises(OSError, match="No space left"):
        written(tree, tmp_path / "draws.nc", room, monkeypatch)


def test_a_disk_that_writes_a_part_at_a_time_writes_all(tree, tmp_path, monkeypatch):
    written(tree, tmp_path / "slow.nc", 10**9, monkeypatch)
    write_netcdf(tree, tmp_path / "draws.nc")
    assert (tmp_path / "slow.nc").read_bytes() == (tmp_path / "draws.nc").read_bytes()
    assert (tmp_path / "draws.nc").stat().st_size > 35_000
    assert read_netcdf(tmp_path / "draws.nc").identical(tree)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize(("call", "turn"), [("seek", 1), ("seek", 9), ("write", 5)])
def test_a_stop_in_a_call_of_the_library_is_heard_as_one_when_the_file_is_whole(
    call, turn, number, tree, tmp_path, monkeypatch, capfd
):
    calls, usual = [], getattr(_DiskThenMemory, call)

    def stopped(*arguments):
        calls.append(call)
        if len(calls) == turn:
            signal.raise_signal(number)
        return usual(*arguments)

    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(_DiskThenMemory, call, stopped)
    outside = signal.signal(number, stop)
    try:
        with pytest.raises(KeyboardInterrupt):
            write_netcdf(tree, tmp_path / "draws.nc")
        assert signal.getsignal(number) is stop
    finally:
        signal.signal(number, outside)
    assert len(calls) > turn and capfd.readouterr().err == ""
    assert read_netcdf(tmp_path / "draws.nc").identical(tree)


def test_draws_that_no_disk_takes_cost_nothing_else(tmp_path):
    (tmp_path / "gone").touch()
    kept = DrawsFile(tmp_path / "gone" / "draws.npz")
    kept.write("key", mock.Mock())
    assert kept.read("key") is None
