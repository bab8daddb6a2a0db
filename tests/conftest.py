"""What several test files share: one small simulated survey whose truth is known, one fit of it,
and a tiny survey.
"""

from __future__ import annotations

import gc
import hashlib
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from standage.simulate.history import SurveyDesign
from standage.simulate.surveys import small_survey
from standage.survey.reading import read_survey

# a survey is read into thousands of small objects, and to look through all of them at every 700th
# takes a seventh of the time
gc.set_threshold(50_000)

# as in a job started in the background: tests of Ctrl-C need it heard
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

WARM = """
import sys, tempfile
from pathlib import Path
from standage.findings import Findings
from standage.simulate import small_survey
from standage.stand.fit import fit_stands
from standage.survey import read_survey

with tempfile.TemporaryDirectory() as folder:
    survey = read_survey(small_survey(5).write(Path(folder) / "small"))
    Findings(fit_stands(survey, draws=50, tune=50, chains=2)).tables
Path(sys.argv[1]).touch()
"""


LONGER_TESTS = Path(__file__).with_name("longer_tests.txt")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    """Tests in the list of longer ones are slow, so that the quick set takes some two minutes of
    one core. A name that no test of its file bears is an error, where files are collected whole.
    """
    longer = {
        f"tests/{line}"
        for line in LONGER_TESTS.read_text(encoding="utf-8").splitlines()
        if line and not line.startswith("#")
    }
    for item in items:
        if item.nodeid in longer or item.nodeid.split("::")[0] in longer:
            item.add_marker(pytest.mark.slow)
    if not any("::" in given for given in config.args):
        files = {item.nodeid.split("::")[0] for item in items}
        known = files | {item.nodeid for item in items}
        gone = sorted(name for name in longer - known if name.split("::")[0] in files)
        if gone:
            raise pytest.UsageError(f"{LONGER_TESTS.name} lists tests that are gone: {gone}")


def pytest_configure(config):
    """Before pytest-xdist starts workers, one process compiles the loops for all of them.

    Otherwise each worker compiles the same, and a worker that meets half of a cache compiles the
    other half against it.
    """
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        mark = warm_mark()
        if not mark.exists():
            subprocess.run(
                [sys.executable, "-c", WARM, str(mark)], check=False
            )  # what fails here fails in the tests, with its reason


def warm_mark() -> Path:
    """The file that says that the compile cache is warm for this package, at this place, under
    these versions, on this processor.
    """
    import numba
    from llvmlite.binding import get_host_cpu_name

    import standage
    from standage import compiled

    told = (
        f"{Path(standage.__file__).parent} {sys.version} {numba.__version__} {get_host_cpu_name()}"
        f" {compiled.sources_hash('standage.stand.fit')}"
    )
    folder = compiled.cache_folder("standage.stand.fit")
    return folder.parent / f"warm-{hashlib.sha256(told.encode()).hexdigest()[:16]}"


@pytest.fixture(scope="session")
def simulated():
    """A stand of about 60 listed stems, 25 of them cored, half of which came in 1930-1941; `.truth`
    holds what the survey doesn't say.
    """
    return small_survey(5)


@pytest.fixture(scope="session")
def simulated_folder(simulated, tmp_path_factory):
    """Folder with the small survey as CSV files."""
    return simulated.write(tmp_path_factory.mktemp("simulated") / "small")


@pytest.fixture(scope="session")
def simulated_fit(simulated_folder):
    """Posterior of the small survey, from few draws: enough to look at dates, too few for the
    verdict's limits.
    """
    from standage.stand.fit import fit_stands

    return fit_stands(read_survey(simulated_folder), seed=1, draws=300, tune=400, chains=2)


@pytest.fixture(scope="session")
def tiny_folder(tmp_path_factory) -> Path:
    """One plot, some twenty stems, eight cores: the quickest survey that still has every kind of
    table.
    """
    design = SurveyDesign(plot_areas_m2=(1500.0,), cores=8, subplots_per_plot=2)
    return small_survey(3, stems=22, design=design, first_year=1880).write(
        tmp_path_factory.mktemp("tiny") / "survey"
    )


@pytest.fixture(scope="session")
def findings():
    """Findings of the invented posterior, to be read and not changed."""
    from fake_findings import fake_findings

    return fake_findings()


@pytest.fixture(scope="session")
def html(findings) -> str:
    """Their report."""
    from standage.report import report_html

    return report_html(findings)


@pytest.fixture
def two_results(monkeypatch, tmp_path):
    """Two results on disk, of invented posteriors whose draws are kept at hand instead of in the
    file.
    """
    from standage.results.folder import build_result_folder

    made = {}

    def result(
        name: str,
        posterior,
        *,
        level: float = 0.9,
        sha256: str = "a",
        inputs: str = "0",
        version: str = "0.1.0",
        **options,
    ):
        about = {
            "version": version,
            "level": level,
            "inputs_sha256": {"trees.csv": inputs},
            "options": options,
        }
        about["profiles"] = [
            {"key": key, "sha256": sha256} for key in ("longleaf-pine", "loblolly-pine")
        ]

        def fill(folder):
            (folder / "posterior.nc").write_bytes(b"draws")
            return about

        folder = build_result_folder(tmp_path / name, fill)
        made[str(folder / "posterior.nc")] = posterior
        return folder

    monkeypatch.setattr("standage.stand.posterior.load_posterior", lambda path: made[str(path)])
    return result
