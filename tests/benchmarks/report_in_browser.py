"""Opens a report in a real headless Chromium and says what the browser says: errors, requests,
whether sorting and filtering work, and pictures to look at.

    python tests/benchmarks/report_in_browser.py RESULTS OUT [--browser PATH]

RESULTS is a folder that `standage run` wrote. OUT gets `desktop.png`, `phone.png` and `print.pdf`.
Exit code 1 where the console shows an error, the page asks the network for anything, or the table
of trees doesn't sort or filter; 2 where there is no browser (Debian: chromium).
"""

from __future__ import annotations

import argparse
import html
import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from urllib.parse import urlsplit

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
WIDTHS = {"desktop": (1280, 2400), "phone": (390, 2400)}  # of the window [pixels]
COMMON = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--hide-scrollbars",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-default-apps",
)
# what Chromium asks for by itself; never what a page would load fonts or scripts from
BROWSERS_OWN = {
    "clients2.google.com",
    "android.clients.google.com",
    "accounts.google.com",
    "www.google.com",
    "update.googleapis.com",
    "optimizationguide-pa.googleapis.com",
}
PATIENCE = 120  # for one start of the browser [s]
PROBE = """<script>addEventListener("load", function () {
  var body = document.querySelector("#tree-table tbody"), filter = document.getElementById("tree-filter");
  var head = document.querySelector("#tree-table thead button");
  function shown() { return Array.from(body.rows).filter(function (row) { return getComputedStyle(row).display !== "none"; }).length; }
  function first() { return body.rows[0].cells[0].textContent.trim(); }
  function seek(words) { filter.value = words; filter.dispatchEvent(new Event("input")); return shown(); }
  var name = first(), all = shown(), none = seek("no such tree at all"), one = seek(name), again = seek("");
  head.click(); var low = first();
  head.click(); var high = first();
  document.body.dataset.probe = JSON.stringify({all: all, none: none, one: one, again: again, low: low, high: high});
});</script></body>"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("results", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--browser")
    asked = parser.parse_args()
    browser = asked.browser or next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        print(
            f"no browser: none of {', '.join(BROWSERS)} is on the path; name one with --browser",
            file=sys.stderr,
        )
        return 2
    asked.out.mkdir(parents=True, exist_ok=True)
    url = (asked.results / "report.html").resolve().as_uri()
    problems = []
    for name, (width, height) in WIDTHS.items():
        errors = run(
            browser,
            url,
            f"--window-size={width},{height}",
            f"--screenshot={(asked.out / f'{name}.png').resolve()}",
        ).stderr
        problems += [f"{name}: {line}" for line in console(errors)]
    run(
        browser,
        url,
        f"--print-to-pdf={(asked.out / 'print.pdf').resolve()}",
        "--no-pdf-header-footer",
    )
    with tempfile.TemporaryDirectory() as folder:
        log, empty = Path(folder) / "net.json", Path(folder) / "empty.json"
        run(
            browser, "about:blank", "--dump-dom", f"--log-net-log={empty}"
        )  # a browser calls home whatever it shows
        own = {urlsplit(address).hostname for address in asked_of_network(empty)} | BROWSERS_OWN
        page = run(browser, url, "--dump-dom", f"--log-net-log={log}").stdout
        requests = [
            address for address in asked_of_network(log) if urlsplit(address).hostname not in own
        ]
    problems += [f"asked the network for {request}" for request in requests]
    if 'id="tree-filter"' not in page or "<button" not in page:
        problems.append("the script did not run: no filter, no heads to click on")
    else:
        problems += table_problems(browser, asked.results / "report.html")
    problems += [
        f"{name} was not made"
        for name in ("desktop.png", "phone.png", "print.pdf")
        if not (asked.out / name).is_file()
    ]
    print(
        "\n".join(problems)
        or f"no console error, no request, script alive; look at the pictures in {asked.out}"
    )
    return 1 if problems else 0


def run(browser: str, url: str, *options: str) -> subprocess.CompletedProcess:
    """One start of the browser with a profile of its own that is thrown away."""
    with tempfile.TemporaryDirectory() as profile:
        command = [
            browser,
            *COMMON,
            f"--user-data-dir={profile}",
            "--enable-logging=stderr",
            *options,
            url,
        ]
        return subprocess.run(
            command, capture_output=True, text=True, timeout=PATIENCE, check=False
        )


def table_problems(browser: str, report: Path) -> list[str]:
    """What is wrong with filtering and sorting the table of trees, tried on a copy of the page that
    lets a probe of ours run in it.
    """
    text = re.sub(
        r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", report.read_text(encoding="utf-8")
    )
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "report.html"
        copy.write_text(text.replace("</body>", PROBE), encoding="utf-8")
        page = run(browser, copy.as_uri(), "--dump-dom").stdout
    found = re.search(r'data-probe="([^"]*)"', page)
    if found is None:
        return ["the table of trees could not be tried"]
    told = json.loads(html.unescape(found[1]))
    checks = {
        "a filter that nothing fits hides all": told["none"] == 0,
        "a tree's name filters": 1 <= told["one"] < told["all"],
        "an empty filter shows all again": told["again"] == told["all"],
        "a head clicked once and twice sorts both ways": told["low"] != told["high"],
    }
    return [f"not so: {what} ({told})" for what, holds in checks.items() if not holds]


def console(errors: str) -> list[str]:
    """Lines that the page wrote to the console: a page that is right writes none."""
    return [line for line in errors.splitlines() if "CONSOLE" in line]


def asked_of_network(log: Path) -> list[str]:
    """Addresses that the page asked for, out of the browser's own log; the page's file itself is
    none, nor is data inside it.

    Raises an error where the log can't be read: no log is no proof.
    """
    text = log.read_text(encoding="utf-8")
    json.loads(text if text.rstrip().endswith("}") else text.rstrip().rstrip(",") + "]}")
    return sorted(set(re.findall(r'"url":"((?:https?|wss?|ftp):[^"]+)"', text)))


if __name__ == "__main__":
    sys.exit(main())
