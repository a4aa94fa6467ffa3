"""The first page by itself, for a notebook and for pages that hold several."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

from percsim.first_page import FirstPage
from percsim.report.first import sheet_of

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["environment", "first_html", "rendered", "styles"]

PLAIN = """
.first table { border-collapse: collapse; }
.first th, .first td { text-align: left; border: 0; }
"""
"""What a page of its own says of all tables."""


def styles() -> str:
    """Give the style of a first page; it touches nothing beside it."""
    files = resources.files("percsim.report").joinpath("templates")
    own, page = (files.joinpath(f"{n}.css").read_text("utf-8") for n in ("first", "report"))
    colours = re.search(r":root *(\{[^}]*\})", page)
    return f".first {colours[1] if colours else '{}'}\n{PLAIN}{own}"


def first_html(page: FirstPage, *, styled: bool = True) -> str:
    """Render a first page as a part of a page, with its style if asked."""
    told = rendered("first.html.j2", first=sheet_of(page))
    return f"<style>{styles()}</style>\n{told}" if styled else told


def rendered(template: str, **context: object) -> str:
    """Fill in a template; whatever is not marked safe is escaped."""
    return str(environment().get_template(template).render(**context))


@cache
def environment(*packages: str) -> Environment:
    """Templates of the report, and those in the folder `page` of other packages."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader

    return Environment(
        loader=ChoiceLoader(
            [PackageLoader("percsim.report"), *(PackageLoader(p, "page") for p in packages)]
        ),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
