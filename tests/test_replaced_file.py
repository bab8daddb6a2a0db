"""Folders made for files, and files that take the place of others, all or none."""

from __future__ import annotations

import errno
import itertools
import os
from pathlib import Path

import pytest

from standage.errors import PlaceError
from standage.notices import Notice
from standage.replaced_file import made_folder, move_all, passing_folder, whole_file


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


def test_a_fault_names_the_file_that_was_wanted_and_no_passing_one(tmp_path):
    """The system names no file where a disk is full."""
    wanted = tmp_path / "ages.csv"
    with pytest.raises(OSError) as met, whole_file(wanted):
        raise full_disk()
    assert met.value.filename == str(wanted)
    with pytest.raises(OSError) as met, whole_file(wanted) as half:
        half.rename(half / "nowhere")
    assert met.value.filename == str(wanted)
    for fault in (full_disk, lambda: FileNotFoundError(errno.ENOENT, "no", str(passing / "x.csv"))):
        with pytest.raises(OSError) as met, passing_folder(tmp_path) as passing:
            raise fault()
        assert met.value.filename == str(tmp_path)
    with pytest.raises(OSError) as met, passing_folder(tmp_path):
        (tmp_path / "mine" / "notes.txt").read_text()
    assert met.value.filename == str(tmp_path / "mine" / "notes.txt")
    assert not any(tmp_path.iterdir())


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


@pytest.fixture
def places(tmp_path):
    """A passing folder with two new files, and their places, where earlier ones are."""
    workshop, places = tmp_path / "workshop", [tmp_path / "one", tmp_path / "two"]
    workshop.mkdir()
    for place in places:
        place.write_text("earlier")
        (workshop / place.name).write_text("new")
    return workshop, places


def failing_renames(monkeypatch, failing):
    """Path.rename, whose calls of these numbers fail."""
    calls, rename = itertools.count(1), Path.rename

    def renamed(self, target):
        if next(calls) in failing:
            raise full_disk()
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", renamed)


@pytest.mark.parametrize("failing", [1, 2, 3, 4])
def test_files_are_moved_all_or_none(failing, places, monkeypatch):
    workshop, paths = places
    failing_renames(monkeypatch, {failing})
    with pytest.raises(OSError):
        move_all(workshop, paths)
    assert [path.read_text() for path in paths] == ["earlier"] * 2
    assert not (workshop / "earlier").exists()


def test_files_that_are_moved_take_the_place_of_links_and_earlier_files(places):
    workshop, (one, two) = places
    mine = one.with_name("mine")
    one.rename(mine)
    one.symlink_to(mine)
    move_all(workshop, [one, two])
    assert (one.read_text(), two.read_text(), mine.read_text()) == ("new", "new", "earlier")
    assert not one.is_symlink() and not any(workshop.iterdir())


def test_earlier_files_that_cannot_be_put_back_stay_where_the_message_says(tmp_path, monkeypatch):
    path = tmp_path / "report"
    path.write_text("earlier")
    failing_renames(monkeypatch, {2, 3})
    with pytest.raises(PlaceError) as refused, passing_folder(tmp_path) as workshop:
        (workshop / "report").write_text("new")
        move_all(workshop, [path])
    assert str(workshop / "earlier") in str(refused.value)
    assert (workshop / "earlier" / "report").read_text() == "earlier" and not path.exists()
    words = f"{workshop.name}/earlier holds earlier files"
    with pytest.warns(Notice, match=words), passing_folder(tmp_path):
        pass
