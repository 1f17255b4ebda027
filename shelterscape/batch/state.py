"""The folder of a batch: which holdings are done, which failed, and the lock on it."""

from __future__ import annotations

import contextlib
import json
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shelterscape.batch.holdings import Holding
from shelterscape.batch.tasks import Outcome
from shelterscape.errors import CODES, WriteError
from shelterscape.files.record import (
    PROGRAM,
    is_intact,
    read_json,
    read_record,
    recorded_files,
    replace_file,
)
from shelterscape.process.shared import FILE
from shelterscape.runs.staging import Lock, refuse_protected, unwritable

MARK = "batch.json"
HOLDINGS, FAILURES, WHOLE_MAP, COMBINED = "holdings", "failures", "whole_map", "combined"

DONE, FAILED, NOT_RUN = "done", "failed", "not run"

INPUT_REFUSED = 3
"""Exit code of errors that the same inputs would cause again."""


@dataclass(frozen=True)
class HoldingState:
    """The state of one holding in a batch.

    Parameters
    ----------
    holding : Holding
    key : str
        Checksum of everything its results follow from.
    status : {"done", "failed", "not run"}
    error : dict or None
        Fields of the error, where it failed.
    """

    holding: Holding
    key: str
    status: str
    error: dict[str, Any] | None = None


