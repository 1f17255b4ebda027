"""Make the generated pages of docs/ from the code itself.

python docs/generate.py           write them
python docs/generate.py --check   say which are stale, exit code 1 if any is
"""

from __future__ import annotations

import sys
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path[:0] = [str(DOCS), str(DOCS.parent / "tests")]

import askervein_masts  # noqa: E402 - lies beside the tests it serves
import published_checks  # noqa: E402

from shelterscape import registry  # noqa: E402
from shelterscape.cli.process_command import option_name  # noqa: E402
from shelterscape.errors import CODES, NOTICES  # noqa: E402
from shelterscape.process import Layer, Process, Raster, Table  # noqa: E402
from shelterscape.terms import TERMS  # noqa: E402

NOTE = "<!-- Made by docs/generate.py; change the code it is made from, not this page. -->\n"


def pages() -> dict[str, str]:
    """Every generated page by its path below docs/."""
    processes = [registry.find(name) for name in registry.BUILT_IN]
    made = {f"processes/{p.id}.md": process_page(p) for p in processes}
    made["processes/index.md"] = process_index(processes)
    made["glossary.md"] = glossary()
    made["errors.md"] = errors()
    made["validation.md"] = validation()
    if askervein_masts.FOLDER.is_dir():  # the page stays as it is where the data are not
        made["askervein.md"] = askervein_page()
    return {name: f"{NOTE}\n{text.rstrip()}\n" for name, text in made.items()}


def rows(head: list[str], body: list[list[str]]) -> str:
    """A Markdown table."""
    lines = [head, ["---"] * len(head), *body]
    return "\n".join(
        "| " + " | ".join(c.replace("|", "\\|") for c in line) + " |" for line in lines
    )


def process_index(processes: list[Process]) -> str:
    body = [[f"[{p.id}]({p.id}.md)", p.title, p.version] for p in processes]
    outputs = [
        [", ".join(o.files), o.title, f"[{p.id}]({p.id}.md)"] for p in processes for o in p.outputs
    ]
    return (
        "# Processes\n\n"
        + rows(["id", "what it tells", "version"], body)
        + "\n\n## All outputs\n\n"
        + rows(["files", "what they show", "written by"], outputs)
    )


def process_page(process: Process) -> str:
    described = registry.describe(process)
    inputs = []
    for name, part in described["inputs"].items():
        schema = part["schema"]
        default = schema.get("default")
        shown = "needed" if part["minOccurs"] else f"{default}" if default else "none"
        inputs.append([name, option_name(name), part["description"], shown, schema.get("unit", "")])
    text = [
        f"# {process.id}: {process.title[0].lower()}{process.title[1:]}",
        process.summary,
        "## Inputs",
        rows(["input", "option", "meaning", "default", "unit"], inputs),
        "Every process also takes `out` (the folder for the results) and `overwrite`.",
        "## Outputs",
        *(output_section(o) for o in process.outputs),
        "## Cautions",
        "\n".join(f"- {c}" for c in process.all_cautions),
        "## Sources",
        "\n".join(f"- {s}" for s in process.sources),
    ]
    return "\n\n".join(text)


def output_section(output: Raster | Layer | Table) -> str:
    text = f"### {', '.join(f'`{f}`' for f in output.files)}\n\n{output.title}"
    if isinstance(output, Raster):
        text += f"\n\nUnit: {output.quantity.symbol or 'ratio'}."
    if isinstance(output, (Layer, Table)):
        body = [
            [name, TERMS[term].label, TERMS[term].meaning] for name, term in output.columns.items()
        ]
        text += "\n\n" + rows(["column", "quantity", "meaning"], body)
    return text


def glossary() -> str:
    body = [[t.title, f"`{t.name}`", t.symbol or "–", t.meaning] for t in TERMS.values()]
    return "# Glossary\n\n" + rows(["quantity", "name in files", "unit", "meaning"], body)


def errors() -> str:
    return (
        "# Errors and notices\n\n"
        "Every error says what is wrong, where, what was found and how to mend it. Exit codes: "
        "0 done, 1 unexpected, 2 the command was not understood, 3 an input was refused, 4 the "
        "output could not be written, 130 and 143 stopped. After any error the output folder is as "
        "it was before.\n\n## Errors\n\n"
        + rows(["code", "meaning"], [[f"`{c}`", m] for c, m in CODES.items()])
        + "\n\n## Notices\n\nA notice does not stop the work; it stands in `record.json`.\n\n"
        + rows(["code", "meaning"], [[f"`{c}`", m] for c, m in NOTICES.items()])
    )


def validation() -> str:
    """Published values beside ours; the headline counts independent sources only."""
    found = published_checks.tables()
    independent = [t for t in found if t.independent]
    memory = [t for t in found if t.status == "M"]
    arithmetic = [t for t in found if t.status == "D"]
    hits, total = counted(independent)
    return "\n\n".join(
        [
            "# Validation: published values beside ours",
            f"**Independent sources: {hits} of {total} values within the scatter or tolerance "
            "stated for them.** Only these count as evidence that the numbers are right about the "
            "world.",
            "Status: " + "; ".join(f"{k} {v}" for k, v in published_checks.STATUS.items()) + ".",
            "## Independent sources (S, S2)",
            summary(independent),
            *(details(t) for t in independent),
            "## From memory (M): soft checks, not counted",
            summary(memory),
            *(details(t) for t in memory),
            "## Arithmetic (D): tests of the code, not of nature",
            summary(arithmetic),
        ]
    )


def askervein_page() -> str:
    """The page on the measured hill, by a script of its own for what it draws."""
    import askervein

    return askervein.page()


def draw_figures(written: list[str]) -> None:
    """Draw what belongs to the pages written; pictures differ by library, so none is checked."""
    if "askervein.md" in written:
        import askervein

        askervein.draw()


def counted(found: list[published_checks.Table]) -> tuple[int, int]:
    return (
        sum(r.hit for t in found for r in t.rows),
        sum(len(t.rows) for t in found),
    )


def summary(found: list[published_checks.Table]) -> str:
    body = []
    for t in found:
        hits, total = counted([t])
        worst = max(abs(r.ours - r.published) for r in t.rows)
        body.append([t.title, t.source, t.status, t.units, f"{hits} of {total}", f"{worst:.3g}"])
    return rows(["what", "source", "status", "units", "within tolerance", "largest error"], body)


def details(table: published_checks.Table) -> str:
    body = [
        [
            r.label,
            f"{r.published:.3g}",
            f"{r.ours:.3g}",
            f"{r.tolerance:g}",
            "yes" if r.hit else f"**no**: {table.known_misses.get(r.label, 'not explained')}",
        ]
        for r in table.rows
    ]
    head = ["", "published", "ours", "tolerance", "within"]
    return f"### {table.title}\n\n{table.source} (status {table.status}).\n\n{rows(head, body)}"


def main() -> int:
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
