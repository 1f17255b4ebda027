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
from shelterscape.errors import WriteError
from shelterscape.files.record import PROGRAM, read_record, write_json
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
        if not self.is_batch and self.root.is_dir() and any(self.root.iterdir()):
            raise WriteError(
                "output-foreign",
                "The output folder holds files that do not belong to a batch.",
                where=str(self.root),
                hint="Name a new folder, or the folder of an earlier batch.",
            )
        try:
            for part in (HOLDINGS, FAILURES, WHOLE_MAP, COMBINED):
                self._refuse_link(self.root / part)
            for part in (HOLDINGS, FAILURES, WHOLE_MAP):
                (self.root / part).mkdir(parents=True, exist_ok=True)
            if not self.is_batch:
                _replace_file(self.root / MARK, {"program": PROGRAM, "kind": "batch"})
        except OSError as error:
            raise unwritable(self.root, error) from error

    @staticmethod
    def _refuse_link(path: Path) -> None:
        if path.is_symlink():
            raise WriteError(
                "output-foreign",
                "A folder of the batch is a link.",
                where=str(path),
                value=os.readlink(path),
                hint="Remove the link, or name a new folder for the batch.",
            )

    @property
    def is_batch(self) -> bool:
        """Whether a batch created the folder."""
        try:
            content = json.loads((self.root / MARK).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return False
        return isinstance(content, dict) and content.get("kind") == "batch"

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
            _replace_file(
                path, {"key": key, "exit_code": outcome.exit_code, "error": outcome.error}
            )

    def _failure_path(self, holding: Holding) -> Path:
        return self.root / FAILURES / f"{holding.folder}.json"

    def _failure(self, holding: Holding) -> dict[str, Any] | None:
        try:
            content = json.loads(self._failure_path(holding).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return content if isinstance(content, dict) and "error" in content else None


def is_complete(folder: Path, key: str) -> bool:
    """Whether a run folder has the given key and holds every file its record lists.

    A run folder is created in full by renaming. File sizes are checked anyway: a file may have
    been deleted or truncated since.
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


_SHARED_NAME = re.compile(r"[0-9a-f]{16}")
_SHARED_FILE = re.compile(
    r"terrain\.tif|[0-9a-f]{12}\.(json|part)|terrain_wind_[0-9a-f]{12}(/[0-9.]+\.tif)?"
    r"|(.*/)?\.[^/]*\.part\.tif"
)


def is_shared_folder(path: Path) -> bool:
    """Whether a folder holds work over the whole map, and nothing else: no link, no other file."""
    if path.is_symlink() or not path.is_dir() or not _SHARED_NAME.fullmatch(path.name):
        return False
    found = list(path.rglob("*"))
    return all(
        not one.is_symlink() and _SHARED_FILE.fullmatch(one.relative_to(path).as_posix())
        for one in found
    )


def status_counts(states: Sequence[HoldingState]) -> dict[str, int]:
    """Number of holdings with each status."""
    return {word: sum(one.status == word for one in states) for word in (DONE, FAILED, NOT_RUN)}


def _replace_file(path: Path, content: dict[str, Any]) -> None:
    """Write a JSON file in full or not at all."""
    part = path.with_name(f".{path.name}.part")
    try:
        write_json(part, content)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
