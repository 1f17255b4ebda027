"""Make the generated pages of docs/ from the code itself.

python docs/generate.py           write them
python docs/generate.py --check   list stale pages; exit code 1 if there are any
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path[:0] = [str(DOCS), str(DOCS.parent / "tests")]

import askervein_masts  # noqa: E402 - is beside the tests that use it
from api_pages import api_pages  # noqa: E402
from curve_drawing import drawing  # noqa: E402
from evidence_pages import shelter_curves, validation  # noqa: E402
from limits_page import limits  # noqa: E402
from page_parts import allowed_of, bullets, kind_of, rows, value_in_words  # noqa: E402
from reference_pages import file_reference, input_columns  # noqa: E402

from shelterscape import registry  # noqa: E402
from shelterscape.cli.process_command import option_name  # noqa: E402
from shelterscape.errors import CODES, NOTICES  # noqa: E402
from shelterscape.process import Layer, Output, Process, Raster, Table, Workbook  # noqa: E402
from shelterscape.process.inputs import source_of  # noqa: E402
from shelterscape.terms import SYMBOLS, TERMS, THEMES  # noqa: E402

NOTE = "<!-- Made by docs/generate.py; change the code it is made from, not this page. -->\n"


class Pages(Mapping[str, str]):
    """Generated pages by their path below docs/, each made when first used."""

    def __init__(self, makers: dict[str, Callable[[], str]]) -> None:
        self._makers = makers

    def __getitem__(self, name: str) -> str:
        text = self._makers[name]()
        return f"{NOTE}\n{text.rstrip()}\n" if name.endswith(".md") else text

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)


def pages() -> Pages:
    """Every generated page by its path below docs/; nothing is calculated yet."""
    processes = [registry.find(name) for name in registry.BUILT_IN]
    makers: dict[str, Callable[[], str]] = {
        f"processes/{p.id}.md": partial(process_page, p) for p in processes
    }
    makers |= {
        "processes/index.md": partial(process_index, processes),
        "glossary.md": glossary,
        "input_columns.md": input_columns,
        "file_reference.md": file_reference,
        "errors.md": errors,
        "limits.md": limits,
        "validation.md": validation,
        "shelter_curves.md": shelter_curves,
        "images/shelter_curves.svg": drawing,
    }
    if askervein_masts.FOLDER.is_dir():  # without the data the page stays as it is
        makers["askervein.md"] = askervein_page
    return Pages(makers | {n: partial(str, text) for n, text in api_pages().items()})


def process_index(processes: list[Process]) -> str:
    """All processes and all their outputs."""
    body = [[f"[{p.id}]({p.id}.md)", p.title, p.version] for p in processes]
    outputs = [
        [", ".join(o.files), o.title, f"[{p.id}]({p.id}.md)"] for p in processes for o in p.outputs
    ]
    return "\n\n".join(
        [
            "# Processes",
            rows(["id", "what it reports", "version"], body),
            "Every run also writes `summary.txt` (the answer, then all notices, cautions and "
            "files), `record.json` (inputs with checksums, everything assumed) and "
            "`timings.json`.",
            "## All outputs",
            rows(["files", "what they show", "written by"], outputs),
        ]
    )


def process_page(process: Process) -> str:
    """Inputs, outputs, cautions and sources of a process."""
    text = [
        f"# {process.id}: {process.title[0].lower()}{process.title[1:]}",
        process.summary,
        "## Inputs",
        "Required inputs come first. In a plan file and in Python an input has the name in the "
        "first column. A dash as default: the input is not used, or its meaning states the "
        "default. Columns of input layers: [input columns](../input_columns.md).",
        rows(["input", "option", "meaning", "allowed values", "default"], input_rows(process)),
        "Every process also takes `--out` (the folder for the results), `--overwrite`, "
        "`--no-pictures`, `--verbose`, `--json` and `--memory-limit` (GiB).",
        "## Outputs",
        *(output_section(o) for o in process.outputs),
        "## Cautions",
        bullets(process.all_cautions),
        "## Sources",
        bullets(process.sources),
    ]
    return "\n\n".join(text)


_KINDS = {
    "raster": "path of a raster",
    "layer": "`PATH` or `PATH:LAYER`",
    "cover": "path of a raster, or `PATH:LAYER`",
    "winds": "path of a CSV table, or directions in °",
    "table": "path of a CSV table",
    "photograph": "path of a picture",
    "file": "path of a file",
}
"""What an input that names data takes, by the kind of its source."""


def input_rows(process: Process) -> list[list[str]]:
    """A row for each input, required ones first."""
    described = registry.describe(process)["inputs"]
    found = []
    for name, field in process.inputs.model_fields.items():
        schema = described[name]["schema"]
        unit = SYMBOLS[schema["unit"]] if "unit" in schema else ""
        allowed = allowed_of(schema)
        several = schema.get("type") == "array"
        if source := source_of(field):
            allowed = f"{'one or several: ' if several else ''}{_KINDS[source.kind]}"
        elif schema.get("type") == "object":
            allowed = "`LAYER.NAME=COLUMN`"
        elif several:
            allowed = f"one or several of: {allowed}" if allowed else "list"
        allowed = f"{allowed or kind_of(schema)} {unit}".strip()
        value = None if field.is_required() else field.get_default(call_default_factory=True)
        default = "**required**" if field.is_required() else value_in_words(value, unit) or "–"
        option = option_name(name)
        if field.annotation is bool:
            allowed = f"yes (`{option}`), no (`--no-{option[2:]}`)"
        found.append([name, option, field.description or "", allowed, default])
    return sorted(found, key=lambda row: row[-1] != "**required**")


def output_section(output: Output) -> str:
    """Files, meaning, unit or columns of an output."""
    text = f"### {', '.join(f'`{f}`' for f in output.files)}\n\n{output.title}"
    if output.optional:
        text += " Optional: written only where its inputs or options are given."
    if isinstance(output, Raster):
        # A raster of classes holds codes, which have no unit.
        unit = output.quantity.symbol or "ratio"
        text += "\n\n" + ("Cells hold codes of classes." if output.classed else f"Unit: {unit}.")
    if isinstance(output, Workbook):
        text += f"\n\nSheets: {', '.join(f'`{name}`' for name in output.tables)}."
    if isinstance(output, (Layer, Table)):
        body = [[name, TERMS[name].label, TERMS[name].meaning] for name in output.columns]
        text += "\n\n" + rows(["column", "quantity", "meaning"], body)
    return text


CONCEPTS = {
    "wind_run_share": "explains how wind directions are weighted",
}
"""Terms that no file and no option carries, each with the reason why it is in the glossary."""


def glossary() -> str:
    """Every term by theme."""
    text = [
        "# Glossary",
        "Quantities by theme. The name is that of the column, raster or option, the same in every "
        "file. A column that only input layers have is described in "
        "[input columns](input_columns.md). A quantity without a unit is a share or ratio (0.4 "
        "means 40 %), a count or a word.",
        " · ".join(f"[{title}](#{_anchor(title)})" for title in THEMES.values()),
    ]
    for theme, title in THEMES.items():
        terms = [t for t in TERMS.values() if t.theme == theme]
        if terms:
            body = [
                [t.title, "–" if t.name in CONCEPTS else f"`{t.name}`", t.symbol or "–", t.meaning]
                for t in terms
            ]
            text += [f"## {title}", rows(["quantity", "name in files", "unit", "meaning"], body)]
    return "\n\n".join(text)


def _anchor(title: str) -> str:
    kept = "".join(c for c in title.casefold() if c.isalnum() or c in " -")
    return kept.replace(" ", "-")


EXIT_CODES = {
    0: "The run is complete.",
    1: "Internal error, or this machine is not ready (see `check-setup`).",
    2: "The command is not valid.",
    3: "An input was refused.",
    4: "The output could not be written.",
    5: "Some holdings of a batch failed; the results of the others are complete.",
    129: "Stopped because its terminal was closed.",
    130: "Stopped by Ctrl-C.",
    143: "Stopped by a termination signal.",
}
"""Every exit code of the command line."""


def errors() -> str:
    """Exit codes, errors and notices."""
    return "\n\n".join(
        [
            "# Errors and notices",
            "Every error says what is wrong, where, the value found, and what to do. After any "
            "error the output folder is unchanged; a batch keeps the holdings that are complete. "
            "Codes stay the same between releases, so programs need not read the text.",
            "## Exit codes",
            rows(["code", "meaning"], [[f"{c}", m] for c, m in EXIT_CODES.items()]),
            "## Errors",
            "Each is printed with where it is, the value found, and what to do.",
            rows(["code", "meaning"], [[f"`{c}`", _sentence(m)] for c, m in CODES.items()]),
            "## Notices",
            "A notice does not stop the run. `summary.txt` and `record.json` hold all notices; "
            "those about the machine are in `timings.json`. `--verbose` prints them. The most "
            "serious come first.",
            rows(["code", "meaning"], [[f"`{c}`", _sentence(m)] for c, m in NOTICES.items()]),
        ]
    )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def askervein_page() -> str:
    """The page on the measured hill, from the script that also draws it."""
    import askervein

    return askervein.page()


def draw_figures(written: list[str]) -> None:
    """Draw the figures of the pages written; not checked, since libraries draw differently."""
    if "askervein.md" in written:
        import askervein

        askervein.draw()


def main() -> int:
    """Write or check all pages; the exit code."""
    stale = []
    for name, text in pages().items():
        path = DOCS / name
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        stale.append(name)
        if "--check" not in sys.argv:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
    if "--check" not in sys.argv:
        draw_figures(stale)
    print(f"{'stale' if '--check' in sys.argv else 'written'}: {', '.join(stale) or 'none'}")
    return int(bool(stale) and "--check" in sys.argv)


if __name__ == "__main__":
    raise SystemExit(main())
