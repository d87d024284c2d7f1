"""One self-contained HTML file: templates with autoescape, and a Content-Security-Policy that allows nothing else."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from waykeeper.findings import visible

_DATE = re.compile(r"(?:\b[A-Z][a-z]{2} )?\b\d{4}-\d{2}-\d{2}\b")


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("waykeeper.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_seen,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["dated"] = dated
    return made


def _seen(value: Any) -> Any:
    """A value as a page shows it: no name turns the direction of the date that stands behind it."""
    if isinstance(value, Markup):
        return Markup(visible(value))
    return visible(value) if isinstance(value, str) else value


@cache
def _asset(name: str) -> str:
    return (files("waykeeper.report") / "templates" / name).read_text("utf-8") if name else ""


def dated(text: str) -> Markup:
    """The text, escaped, with each date kept on one line: `Fri 2026-` and `06-26` are misread apart."""
    return Markup(_DATE.sub(r'<span class="d">\g<0></span>', str(escape(text))))


def digest(text: str) -> str:
    """The source expression of an inline script or style: `'sha256-...'`."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def policy(style: str, script: str = "") -> str:
    """A policy under which only this very style and script run; nothing is fetched, framed or submitted."""
    scripts = f"; script-src {digest(script)}" if script else ""
    return f"default-src 'none'; style-src {digest(style)}{scripts}; base-uri 'none'; form-action 'none'"


def render(template: str, *, style: str, script: str = "", **values: Any) -> str:
    """A page from a template, a style sheet and (where named) a script of this package.

    Values are escaped; a value that the template names and nobody gave raises jinja2.UndefinedError.
    """
    css, code = _asset(style), _asset(script)
    return _environment().get_template(template).render(
        style=Markup(css), script=Markup(code), policy=Markup(policy(css, code)), **values
    )  # fmt: skip
