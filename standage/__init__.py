"""standage: establishment dates, cohorts and recruitment pulses of forest stands from increment
cores, with honest uncertainty.

Public names, each loaded when first used, so that commands which need no model start at once.
"""

from importlib import import_module

_PLACE = {
    "Posterior": "standage.stand.posterior",
    "Problem": "standage.errors",
    "Profile": "standage.profiles",
    "StandageError": "standage.errors",
    "Survey": "standage.survey.survey",
    "SurveyError": "standage.errors",
    "build_stands": "standage.stand.build",
    "cohorts": "standage.findings",
    "compare_results": "standage.commands.compare",
    "comparison": "standage.findings",
    "date_trees": "standage.evidence",
    "fit_stands": "standage.stand.fit",
    "growth_changes": "standage.growth.growth_changes",
    "load_posterior": "standage.stand.posterior",
    "load_profile": "standage.profiles",
    "profile_keys": "standage.profiles",
    "pulses": "standage.findings",
    "read_survey": "standage.survey.reading",
    "stand_summary": "standage.findings",
    "stand_model": "standage.stand.model",
    "summary": "standage.prose.summary",
    "tree_dates": "standage.findings",
    "write_results": "standage.results.writing",
    "write_template": "standage.survey.forms",
}
__all__ = sorted(_PLACE)


def __getattr__(name: str):
    if name not in _PLACE:
        raise AttributeError(f"standage has no {name!r}; it has {', '.join(__all__)}")
    module = import_module(_PLACE[name])
    return getattr(module, "build_model" if name == "stand_model" else name)


def __dir__() -> list[str]:
    return __all__