class BatchFolder:
    """The folder of one batch; one process at a time works in it.

    Parameters
    ----------
    root : Path
    """

    def __init__(self, root: Path) -> None:
        self.root = Path(os.path.abspath(os.path.expanduser(root)))

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Create the folder if it is missing, and lock it.

        Raises
        ------
        WriteError
            ``output-protected``, ``output-foreign``, ``output-busy``, ``output-unwritable``.
        """
        refuse_protected(self.root)
        lock = Lock(self.root.parent / f".{self.root.name}.shelterscape-lock")
        try:
            self.root.parent.mkdir(parents=True, exist_ok=True)
            lock.acquire()
        except OSError as error:
            raise unwritable(self.root.parent, error) from error
        try:
            self._create()
            yield
        finally:
            lock.release()

    def _create(self) -> None:
        """Create the subfolders; refuse a folder that holds anything but a batch."""
        if self.root.is_dir():
            _refuse_links(self.root)
        if not self.is_batch and self.root.is_dir() and not self._is_damaged_batch():
            raise WriteError(
                "output-foreign",
                "The output folder holds files that do not belong to a batch.",
                where=str(self.root),
                hint="Name a new folder, or the folder of an earlier batch.",
            )
        try:
            for part in (HOLDINGS, FAILURES, WHOLE_MAP):
                (self.root / part).mkdir(parents=True, exist_ok=True)
            if not self.is_batch:
                _replace_json(self.root / MARK, {"program": PROGRAM, "kind": "batch"})
        except OSError as error:
            raise unwritable(self.root, error) from error

    @property
    def is_batch(self) -> bool:
        """Whether a batch created the folder."""
        content = read_json(self.root / MARK)
        return content is not None and content.get("kind") == "batch"

    def _is_damaged_batch(self) -> bool:
        """Whether the folder is that of a batch although its mark is missing or damaged.

        It then holds nothing else, and either a finished holding or no file at all.
        """
        parts = {HOLDINGS, FAILURES, WHOLE_MAP, COMBINED}
        there = {path.name for path in self.root.iterdir()} - {MARK, f".{MARK}.part"}
        if {name for name in there if not name.startswith(f".{COMBINED}.shelterscape-")} - parts:
            return False
        runs = (read_record(path) for path in (self.root / HOLDINGS).glob("*"))
        if any(record is not None and "key" in record for record in runs):
            return True
        files = [path for path in self.root.rglob("*") if not path.is_dir()]
        return all(path.parent == self.root and path.stat().st_size == 0 for path in files)

    def run_folder(self, holding: Holding) -> Path:
        """The folder with the run of one holding."""
        return self.root / HOLDINGS / holding.folder

    def state_of(self, holding: Holding, key: str) -> HoldingState:
        """The state of a holding whose results follow from `key`."""
        if is_complete(self.run_folder(holding), key):
            return HoldingState(holding, key, DONE)
        failure = self._failure(holding)
        if failure is not None and failure.get("key") == key:
            return HoldingState(holding, key, FAILED, failure["error"])
        return HoldingState(holding, key, NOT_RUN)

    def would_fail_again(self, holding: Holding) -> bool:
        """Whether the last failure was caused by the inputs, not by the machine."""
        failure = self._failure(holding)
        if failure is None or failure["error"].get("code") == "input-changed":
            return False
        return bool(failure.get("exit_code") == INPUT_REFUSED)

    def record_outcome(self, holding: Holding, key: str, outcome: Outcome) -> None:
        """Record a failure; remove the record of an earlier one after a success."""
        path = self._failure_path(holding)
        if outcome.error is None:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
            return
        # A full disk must not stop the other holdings. Without a record of its failure, a holding
        # is simply run again next time.
        with contextlib.suppress(OSError):
            _replace_json(
                path, {"key": key, "exit_code": outcome.exit_code, "error": outcome.error}
            )

    def _failure_path(self, holding: Holding) -> Path:
        return self.root / FAILURES / f"{holding.folder}.json"

    def _failure(self, holding: Holding) -> dict[str, Any] | None:
        content = read_json(self._failure_path(holding)) or {}
        error = content.get("error")
        if not isinstance(error, dict):
            return None
        texts = [error.get(name, "") for name in ("code", "what", "where", "hint")]
        if not all(isinstance(text, str) for text in texts) or texts[0] not in CODES:
            return None
        return content


def is_complete(folder: Path, key: str) -> bool:
    """Whether a run folder has the given key, and every file its record lists is intact.

    A run folder is created in full by renaming. Checksums are compared anyway: a file may have
    been changed since, by a person or by a fault of the disk.
    """
    record = read_record(folder)
    return record is not None and record.get("key") == key and is_intact(folder, record)


def _refuse_links(folder: Path) -> None:
    """Refuse a batch with a link anywhere in it: what it leads to belongs to somebody else."""
    waiting = [folder]
    while waiting:
        with os.scandir(waiting.pop()) as found:
            for one in found:
                if one.is_symlink():
                    raise WriteError(
                        "output-foreign",
                        "A file or folder of the batch is a link.",
                        where=one.path,
                        value=os.readlink(one.path),
                        hint="Remove the link, or name a new folder for the batch.",
                    )
                if one.is_dir(follow_symlinks=False):
                    waiting.append(Path(one.path))


_SHARED_NAME = re.compile(r"[0-9a-f]{16}")


def is_shared_folder(path: Path) -> bool:
    """Whether a folder holds work over the whole map, and nothing else: no link, no other file."""
    if path.is_symlink() or not path.is_dir() or not _SHARED_NAME.fullmatch(path.name):
        return False
    in_runs = _names_in_runs(path)
    for one in path.rglob("*"):
        name = one.relative_to(path).as_posix()
        if one.is_symlink() or not (name in in_runs or FILE.fullmatch(name)):
            return False
    return True


def _names_in_runs(path: Path) -> set[str]:
    """Files and folders of runs of steps in a folder of shared work."""
    names = set()
    for run in (path / "steps").glob("*"):
        record = read_record(run)
        for file in recorded_files(record) if record is not None else ():
            whole = run.relative_to(path) / file
            names |= {whole.as_posix(), *(parent.as_posix() for parent in whole.parents)}
    return names


def status_counts(states: Sequence[HoldingState]) -> dict[str, int]:
    """Number of holdings with each status."""
    return {word: sum(one.status == word for one in states) for word in (DONE, FAILED, NOT_RUN)}


def _replace_json(path: Path, content: dict[str, Any]) -> None:
    """Write a JSON file in full or not at all."""
    replace_file(path, json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False) + "\n")
