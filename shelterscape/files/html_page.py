"""One HTML file that holds all it needs: data, pictures, scripts and styles."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from shelterscape.errors import SetupError
from shelterscape.files.record import replace_file

BUNDLE = files("shelterscape").joinpath("data", "report")


@dataclass(frozen=True)
class PageTable:
    """A table of a page.

    Parameters
    ----------
    name, title : str
    columns : tuple of (str, bool)
        Title of each column, and whether it holds numbers.
    rows : tuple of tuple of str
        Cells as people read them.
    layer : str
        Layer of the map whose features the rows are, in the same order; empty for none.
    is_open : bool
        Whether it is shown before the reader opens it.
    """

    name: str
    title: str
    columns: tuple[tuple[str, bool], ...]
    rows: tuple[tuple[str, ...], ...]
    layer: str = ""
    is_open: bool = False


@dataclass(frozen=True)
class HoldingPage:
    """The first page for one holding, to print on A4.

    Parameters
    ----------
    title : str
    answer : tuple of str
        Where and how much, from when, at what net cost, what first.
    tables : tuple of PageTable
        Lines, places, money, deadlines; those that have rows.
    harm, checks : tuple of str
        What may be harmed, and what to check on site.
    """

    title: str
    answer: tuple[str, ...]
    tables: tuple[PageTable, ...]
    harm: tuple[str, ...]
    checks: tuple[str, ...]


@dataclass(frozen=True)
class Page:
    """Everything that a page shows.

    Parameters
    ----------
    title : str
    answer : tuple of (str, tuple of str)
        Title and results, in sentences, of each step that answers the question.
    certainty, checks, preparing, cautions, sources : tuple of str
        Sentences; `preparing` holds the results of steps that prepared the answer.
    notes : tuple of (str, tuple of str)
        Heading and sentences on what was assumed, not modelled, not checked and noticed.
    map : dict or None
        What the script of the page draws; None without a map.
    tables : tuple of PageTable
    charts : tuple of (str, str)
        Title and address of each picture.
    inputs : tuple of (str, str)
        Name and checksum of each input file.
    versions : tuple of (str, str)
        Name and version of each program.
    holdings : tuple of HoldingPage
    """

    title: str
    answer: tuple[tuple[str, tuple[str, ...]], ...]
    certainty: tuple[str, ...]
    checks: tuple[str, ...]
    preparing: tuple[str, ...]
    notes: tuple[tuple[str, tuple[str, ...]], ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    map: dict[str, Any] | None = None
    tables: tuple[PageTable, ...] = ()
    charts: tuple[tuple[str, str], ...] = ()
    inputs: tuple[tuple[str, str], ...] = ()
    versions: tuple[tuple[str, str], ...] = ()
    holdings: tuple[HoldingPage, ...] = ()


def scripts_installed() -> bool:
    """Whether the scripts of the page were built when the package was installed."""
    return BUNDLE.joinpath("report.js").is_file()


def write_page(path: Path, page: Page) -> None:
    """Write a page; equal pages give equal bytes.

    Parameters
    ----------
    path : Path
    page : Page

    Raises
    ------
    SetupError
        ``report-scripts`` where the scripts of the page were not built.
    OSError
        Where the file cannot be written; an earlier one stays.
    """
    script, style = _bundled("report.js"), _bundled("report.css")
    # Text of a script element ends only at this tag.
    script = script.replace("</script", "<\\/script")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(
        BUNDLE.joinpath("report.html.j2").read_text(encoding="utf-8")
    )
    text = template.render(
        page=page,
        data=Markup(_script_json(page.map)),
        script=Markup(script),
        style=Markup(style),
        licences=_bundled("licences.txt"),
        script_hash=_hash(script),
        style_hash=_hash(style),
    )
    replace_file(path, text)


def _bundled(name: str) -> str:
    source = BUNDLE.joinpath(name)
    if not source.is_file():
        raise SetupError(
            "report-scripts",
            "The scripts of the report page are not installed.",
            where=str(source),
            hint="Install the package again with Node and a connection to the npm registry, or "
            "from a wheel; or run with --no-report.",
        )
    return source.read_text(encoding="utf-8")


def _script_json(content: dict[str, Any] | None) -> str:
    """JSON that no text inside can end early."""
    text = json.dumps(content, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
