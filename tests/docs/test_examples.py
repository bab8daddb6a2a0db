"""Examples in the docstrings of public names run and print what they show; which names have none
yet is a list that only shrinks.

Examples are run at the top of the repository. Besides what they import they find `standage`,
`survey` and `posterior` (one small invented stand and a short fit of it), and `folder`, an empty
folder to write into.
"""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import standage
from standage.survey.reading import read_survey

ROOT = Path(__file__).parents[2]
PACKAGES = (
    *("standage", "standage.simulate", "standage.evidence", "standage.survey"),
    "standage.figures",
)
AS_SHOWN = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE

WITHOUT_EXAMPLE = {
    "standage.commands.compare.compare_results",
    "standage.figures.comparison.plot_differences",
    "standage.figures.comparison.plot_strip",
    "standage.figures.disturbance.plot_disturbance_chronology",
    "standage.figures.disturbance.plot_ring_panel",
    "standage.figures.events.plot_lags",
    "standage.figures.model.plot_count_check",
    "standage.figures.model.plot_delay",
    "standage.figures.model.plot_diameter_check",
    "standage.figures.stand.plot_cohorts",
    "standage.figures.stand.plot_rate",
    "standage.figures.stand.plot_size_age",
    "standage.figures.stand.plot_tree_dates",
    "standage.figures.styles.in_style",
    "standage.findings.findings.Findings",
    "standage.growth.growth_changes.growth_changes",
    "standage.evidence.height.delay_pmf_prior",
    "standage.evidence.delays.grass_stage_pmf",
    "standage.evidence.delays.height_growth_pmf",
    "standage.evidence.height.steps",
    "standage.profiles.library.UncheckedProfile",
    "standage.prose.summary.summary",
    "standage.results.writing.write_results",
    "standage.stand.build.build_stands",
    "standage.stand.fit.fit_stands",
    "standage.stand.posterior.Posterior",
    "standage.stand.posterior.load_posterior",
    "standage.survey.forms.write_template",
    "standage.survey.survey.Survey",
}


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
    said: list[str] = []
    runner = doctest.DocTestRunner(optionflags=AS_SHOWN, verbose=False)
    assert runner.run(test, out=said.append).failed == 0, "".join(said)


def test_public_names_without_an_example_are_fewer_and_fewer():
    assert len(WITH_EXAMPLE) > 15
    without = set(public_names()) - set(WITH_EXAMPLE)
    assert without <= WITHOUT_EXAMPLE, "give these an example"
    assert without >= WITHOUT_EXAMPLE, "these have one, or are gone: take them off the list"
