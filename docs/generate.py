"""Make the generated pages of docs/ from the code itself.

python docs/generate.py           write them
python docs/generate.py --check   say which are stale, exit code 1 if any is
"""

from __future__ import annotations

import sys
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path[:0] = [str(DOCS), str(DOCS.parent / "tests")]

import accuracy  # noqa: E402 - lies beside the tests it serves
import askervein_masts  # noqa: E402
import published_checks  # noqa: E402
from api_pages import api_pages  # noqa: E402
from curve_drawing import drawing, panel_points  # noqa: E402

from shelterscape import registry  # noqa: E402
from shelterscape.cli.process_command import option_name  # noqa: E402
from shelterscape.errors import CODES, NOTICES  # noqa: E402
from shelterscape.kernels.shelter_curves import CURVES  # noqa: E402
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
    made["shelter_curves.md"] = shelter_curves()
    made |= api_pages()
    return {
        **{name: f"{NOTE}\n{text.rstrip()}\n" for name, text in made.items()},
        "images/shelter_curves.svg": drawing(),
    }


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
        "Every process also takes `out` (the folder for the results), `overwrite`, `pictures` "
        "(`--no-pictures` draws none), and a limit of memory (`--memory-limit`, GiB) beyond which "
        "work is refused.",
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
            accuracy_section(),
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


def accuracy_section() -> str:
    """Bias and RMSE of every curve over the accuracy set, and every figure for the default."""
    body = []
    for name in CURVES:
        found = accuracy.figures(name)
        seen = [f for f in found if f.status == "S"]
        for label, part in (("all", found), ("seen in their source", seen)):
            bias, rmse = accuracy.bias_and_rmse(part)
            body.append([name, label, str(len(part)), f"{bias:+.3f}", f"{rmse:.3f}"])
    default = next(iter(CURVES))
    each = [
        [f.source, f.status, f.what, _span(f), f"{f.ours:.2f}", f"{f.error:+.2f}"]
        for f in accuracy.figures(default)
    ]
    return "\n\n".join(
        [
            "## Wind beside a belt: how far the curves are from published figures",
            "The set was chosen before any curve was compared with it and nothing was tuned to "
            "it. Aim: bias up to .05, RMSE up to .12. An interval counts as an error only outside "
            "its ends. Two curves are not wholly independent of it: `field`, and so `mid`, was "
            "drawn through the ends of the ranges of Bird and others, and `handbook` is the rows "
            "of Brandle and Finch; `barrier` takes their solid row for dense belts.",
            rows(["curve", "figures", "number", "bias", "RMSE"], body),
            f"Every figure beside the default curve, `{default}`:",
            rows(["source", "status", "what", "published", "ours", "error"], each),
            "The reach behind a belt met at an angle falls with the cosine of that angle by "
            "construction; tests hold the code to it within ±25 % (Wang and Takle 1996, seen), "
            "which checks the code, not nature.",
        ]
    )


def _span(figure: accuracy.Figure) -> str:
    low, high = f"{figure.low:.2f}", f"{figure.high:.2f}"
    return low if low == high else f"{low}–{high}"


WEAK_SPOTS = (
    "The published equation is for barriers. Measured tree belts shelter less than it says; "
    "`field` is drawn through what belts did, and the default `mid` lies between the two, which "
    "are the band to keep in mind.",
    "To windward the equation shelters more than handbooks say (.56 against .84 at -1 H for a "
    "porosity of .4). Here the windward side is .80 at -1 H, .95 at -3 H and 1 at -6 H, joined to "
    "the wind in the belt's face (an engineering choice of handbook size).",
    "The equation rates a wall nearly as good as a porous belt. Here, below a porosity of .25, the "
    "lee turns from 3 to 7 H into the handbook row of a solid belt (from memory).",
    "The equation does not return to 1 as a belt opens. Here every curve leads in a straight line "
    "to 1 at porosity 1 from the top of its range: .8 for `barrier`, .53 for `field`, .7 for "
    "`handbook` (an engineering choice).",
    "Dense real belts recover sooner between 5 and 8 H than any of the curves.",
    "All of this holds for neutral, windy weather over open ground of one roughness.",
)

RULES = (
    "**Angle.** Distance is taken along the wind from the lee face (to windward, from the windward "
    "face), so reach square to the belt falls with the cosine of the angle.",
    "**Spread.** A direction is the mean of 15 rays spread by its sector and by the swing of gusts "
    "(10°, Panofsky and Dutton 1984, from memory).",
    "**Several belts.** The smallest relative wind rules (Vigiak and others 2003, in texts citing "
    "them). Belts less than 3 of the lower heights apart, and within 1.5 times in height, act as "
    "one: porosities multiplied, width from outer face to outer face (engineering choice).",
    "**Ends and gaps.** Within 2 H outside an end, to 5 H behind it, the wind rises by up to .10 "
    "times the density (engineering choice, within the published 20 % of Reid and Bird 1990).",
    "**Woods.** From 2 to 5 H deep along the wind a belt turns into a wood: the part of its lee "
    "with less than .7 of the wind is half as long, then the wind recovers slowly, to 1 at 40 H; "
    "inside, it falls over 5 H (engineering choice).",
    "**Height above ground.** Full shelter up to .5 H, none above 1.2 H, linear between "
    "(engineering choice).",
    "**Lower half.** Its porosity rules to 8 H, the mean from 10 H (Loeffler and others 1992 found "
    "the calmest wind told by the lower half, seen; the distances are an engineering choice). Bare "
    "stems open it; a bank below a hedge halves it (engineering choices).",
    "**Walls and fences** follow `barrier` whatever curve is chosen.",
)


def shelter_curves() -> str:
    """The rival curves, drawn and described, with what is known to be weak."""
    table = [
        [f"`{c.name}`", c.meaning, f"{c.porosity[0]:g}–{c.porosity[1]:g}", c.source, c.status,
         f"{c.rmse:.2f}"]
        for c in CURVES.values()
    ]  # fmt: skip
    points = [
        [p.source, p.status, f"{p.theta:g}", f"{p.x:g}", f"{p.r:.2f}"] for p in panel_points()
    ]
    return "\n\n".join(
        [
            "# Shelter curves: the wind beside one belt",
            "Relative wind against distance, the wind square to the belt, near the ground. "
            "Distance is counted in heights H of the belt, leeward positive.",
            "![All curves for porosities from 0 to .8, with handbook rows and field "
            "points](images/shelter_curves.svg)",
            rows(["curve", "when", "porosity", "source", "status", "RMSE"], table),
            "Status: "
            + "; ".join(f"{k} {v}" for k, v in published_checks.STATUS.items())
            + "; E an engineering choice. RMSE: over the figures seen in their source, see "
            "[validation](validation.md).",
            "## Weak spots",
            "\n".join(f"- {text}" for text in WEAK_SPOTS),
            "## From one curve to the ground",
            "\n".join(f"- {text}" for text in RULES),
            "## Points drawn",
            rows(["source", "status", "porosity", "distance (H)", "relative wind"], points),
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
