"""The state of a kernel module: a hash of everything its machine code depends on."""

from __future__ import annotations

import ast
import hashlib
import importlib
import importlib.util
import pkgutil
import platform
from collections.abc import Iterator
from functools import cache
from typing import Any

import llvmlite  # type: ignore[import-untyped]
import llvmlite.binding  # type: ignore[import-untyped]
import numba
import numpy as np


def module_key(module: str) -> str:
    """Hash of a kernel module, of the modules of its package that it imports, and of the compiler.

    Parameters
    ----------
    module : str
        Full name, as ``shelterscape.kernels.downwind``.

    Returns
    -------
    str
        16 hexadecimal digits; empty when there is no source to hash.
    """
    if not _source(module):
        return ""
    total = hashlib.sha256(repr(_compiler()).encode())
    for name in sorted(with_imports(module)):
        total.update(f"\n{name}\n{_source(name)}".encode())
    return total.hexdigest()[:16]


def package_key(package: str) -> str:
    """Hash of the source of all modules of a package, and of the compiler, 16 digits.

    It changes when any `module_key` may have changed, and is fast to calculate.
    """
    total = hashlib.sha256(repr(_compiler()).encode())
    for name in modules_of(package):
        total.update(f"\n{name}\n{_source(name)}".encode())
    return total.hexdigest()[:16]


def modules_of(package: str) -> list[str]:
    """Full names of the modules of a package, sorted."""
    places = importlib.import_module(package).__path__
    return sorted(f"{package}.{module.name}" for module in pkgutil.iter_modules(places))


@cache
def _compiler() -> tuple[Any, ...]:
    """Other dependencies of machine code: versions, processor, settings of numba."""
    binding, config = llvmlite.binding, numba.config
    return (
        platform.python_version(), numba.__version__, llvmlite.__version__, np.__version__,
        platform.machine(), binding.get_host_cpu_name(), binding.get_host_cpu_features().flatten(),
        config.CPU_NAME, config.CPU_FEATURES, config.OPT, config.BOUNDSCHECK,
    )  # fmt: skip


def with_imports(module: str) -> set[str]:
    """A module and all modules of its package that it imports, directly or not."""
    package = module.rpartition(".")[0]
    found, waiting = {module}, [module]
    while waiting:
        for name in _imported(waiting.pop(), package):
            if name not in found:
                found.add(name)
                waiting.append(name)
    return found


@cache
def _imported(module: str, package: str) -> frozenset[str]:
    """Modules of the package that a module imports anywhere in its source."""
    return frozenset(_named(module, package))


def _named(module: str, package: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(_source(module))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(filter(None, (package if node.level else "", node.module)))
            names = [f"{base}.{name.name}" for name in node.names] if base == package else [base]
        for name in names:
            if name.rpartition(".")[0] == package and _source(name):
                yield name


@cache
def _source(module: str) -> str:
    """Source of a module; empty if there is none."""
    spec = importlib.util.find_spec(module)
    loader: Any = spec.loader if spec else None
    return (loader.get_source(module) or "") if hasattr(loader, "get_source") else ""
