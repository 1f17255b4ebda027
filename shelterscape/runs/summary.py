"""The summary of a run: the answer first, then how sure it is, and what to check.

One function composes it; the screen, ``summary.txt`` and ``record.json`` show the same words.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from shelterscape.errors import NOTICES, Notice
from shelterscape.process import Output, Process
from shelterscape.process.stages import Summary

SUMMARY = "summary.txt"
MOST_LINES, WIDTH = 24, 110
"""Lines of a summary at most, and characters of a line. The screen adds one, which names the file
with everything."""

CHECKS, CERTAINTIES = 3, 3
"""Items of a kind shown at most."""

MORE = "…"


@dataclass(frozen=True)
class StepAnswer:
    """What one step contributes to the summary of its run.

    Parameters
    ----------
    process : Process
    summary : Summary
    notices : sequence of Notice
    written : sequence of Output
    """

    process: Process
    summary: Summary
    notices: Sequence[Notice]
    written: Sequence[Output]


@dataclass(frozen=True)
class RunSummary:
    """The summary of a run.

    Parameters
    ----------
    question : str
    answer : tuple of (str, tuple of str)
        Title of each step, and its results in sentences, most important first.
    leading : int
        Number of steps that decide or follow; those after them prepared the answer.
    certainty : tuple of str
        How sure the results are.
    checks : tuple of str
        What to check first.
    open_first : str
        The file to open first, relative to the run folder.
    """

    question: str
    answer: tuple[tuple[str, tuple[str, ...]], ...]
    leading: int
    certainty: tuple[str, ...]
    checks: tuple[str, ...]
    open_first: str

    @property
    def results(self) -> tuple[str, ...]:
        """The results of all steps in sentences."""
        return tuple(text for _, texts in self.answer for text in texts)

    def fields(self) -> dict[str, Any]:
        """The summary as plain fields, for the record and the ``result`` event."""
        plain = asdict(self)
        del plain["leading"]
        return plain | {
            "answer": [{"step": title, "results": [*texts]} for title, texts in self.answer]
        }

    def lines(self, folder: str = "") -> list[str]:
        """The summary as text of at most `MOST_LINES` lines of `WIDTH` characters.

        Parameters
        ----------
        folder : str
            Shown before the file to open first.

        Returns
        -------
        list of str
            Results that do not fit are left out; the first step states how many.
        """
        shown: RunSummary | None = self
        found: list[str] = []
        while shown is not None:
            found = list(shown._lines(folder))
            if len(found) <= MOST_LINES:
                return found
            shown = shown._shorter()
        return found[: MOST_LINES - 1] + found[-1:]

    def _lines(self, folder: str) -> Iterator[str]:
        yield from _wrapped(self.question, "")
        for title, texts in self.answer:
            yield from _wrapped(f"{title}:", "")
            for text in texts:
                yield from _wrapped(capitalised(text), "  ")
        for title, texts in (("How sure", self.certainty[:CERTAINTIES]), ("Check", self.checks)):
            for i, text in enumerate(texts):
                if i and title == "Check":
                    # The caution is shown whole; a notice is whole in the file.
                    text = textwrap.shorten(text, WIDTH - 10, placeholder=f" {MORE}")
                yield from _wrapped(f"{title + ':' if not i else '':<10}{text}", " " * 10, first="")
        yield f"Open first: {folder}{self.open_first}"

    def _shorter(self) -> RunSummary | None:
        """The same with less detail; None where one result of the first step is all there is.

        Steps that prepared the deciding one give way first, then results from the end.
        """
        if len(self.answer) > self.leading:
            return replace(self, answer=self.answer[:-1])
        for i in reversed(range(len(self.answer))):
            title, texts = self.answer[i]
            kept = [text for text in texts if not text.startswith(MORE)]
            if len(kept) > 1:
                hidden = int(texts[-1].split()[1]) if len(kept) < len(texts) else 0
                mark = f"{MORE} {hidden + 1} more in {SUMMARY}"
                shorter = (title, (*kept[:-1], *([mark] if i == 0 else [])))
                return replace(self, answer=(*self.answer[:i], shorter, *self.answer[i + 1 :]))
        return None


def _wrapped(text: str, indent: str, first: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent or "  ",
        break_on_hyphens=False,
    )


def summary_of(steps: Sequence[StepAnswer], title: str = "") -> RunSummary:
    """Compose the summary of a run from the answers of its steps.

    Parameters
    ----------
    steps : sequence of StepAnswer
        In order, at least one.
    title : str
        What a plan asks; the question of the deciding step otherwise.

    Returns
    -------
    RunSummary
    """
    deciding = _deciding(steps)
    at = next(i for i, step in enumerate(steps) if step is deciding)
    ordered = [*steps[at:], *steps[:at]]
    return RunSummary(
        question=title or deciding.summary.question or deciding.process.title,
        answer=tuple((s.process.title, tuple(s.summary.answer)) for s in ordered),
        leading=len(steps) - at,
        certainty=tuple(dict.fromkeys(t for s in ordered for t in s.summary.certainty)),
        checks=_checks(steps, deciding),
        open_first=_open_first(deciding),
    )


def _deciding(steps: Sequence[StepAnswer]) -> StepAnswer:
    """The step that answers the question: the one that ranks by benefit, else the last."""
    ranking = [s for s in steps if any(f.role == "benefit" for f in s.process.figures)]
    return (ranking or list(steps))[-1]


def _checks(steps: Sequence[StepAnswer], deciding: StepAnswer) -> tuple[str, ...]:
    """The most serious notices, and the caution of the deciding step that matters most."""
    rank = {code: i for i, code in enumerate(NOTICES)}
    notices = sorted(notices_of(steps), key=lambda notice: rank[notice.code])
    by_code = {notice.code: sentence(notice) for notice in reversed(notices)}
    texts = list(reversed(by_code.values()))[: CHECKS - 1]
    return (deciding.process.main_caution, *texts)


def notices_of(steps: Iterable[StepAnswer]) -> list[Notice]:
    """Every notice once: steps of one run read the same inputs."""
    return list(dict.fromkeys(notice for step in steps for notice in step.notices))


def sentence(notice: Notice) -> str:
    """A notice with its count where that is not in its words."""
    text = capitalised(notice.text)
    counted = notice.count > 1 and f"{notice.count:,}" not in text
    return f"{text} ({notice.count:,})" if counted else text


def capitalised(text: str) -> str:
    """A text with a capital at its start; a file name there stays as it is."""
    first = text.split(" ", 1)[0]
    return text if "." in first else text[:1].upper() + text[1:]


def _open_first(step: StepAnswer) -> str:
    """The file that answers most of those a step wrote."""
    files = [output.files[0] for output in step.written]
    return next((file for file in step.process.open_first if file in files), files[0])


def full_text(
    summary: RunSummary, steps: Sequence[StepAnswer], machine: Sequence[Notice] = ()
) -> str:
    """The content of ``summary.txt``: the summary, then all notices, cautions and files.

    Parameters
    ----------
    summary : RunSummary
    steps : sequence of StepAnswer
    machine : sequence of Notice
        About this machine; shown on the screen alone, since no result follows from them.

    Returns
    -------
    str
    """
    cautions = list(dict.fromkeys(c for step in steps for c in step.process.all_cautions))
    notices = [sentence(notice) for notice in (*notices_of(steps), *machine)]
    files = {f: o.title for step in steps for o in step.written for f in o.files[:1]}
    sections = (
        ("All results", list(summary.results)),
        ("How sure", list(summary.certainty)),
        (f"All notices ({len(notices)})", notices),
        (f"All cautions ({len(cautions)})", cautions),
        ("Files", [f"{file}: {title}" for file, title in files.items()]),
    )
    lines = summary.lines()
    for title, texts in sections:
        items = (line for text in texts for line in _wrapped(capitalised(text), "    ", "  - "))
        lines += ["", title, *items]
    return "\n".join(lines) + "\n"
