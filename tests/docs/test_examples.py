"""Examples in the docstrings of public names run and print what they show; which names have none
yet is a list that only shrinks.

Examples are run at the top of the repository. Besides what they import they find `standage`,
`survey` and `posterior` (one small invented stand and a short fit of it), `with_rings` (an invented
posterior of a survey with ring widths), `two_results` (folders of invented results), and `folder`,
an empty folder to write into.
"""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fake_posterior import fake_posterior, with_tables

import standage
from standage.stand.posterior import Posterior
from standage.survey.reading import read_survey

ROOT = Path(__file__).parents[2]
PACKAGES = (
    *("standage", "standage.simulate", "standage.evidence", "standage.survey"),
    "standage.figures",
)
AS_SHOWN = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE

WITHOUT_EXAMPLE: set[str] = set()


def public_names() -> dict[str, object]:
    """Public functions and classes by the full name of where each is defined."""
    packages = [importlib.import_module(name) for name in PACKAGES]
    found = [getattr(package, name) for package in packages for name in package.__all__]
    return {f"{each.__module__}.{each.__qualname__}": each for each in found}


def example_of(name: str) -> doctest.DocTest:
    each = public_names()[name]
    module = importlib.import_module(each.__module__)
    return doctest.DocTestParser().get_doctest(
        each.__doc__ or "", dict(vars(module)), name, module.__file__, 0
    )


WITH_EXAMPLE = sorted(name for name in public_names() if example_of(name).examples)


def with_rings() -> Posterior:
    """Of a survey with the rings of twelve trees, which grow twice as fast from 1927."""
    posterior = fake_posterior(draws=40)
    cores = posterior.survey.cores
    years = np.arange(1890.0, 1971.0)
    noise = np.random.default_rng(4).normal(0, 0.12, (12, len(years)))
    series = [
        pd.DataFrame(
            {
                "core": core,
                "year": years,
                "width_mm": np.where(years >= 1927, 2.4, 1.2) * np.exp(own),
            }
        )
        for core, own in zip(cores[cores["tree"].str.startswith("F")]["core"], noise, strict=False)
    ]
    widths = pd.concat(series, ignore_index=True).assign(row=1, file="ring_widths.csv")
    return with_tables(posterior, ring_widths=widths)


@pytest.mark.parametrize("name", WITH_EXAMPLE)
def test_an_example_prints_what_it_shows(name, simulated_folder, tmp_path, monkeypatch, request):
    monkeypatch.chdir(ROOT)
    test = example_of(name)
    test.globs |= {"standage": standage, "folder": tmp_path}
    text = "".join(example.source for example in test.examples)
    if "survey" in text:
        test.globs["survey"] = read_survey(simulated_folder)
    if "posterior" in text:
        test.globs["posterior"] = request.getfixturevalue("simulated_fit")
    if "with_rings" in text:
        test.globs["with_rings"] = with_rings()
    if "two_results" in text:
        result = request.getfixturevalue("two_results")
        test.globs["two_results"] = [
            result(name, fake_posterior(seed, draws=12), inputs=name)
            for seed, name in enumerate(("east", "west"), start=1)
        ]
    said: list[str] = []
    runner = doctest.DocTestRunner(optionflags=AS_SHOWN, verbose=False)
    assert runner.run(test, out=said.append).failed == 0, "".join(said)


def test_public_names_without_an_example_are_fewer_and_fewer():
    assert len(WITH_EXAMPLE) > 15
    without = set(public_names()) - set(WITH_EXAMPLE)
    assert without <= WITHOUT_EXAMPLE, "give these an example"
    assert without >= WITHOUT_EXAMPLE, "these have one, or are gone: take them off the list"
