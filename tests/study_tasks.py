"""A task for tests of the studies' runner: worker processes import it from here."""

from __future__ import annotations

import numpy as np

DONE: list[int] = []  # seeds worked on in this process


def square(job: dict) -> dict:
    DONE.append(job["seed"])
    if job["seed"] == 3:
        raise ValueError("three is not to be had")
    return {"square": job["seed"] ** 2, "shape": np.arange(2)}
