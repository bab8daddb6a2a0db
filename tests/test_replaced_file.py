"""Folders made for files that are then not written."""

from __future__ import annotations

import errno
import os

import pytest

from standage.replaced_file import made_folder


def full_disk() -> OSError:
    return OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_folders_made_for_nothing_go_and_those_that_were_there_stay(tmp_path):
    (tmp_path / "mine").mkdir()
    with pytest.raises(OSError), made_folder(tmp_path / "mine" / "far" / "out"):
        raise full_disk()
    assert list(tmp_path.iterdir()) == [tmp_path / "mine"] and not any(
        (tmp_path / "mine").iterdir()
    )
    with pytest.raises(OSError), made_folder(tmp_path / "mine"):
        raise full_disk()
    assert (tmp_path / "mine").is_dir()


def test_a_folder_with_something_in_it_stays(tmp_path):
    out = tmp_path / "far" / "out"
    with pytest.raises(OSError), made_folder(out):
        (out / "notes.txt").write_text("mine")
        raise full_disk()
    assert (out / "notes.txt").read_text() == "mine"
    with made_folder(tmp_path / "new"):
        pass
    assert (tmp_path / "new").is_dir()


def test_of_a_path_that_is_made_in_part_nothing_stays(tmp_path, monkeypatch):
    """No room for the second of two folders."""
    made, make = [], os.mkdir

    def mkdir(path, mode=0o777):
        if len(made) == 1:
            raise full_disk()
        make(path, mode)
        made.append(path)

    monkeypatch.setattr(os, "mkdir", mkdir)
    with pytest.raises(OSError), made_folder(tmp_path / "far" / "out"):
        pass
    assert made and not any(tmp_path.iterdir())
