"""A template of this package as a page of HTML, complete in itself.

Whatever comes from the survey is escaped by the templates. The page's policy forbids every load
from elsewhere and every script but the one whose hash it names, so that nothing in a survey could
run even if the escaping failed.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jinja2

from standage.prose.wording import unbroken

TEMPLATES = Path(__file__).parent / "templates"


def render(template: str, context: Mapping[str, Any], *, script: str | None = None) -> str:
    """A template of this package with the style, and the script if one is named, inside; everything
    else in `context` is escaped.
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        # a figure keeps its sign at line ends
        finalize=lambda value: unbroken(value) if type(value) is str else value,
    )
    code = (TEMPLATES / script).read_text(encoding="utf-8") if script else ""
    hashed = base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")
    allowed = f"'sha256-{hashed}'" if script else "'none'"
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data:;"
        " base-uri 'none'; form-action 'none'"
    )
    style = (TEMPLATES / "style.css").read_text(encoding="utf-8")
    return environment.get_template(template).render(
        **context, policy=policy, style=style, script=code
    )
