"""Wishes to stop wait for the end of what can't be broken off."""

from __future__ import annotations

import signal

import pytest

from standage.stops import stops_held_back


def test_a_stop_is_heard_once_when_the_block_ends():
    done = []
    with pytest.raises(KeyboardInterrupt), stops_held_back():
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        done.append("written")
    assert done == ["written"]


def test_without_a_stop_the_handlers_are_as_before():
    before = signal.getsignal(signal.SIGINT)
    with stops_held_back():
        assert signal.getsignal(signal.SIGINT) is not before
    assert signal.getsignal(signal.SIGINT) is before
