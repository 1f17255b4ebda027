"""The folder of a batch: what is finished, what failed, and who may write there."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shelterscape.batch.holdings import Holding
from shelterscape.batch.tasks import Outcome
from shelterscape.errors import WriteError
from shelterscape.files.record import PROGRAM, read_record, write_json
from shelterscape.runs.staging import Lock, refuse_protected, unwritable

MARK = "batch.json"
HOLDINGS, FAILURES, WHOLE_MAP, CATCHMENT = "holdings", "failures", "whole_map", "catchment"

DONE, FAILED, NOT_RUN = "done", "failed", "not run"

INPUT_REFUSED = 3
"""Exit code of errors that would come again from the same inputs."""


@dataclass(frozen=True)
class Row:
    """How things stand with one holding.

    Parameters
    ----------
    holding : Holding
    key : str
        What its results follow from.
    status : {"done", "failed", "not run"}
    error : dict or None
        Of a holding that failed.
    """

    holding: Holding
    key: str
    status: str
    error: dict[str, Any] | None = None


class BatchFolder:
    """One batch's folder; held by one batch at a time.

    Parameters
    ----------
    root : Path
    """

    def __init__(self, root: Path) -> None:
        self.root = Path(os.path.abspath(os.path.expanduser(root)))

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Make the folder where it is not there, and keep others out of it.

        Raises
        ------
        WriteError
            ``output-protected``, ``output-strangers``, ``output-busy``, ``output-unwritable``.
        """
        refuse_protected(self.root)
        lock = Lock(self.root.parent / f".{self.root.name}.shelterscape-lock")
        try:
            self.root.parent.mkdir(parents=True, exist_ok=True)
            lock.take()
        except OSError as error:
            raise unwritable(self.root.parent, error) from error
        try:
            self._claim()
            yield
        finally:
            lock.release()

    def _claim(self) -> None:
        """Mark the folder as a batch's; refuse one that holds anything else."""
        if not self.is_ours and self.root.is_dir() and any(self.root.iterdir()):
            raise WriteError(
                "output-strangers",
                "The output folder holds something other than a batch.",
                where=str(self.root),
                mend="Name a new folder, or that of an earlier batch.",
            )
        try:
            for part in (HOLDINGS, FAILURES, WHOLE_MAP):
                (self.root / part).mkdir(parents=True, exist_ok=True)
            if not self.is_ours:
                _write_whole(self.root / MARK, {"program": PROGRAM, "kind": "batch"})
        except OSError as error:
            raise unwritable(self.root, error) from error

    @property
    def is_ours(self) -> bool:
        """Whether a batch made the folder."""
        try:
            told = json.loads((self.root / MARK).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return False
        return isinstance(told, dict) and told.get("kind") == "batch"

    def of(self, holding: Holding) -> Path:
        """The folder of one holding."""
        return self.root / HOLDINGS / holding.folder

    def row(self, holding: Holding, key: str) -> Row:
        """How things stand with a holding whose results would follow from `key`."""
        if is_whole(self.of(holding), key):
            return Row(holding, key, DONE)
        failure = self._failure(holding)
        if failure is not None and failure.get("key") == key:
            return Row(holding, key, FAILED, failure["error"])
        return Row(holding, key, NOT_RUN)

    def would_fail_again(self, holding: Holding) -> bool:
        """Whether its last failure was of its inputs, not of the machine."""
        failure = self._failure(holding)
        return failure is not None and failure.get("exit_code") == INPUT_REFUSED

    def note(self, holding: Holding, key: str, outcome: Outcome) -> None:
        """Keep how the work on a holding ended."""
        path = self._failure_path(holding)
        if outcome.error is None:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
            return
        # A full disk must not stop the rest; what failed is then simply begun anew next time.
        with contextlib.suppress(OSError):
            _write_whole(path, {"key": key, "exit_code": outcome.exit_code, "error": outcome.error})

    def _failure_path(self, holding: Holding) -> Path:
        return self.root / FAILURES / f"{holding.folder}.json"

    def _failure(self, holding: Holding) -> dict[str, Any] | None:
        try:
            told = json.loads(self._failure_path(holding).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return told if isinstance(told, dict) and "error" in told else None


def is_whole(folder: Path, key: str) -> bool:
    """Whether a run folder holds all its record tells, and follows from `key`.

    Folders appear whole, by renaming; sizes are looked at all the same, for somebody may have
    deleted or cut a file.
    """
    record = read_record(folder)
    if record is None or record.get("key") != key:
        return False
    try:
        return all(
            (folder / one["path"]).stat().st_size == one["bytes"] for one in record["outputs"]
        )
    except (OSError, KeyError, TypeError):
        return False


def counted(rows: Sequence[Row]) -> dict[str, int]:
    """How many holdings stand how."""
    return {word: sum(row.status == word for row in rows) for word in (DONE, FAILED, NOT_RUN)}


def _write_whole(path: Path, content: dict[str, Any]) -> None:
    part = path.with_name(f".{path.name}.part")
    try:
        write_json(part, content)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
