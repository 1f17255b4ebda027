"""Clean runs, and the folder of a case."""

from __future__ import annotations

import fcntl
import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from attack_examples import INPUTS, Example, examples, plan_text, write_inputs
from attack_process import IO, LONGEST_CLEAN_SECONDS, OUT, Attack, Clean, run_command

SEED = 16
BATCH = "batch-"
"""Before the id of a process, the name of its clean batch."""


@dataclass
class Case:
    """What a family needs to prepare an attack.

    Parameters
    ----------
    rng : random.Random
        Seeded by the number of the case.
    folder : Path
        Folder of the case, with a copy of the inputs.
    example : Example
        The process under attack.
    clean : Clean
        Its clean run.
    base : Base
        Clean runs of everything.
    """

    rng: random.Random
    folder: Path
    example: Example
    clean: Clean
    base: Base

    @property
    def out(self) -> Path:
        """The output folder."""
        return self.folder / OUT

    def earlier_run(self) -> None:
        """Put the results of the clean run into the output folder."""
        shutil.copytree(self.clean.folder, self.out)


Family = Callable[[Case], Attack | None]


class Base:
    """Inputs and clean runs, made once; every case starts from a copy.

    Parameters
    ----------
    folder : Path
        The only folder that attacks write to.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._inputs = folder / "base" / INPUTS
        write_inputs(self._inputs)
        plan = folder / "base" / "plan"
        words = ["run", str(self._inputs / "plan.toml"), "--out", str(plan / OUT), "--json"]
        plan.mkdir()
        self._run_well([*words, "--no-pictures"], plan)
        self.examples = examples(self._inputs, plan / OUT)

    def inputs_into(self, folder: Path) -> None:
        """Copy the inputs into the folder of a case."""
        shutil.copytree(self._inputs, folder / INPUTS)

    def clean(self, name: str, words: list[str]) -> Clean:
        """A clean run with some words, made once for all cases."""
        folder = self.folder / "base" / f"clean-{name}"
        kept = folder / IO / "seconds"
        with open(folder.with_suffix(".lock"), "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)  # two cases may need it at the same time
            if not kept.exists():
                self._ready(folder, name)
                kept.write_text(str(self._run_well(words, folder)))
        return Clean(folder / OUT, name, words, float(kept.read_text()))

    def calls(self, clean: Clean) -> int:
        """Number of calls of Python functions in a clean run, counted in another run."""
        folder = self.folder / "base" / f"counted-{clean.name}"
        kept = folder / IO / "calls"
        with open(folder.with_suffix(".lock"), "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not kept.exists():
                self._ready(folder, clean.name)
                self._run_well(clean.words, folder, calls=0)
        return int(kept.read_text())

    def _ready(self, folder: Path, name: str) -> None:
        folder.mkdir()
        self.inputs_into(folder)
        self.plan_file(folder, name.removeprefix(BATCH))

    @staticmethod
    def _run_well(words: list[str], folder: Path, calls: int | None = None) -> float:
        """Run a command that must succeed; its processor time, s."""
        reply, seconds = run_command(
            Attack("", words, seconds=LONGEST_CLEAN_SECONDS), folder, calls
        )
        if reply is None or reply.exit_code != 0:
            raise RuntimeError(f"a clean run did not end well: {reply}")
        return seconds

    def plan_file(self, folder: Path, process: str) -> Path:
        """Write a plan of one process into the folder of a case."""
        path = folder / "plan.toml"
        example = self.examples[process]
        path.write_text(plan_text([example.step]), encoding="utf-8")
        return path


def words_of(example: Example, *more: str) -> list[str]:
    """The command of an example, with events as JSON and without pictures."""
    return [*example.words, "--out", OUT, "--json", "--no-pictures", *more]


def drawn(number: int, base: Base, families: dict[str, Family]) -> tuple[str, str, random.Random]:
    """Family, process and generator of a case: families in turn, the rest at random."""
    rng = random.Random(f"{SEED}-{number}")
    name = list(families)[number % len(families)]
    return name, rng.choice(sorted(base.examples)), rng
