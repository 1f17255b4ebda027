"""Make the generated pages of docs/ from the code itself.

python docs/generate.py           write them
python docs/generate.py --check   say which are stale, exit code 1 if any is
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from functools import partial
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


class Pages(Mapping[str, str]):
    """Generated pages by their path below docs/, each made when first asked for."""

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
        "errors.md": errors,
        "validation.md": validation,
        "shelter_curves.md": shelter_curves,
        "images/shelter_curves.svg": drawing,
    }
    if askervein_masts.FOLDER.is_dir():  # the page stays as it is where the data are not
        makers["askervein.md"] = askervein_page
    return Pages(makers | {n: partial(str, text) for n, text in api_pages().items()})


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
        + "\n\n## Notices\n\nA notice does not stop the work; it stands in `record.json`, "
        "one about the machine in `timings.json`.\n\n"
        + rows(["code", "meaning"], [[f"`{c}`", m] for c, m in NOTICES.items()])
    )


def validation() -> str:
    """The default curve's errors on evidence first, the measured hill next, then the rest."""
    found = published_checks.tables()
    independent = [t for t in found if t.independent]
    not_counted = [t for t in found if t.status == "M" or t.not_evidence]
    arithmetic = [t for t in found if t.status == "D"]
    return "\n\n".join(
        [
            "# Validation: published values beside ours",
            lead(),
            "Status: " + "; ".join(f"{k} {v}" for k, v in published_checks.STATUS.items()) + ".",
            askervein_section(),
            accuracy_section(),
            "## Other independent sources (S, S2)",
            "Where a shelter curve is compared, it is the default one.",
            summary(independent),
            *(details(t) for t in independent),
            "## Assumed, or from memory (M): soft checks, not counted",
            summary(not_counted),
            *(details(t) for t in not_counted),
            "## Arithmetic (D): tests of the code, not of nature",
            summary(arithmetic),
        ]
    )


def lead() -> str:
    """Bias and RMSE of the curve that runs use, on evidence alone."""
    name = accuracy.DEFAULT_CURVE
    found = [f for f in accuracy.figures(name) if f.evidence]
    excluded = [f for f in accuracy.figures(name) if f.seen and not f.evidence]
    largest = max(excluded, key=lambda f: abs(f.error))
    bias, rmse = accuracy.bias_and_rmse(found)
    aims = (("bias", abs(bias), 0.05), ("RMSE", rmse, 0.12))
    words = [f"{what} {'met' if value <= aim else 'missed'}" for what, value, aim in aims]
    return (
        f"**Wind beside a belt, default curve `{name}`: bias {bias:+.3f}, RMSE {rmse:.3f} in "
        f"relative wind, over {len(found)} figures seen in their source.** A negative bias means "
        "too much shelter. The aim set beforehand was a bias of up to 0.05 and an RMSE of up to "
        f"0.12: {', '.join(words)}. Figures that the curve meets by construction, that were used "
        "to draw it, or whose porosity or order in their table is assumed do not count; each is "
        f"listed [below](#not-evidence-and-why) with its reason; the largest error among these "
        f"{len(excluded)} is {largest.error:+.2f}. So few figures show the size of the error, not "
        "its second digit."
    )


HILL = "## Wind over a measured hill: Askervein"


def askervein_section() -> str:
    """Measured and calculated speed-up; kept as the page has it where the data are absent."""
    if not askervein_masts.FOLDER.is_dir():
        page = (DOCS / "validation.md").read_text(encoding="utf-8")
        return HILL + page.partition(HILL)[2].partition("\n## ")[0].rstrip()
    _, found = askervein_masts.ours()
    top = askervein_masts.masts()["HT"]
    masts = (*askervein_masts.UPWIND, *askervein_masts.CREST)
    errors = [found[n] - askervein_masts.masts()[n].speed_up for n in masts]
    measured = f"{top.speed_up:.2f} ± {top.scatter:.2f}"
    body = [
        ["speed-up at the hilltop", measured, f"{found['HT']:.2f}"],
        [f"bias, {len(masts)} upwind and crest masts", "", f"{sum(errors) / len(errors):+.3f}"],
        [f"RMSE, {len(masts)} upwind and crest masts", "", f"{askervein_masts.rmse(found):.3f}"],
        [
            f"RMSE, {len(askervein_masts.LEE)} lee masts, where the theory fails",
            "",
            f"{askervein_masts.rmse(found, askervein_masts.LEE):.2f}",
        ],
    ]
    return "\n\n".join(
        [
            HILL,
            "One hill, measured on 3 October 1983 (Taylor and Teunissen 1987, data seen). Only the "
            "terrain, the roughness and the height were given; mast by mast in "
            "[Askervein](askervein.md).",
            rows(["speed-up 10 m above ground", "measured", "ours"], body),
        ]
    )


def accuracy_section() -> str:
    """Errors of every curve over parts of the accuracy set, and every figure for the default."""
    body = []
    for name in CURVES:
        found = accuracy.figures(name)
        for label, part in (
            ("evidence", [f for f in found if f.evidence]),
            ("seen in their source", [f for f in found if f.seen]),
            ("all", found),
        ):
            bias, rmse = accuracy.bias_and_rmse(part)
            body.append([name, label, str(len(part)), f"{bias:+.3f}", f"{rmse:.3f}"])
    default = accuracy.figures(accuracy.DEFAULT_CURVE)
    head = ["source", "what", "published", "ours", "error"]
    excluded = [
        [f"{f.not_evidence}: {f.reason}", *_figure(f)] for f in default if f.seen and not f.evidence
    ]
    return "\n\n".join(
        [
            "## Wind beside a belt: errors of the shelter curves",
            "The set was chosen before any curve was compared with it and nothing was tuned to "
            "it. An interval counts as an error only outside its ends. All curves are compared on "
            "the same figures, though not every exclusion concerns every curve. `handbook` is the "
            "rows of Brandle and Finch (from memory, listed at the end of the soft checks); "
            "`barrier`, and so half of `mid`, takes their solid row for dense belts. At porosity "
            "0.16 the regression of Bird and others is used below the smallest winds it was drawn "
            "from.",
            rows(["curve", "figures", "number", "bias", "RMSE"], body),
            f"### Evidence for the default curve, `{accuracy.DEFAULT_CURVE}`",
            rows(head, [_figure(f) for f in default if f.evidence]),
            "### Not evidence, and why",
            "Seen in their source, and excluded from the first line of this page.",
            rows(["reason", *head], excluded),
            "Distances behind a belt at an oblique angle fall with the cosine of that angle by "
            "construction; tests hold the code to the published reach within ±25 % (Wang and "
            "Takle 1996, seen), which checks the code, not nature.",
        ]
    )


def _figure(figure: accuracy.Figure) -> list[str]:
    low, high = f"{figure.low:.2f}", f"{figure.high:.2f}"
    span = low if low == high else f"{low}–{high}"
    return [figure.source, figure.what, span, f"{figure.ours:.2f}", f"{figure.error:+.2f}"]


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
    source = f"{table.source} (status {table.status})."
    if table.not_evidence:
        source += f" Not evidence, {table.not_evidence}: {table.reason}."
    return f"### {table.title}\n\n{source}\n\n{rows(head, body)}"


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
