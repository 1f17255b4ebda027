"""The summary of a run: the answer first, within its lines, with all else in the file."""

from __future__ import annotations

import pytest

from shelterscape import registry
from shelterscape.errors import NOTICES, Notice
from shelterscape.process.stages import Summary
from shelterscape.runs.summary import (
    MOST_LINES,
    WIDTH,
    StepAnswer,
    full_text,
    summary_of,
)

ORDER = ("exposure", "shelter", "siting", "grant-overlay")


def answer(process_id, *texts, certainty=(), notices=(), question=""):
    """What a step of some process contributes; it wrote all its outputs."""
    process = registry.find(process_id)
    summary = Summary(question, texts, certainty)
    return StepAnswer(process, summary, notices, process.outputs)


def steps(count=3, certainty=1):
    return [
        answer(
            name,
            *(f"{name} result {n} in a sentence of some length" for n in range(count)),
            certainty=[f"{name} is sure to about {n} %" for n in range(certainty)],
            question=f"What of {name}?",
        )
        for name in ORDER
    ]


def test_the_step_that_ranks_by_benefit_answers_first():
    found = summary_of(steps())
    titles = [title for title, _ in found.answer]
    assert titles == [
        registry.find(name).title for name in ("siting", "grant-overlay", "exposure", "shelter")
    ]
    assert found.question == "What of siting?"
    assert found.open_first == "preview-chosen_belts.png"
    assert summary_of(steps(), "Title of the plan").question == "Title of the plan"


def test_without_one_that_ranks_the_last_step_answers():
    found = summary_of(steps()[:2])
    assert found.question == "What of shelter?"
    assert found.open_first == "preview-relative_wind.png"


@pytest.mark.parametrize("count", [0, 1, 3, 8, 40])
def test_a_summary_keeps_to_its_lines(count):
    found = summary_of(steps(count, certainty=9)).lines("/some/folder/")
    assert len(found) <= MOST_LINES
    assert all(len(line) <= WIDTH for line in found[:-1])
    assert found[-1] == "Open first: /some/folder/preview-chosen_belts.png"


def test_the_deciding_step_gives_way_last_and_says_so():
    found = summary_of(steps(30)).lines()
    shown = {name: sum(f"{name} result" in line.lower() for line in found) for name in ORDER}
    assert shown["siting"] > 1
    assert shown["exposure"] == shown["shelter"] == 0, "they prepared the answer"
    assert shown["grant-overlay"] == 1
    assert f"  … {30 - shown['siting']} more in summary.txt" in found


def test_every_result_notice_and_caution_is_in_the_file():
    notices = [Notice(code, f"text of {code}", 7) for code in NOTICES]
    every = [*steps(30, certainty=5), answer("shelter", "more", notices=notices)]
    text = " ".join(full_text(summary_of(every), every).split())
    for step in every:
        for words in (*step.summary.answer, *step.summary.certainty, *step.process.all_cautions):
            assert words[1:] in text
    for notice in notices:
        assert f"{notice.text[1:]} (7)" in text


def test_the_most_serious_notices_are_checked_first():
    notices = [Notice(code, f"text of {code}") for code in reversed(NOTICES)]
    found = summary_of([answer("siting", "one", notices=notices)])
    worst = list(NOTICES)[:2]
    assert found.checks == (
        registry.find("siting").main_caution,
        *(f"Text of {code}" for code in worst),
    )


def test_steps_that_share_a_notice_show_it_once():
    notice = Notice("convergence", "grid north was turned")
    every = [answer(name, "one", notices=[notice]) for name in ORDER]
    text = full_text(summary_of(every), every)
    assert text.count("rid north was turned") == 2, "among what to check, and among all notices"
    assert "All notices (1)" in text


def test_fields_are_plain():
    found = summary_of(steps(2)).fields()
    assert set(found) == {"question", "answer", "certainty", "checks", "open_first"}
    assert found["answer"][0]["results"] == [
        f"siting result {n} in a sentence of some length" for n in range(2)
    ]
