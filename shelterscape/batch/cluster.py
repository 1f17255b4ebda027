"""Workers on a cluster of machines that share folders, through Dask."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from typing import Any

from shelterscape.errors import InputError, UsageError

CONNECT_SECONDS = 15


class ClusterPool:
    """The workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        Address of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    UsageError
        Dask is not installed.
    InputError
        ``cluster-missing``: the scheduler cannot be reached or has no workers.
        ``cluster-threads``: a worker would run several holdings at once.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            raise UsageError(
                "usage",
                "The option --cluster requires Dask, which is not installed.",
                where="--cluster",
                hint='Install it with: pip install "shelterscape[cluster]".',
            ) from error
        try:
            self._client = Client(address, timeout=CONNECT_SECONDS)
        # TypeError and RuntimeError: there are no certificates, or encryption is required.
        except (OSError, TimeoutError, ValueError, TypeError, RuntimeError) as error:
            raise _missing(address, error) from error
        # Each worker is one process and runs one holding at a time.
        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        self.at_once = len(workers)
        try:
            _check_workers(workers, address)
        except InputError:
            self._client.close()
            raise
        self._executor = self._client.get_executor(pure=False)

    def executor(self) -> Executor:
        """The executor that submits tasks to the scheduler."""
        executor: Executor = self._executor
        return executor

    def renew(self) -> None:
        """Do nothing: the scheduler itself gives the tasks of a dead worker to another."""

    def stop(self) -> None:
        """Cancel the tasks that have not started."""
        self._executor.shutdown(wait=False)

    def __enter__(self) -> ClusterPool:
        return self

    def __exit__(self, *_: object) -> None:
        self._executor.shutdown(wait=False)
        self._client.close()


def _check_workers(workers: Mapping[str, Mapping[str, Any]], address: str) -> None:
    """Refuse a cluster without workers, or with workers of several threads.

    GDAL settings and the number of kernel threads apply to a whole process: two holdings running
    in one process would interfere.
    """
    if not workers:
        raise _missing(address, "no workers")
    threads = {name: int(one["nthreads"]) for name, one in workers.items()}
    many = {name: count for name, count in threads.items() if count > 1}
    if many:
        name, count = next(iter(sorted(many.items())))
        raise InputError(
            "cluster-threads",
            "A worker of the cluster has more than one thread.",
            where=name,
            value=f"{count} threads; {len(many)} of {len(workers)} workers have more than one",
            hint="Start workers with --nthreads 1, and one process for each core; see "
            "docs/cluster.md.",
        )


def _missing(address: str, found: object) -> InputError:
    return InputError(
        "cluster-missing",
        "No cluster with workers was found at this address.",
        where=address,
        value=found,
        hint="Start a scheduler and workers first; see docs/cluster.md.",
    )
