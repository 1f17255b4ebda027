"""Limits on address space: what is left for work, and the refusal where too little is left."""

from __future__ import annotations

import pytest

from shelterscape.address_space import LIBRARIES_BYTES, MIB, refuse_too_little, usable_bytes
from shelterscape.errors import SetupError
from shelterscape.runs.memory import MemoryEstimate

resource = pytest.importorskip("resource")


@pytest.fixture
def limit(monkeypatch):
    """Sets the limit that the system reports, bytes."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")

    def set_limit(size):
        monkeypatch.setattr(resource, "getrlimit", lambda kind: (size, size))

    return set_limit


def test_without_a_limit_nothing_is_refused(limit):
    limit(resource.RLIM_INFINITY)
    assert usable_bytes() is None
    refuse_too_little()


def test_a_byte_more_of_the_limit_is_a_byte_more_for_work(limit):
    limit(3000 * MIB)
    before = usable_bytes()
    limit(3000 * MIB + 1)
    assert usable_bytes() == before + 1


def test_no_limit_leaves_less_than_nothing(limit):
    limit(10 * MIB)
    assert usable_bytes() == 0


def test_each_thread_needs_address_space(limit, monkeypatch):
    limit(8000 * MIB)
    with_two = usable_bytes()
    monkeypatch.setenv("NUMBA_NUM_THREADS", "16")
    # Measured on Linux: 14 threads more reserve 630 MiB more.
    assert with_two - usable_bytes() >= 630 * MIB


def test_commands_are_refused_below_what_libraries_need(limit):
    limit(8000 * MIB)
    reserved = 8000 * MIB - usable_bytes()
    limit(reserved + LIBRARIES_BYTES)
    refuse_too_little()
    limit(reserved + LIBRARIES_BYTES - 1)
    with pytest.raises(SetupError) as caught:
        refuse_too_little()
    assert caught.value.code == "setup-memory"
    assert f"{(reserved + LIBRARIES_BYTES) // 1024} KiB" in caught.value.value


def test_a_larger_memory_limit_does_not_lift_that_of_the_address_space(limit):
    limit(1600 * MIB)
    assert MemoryEstimate(1000)._allowed == usable_bytes()
    assert MemoryEstimate(0.1)._allowed == pytest.approx(0.1 * 2**30)
