"""Compile kernels once for each state of their source, and keep the machine code.

Machine code is kept in a folder of the user, since the package folder may be read-only::

    CACHE/shelterscape/kernels/downwind-9f2c41d07a35be18/add_rays-0c5e….code
                               module   key              function, signature

The key is a hash of the module's source, of all kernel modules it imports, directly or not, and of
the compiler. The cache of numba examines the file of the function only, so it would use code with
an outdated value of an imported constant.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import time
import uuid
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numba
from numba.core.compiler import CompileResult
from numba.core.serialize import dumps

from shelterscape.errors import SetupError
from shelterscape.kernels.cache_folder import BINARY, cache_folder, fault_of, read_own
from shelterscape.kernels.cache_key import module_key

MARK = "shelterscape-kernels"
"""Name of an empty file in the folder of each module; its time is that of the last use."""

SUFFIX = ".code"
KEPT = 6
"""Number of folders kept for a module: other versions and checkouts may share the cache."""

KEPT_SECONDS = 86_400.0
"""A folder used within this time is never removed."""


def kernel(function: Callable[..., Any] | None = None, **options: Any) -> Any:
    """Compile a function with numba, without Python objects, and keep the machine code.

    Parameters
    ----------
    function : callable
        A function of a module in this package, without a closure.
    **options
        Passed to `numba.njit`, such as ``nogil=True``.

    Returns
    -------
    numba dispatcher

    Raises
    ------
    SetupError
        ``setup-cache`` when there is no folder for machine code; ``setup-compiler`` when a setting
        of numba prevents compilation.
    """
    if function is None:
        return lambda given: kernel(given, **options)
    refuse_no_compiler()
    compiled = numba.njit(function, **options)
    if function.__closure__ is None:
        folder = _module_folder(function.__module__)
        if folder is not None:
            compiled._cache = _KernelCache(folder, function.__qualname__, options)
    return compiled


def refuse_no_compiler() -> None:
    """Raise where kernels would run as Python code.

    Raises
    ------
    SetupError
        ``setup-compiler``: kernels would be hundreds of times slower and change digits of results.
    """
    if numba.config.DISABLE_JIT:
        raise SetupError(
            "setup-compiler",
            "The compilation of kernels is disabled in this process.",
            where="NUMBA_DISABLE_JIT, or disable_jit in .numba_config.yaml",
            hint="Remove this setting and start again.",
        )


@cache
def _module_folder(module: str) -> Path | None:
    key = module_key(module)
    return cache_folder() / f"{module.rpartition('.')[2]}-{key}" if key else None


class _KernelCache:
    """Machine code of one kernel, with the interface that numba's dispatcher expects of a cache.

    Each signature has its own file, so that processes that compile at once never share one.

    Parameters
    ----------
    folder : Path
        Folder of the module in its present state.
    name : str
        Name of the function.
    options : dict
        Compiler options; one function may be compiled in two ways.
    """

    def __init__(self, folder: Path, name: str, options: dict[str, Any]) -> None:
        self._folder, self._name = folder, name
        # The order of a set differs between sessions.
        self._options = repr(
            sorted((k, sorted(v) if isinstance(v, set) else v) for k, v in options.items())
        )

    @property
    def cache_path(self) -> str:
        """The folder, which numba reports in the statistics of a kernel."""
        return str(self._folder)

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """The compiled function; None if there is none or it is damaged, and then removed."""
        target_context.refresh()
        key = self._key(sig, target_context.codegen())
        try:
            content = read_own(self._path(key))
        except FileNotFoundError:
            return None
        except OSError:  # not a file of ours
            self._discard(self._path(key))
            return None
        try:
            compiled = _rebuilt(content, key, target_context)
        except Exception:  # compiling again repairs any damage
            self._discard(self._path(key))
            return None
        self._note_use()
        return compiled

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep a compiled function. A full disk is no error: the next session compiles again."""
        if data.library.has_dynamic_globals or data.lifted:
            return
        key = self._key(sig, data.codegen)
        content = dumps((key, data._reduce()))
        with contextlib.suppress(OSError):
            self._make_folder()
            write_whole(self._path(key), hashlib.sha256(content).digest() + content)

    def enable(self) -> None:
        """Required by numba."""

    def disable(self) -> None:
        """Required by numba."""

    def flush(self) -> None:
        """Required by numba."""

    def _key(self, sig: Any, codegen: Any) -> tuple[Any, ...]:
        return self._folder.name, self._name, sig, codegen.magic_tuple(), self._options

    def _path(self, key: Any) -> Path:
        signature = hashlib.sha256(repr(key).encode()).hexdigest()[:16]
        return self._folder / f"{self._name}-{signature}{SUFFIX}"

    def _discard(self, path: Path) -> None:
        with contextlib.suppress(OSError):
            path.unlink()

    def _make_folder(self) -> None:
        if os.path.lexists(self._folder) and fault_of(self._folder):
            # Others may have put it there while the folder above was open to them.
            self._folder.rename(self._folder.with_name(f"refused-{uuid.uuid4().hex[:8]}"))
        if not self._folder.is_dir():
            self._folder.mkdir(mode=0o700, exist_ok=True)
            (self._folder / MARK).touch()
            remove_unused(self._folder)

    def _note_use(self) -> None:
        mark = self._folder / MARK
        with contextlib.suppress(OSError):
            if time.time() - mark.stat().st_mtime > KEPT_SECONDS / 24:
                mark.touch()


def _rebuilt(content: bytes, key: Any, target_context: Any) -> Any:
    digest, data = content[:32], content[32:]
    if hashlib.sha256(data).digest() != digest:
        raise ValueError("the file is damaged")
    saved, reduced = pickle.loads(data)
    if saved != key:
        raise ValueError("the file belongs to another function")
    return CompileResult._rebuild(target_context, *reduced)


def write_whole(path: Path, content: bytes) -> None:
    """Write to another file and rename it, so that no incomplete file is ever read."""
    beside = path.with_name(f"{path.name}.{uuid.uuid4().hex[:8]}")
    try:
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | BINARY, 0o600)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def remove_unused(folder: Path, kept: int = KEPT) -> None:
    """Remove folders of other states of a module that have not been used for long.

    Parameters
    ----------
    folder : Path
        Folder of the module in its present state; its siblings are examined.
    kept : int
        Number of most recently used folders to keep; those used within a day are kept too. Only
        folders with the file `MARK` are examined, and only files written here are removed.
    """
    module = folder.name.rpartition("-")[0]
    used = []
    for path in folder.parent.glob(f"{module}-{'[0-9a-f]' * 16}"):
        with contextlib.suppress(OSError):
            if not path.is_symlink():
                used.append(((path / MARK).lstat().st_mtime, path))
    for last_use, path in sorted(used, reverse=True)[kept:]:
        if time.time() - last_use > KEPT_SECONDS:
            with contextlib.suppress(OSError):
                for file in path.glob(f"*{SUFFIX}*"):
                    file.unlink()
                (path / MARK).unlink()
                path.rmdir()  # fails, and keeps the folder, if it holds anything else
