"""What `import standage` gives: every public name, and nothing loaded before it is used."""

import importlib
import inspect
import subprocess
import sys

import pytest

import standage


def test_every_public_name_is_the_thing_of_that_name():
    assert {"read_survey", "fit_stands", "Posterior", "Findings"} <= set(standage.__all__)
    for name in standage.__all__:
        thing = getattr(standage, name)
        assert thing.__name__ == name
        assert inspect.getdoc(thing)
        assert getattr(importlib.import_module(thing.__module__), name) is thing
    assert set(standage.__all__) <= set(dir(standage))


def test_an_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="no_such_name"):
        standage.no_such_name  # noqa: B018


def test_importing_loads_none_of_what_is_used_later():
    code = "import standage, sys; print(sorted({'numpy', 'pandas', 'numba'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
