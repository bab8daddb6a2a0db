"""Warnings for people."""

from __future__ import annotations


class Notice(UserWarning):
    """A warning meant for the person who asked, and not for whoever programs: commands print it as
    a line of its own.
    """
