"""Limits on address space: what is left for work, and the refusal where too little is left."""

from __future__ import annotations

import pytest

from shelterscape import registry
from shelterscape.address_space import (
    LIBRARIES_BYTES,
    MIB,
    limit_for,
    refuse_too_little,
    usable_bytes,
)
from shelterscape.errors import InputError, SetupError
from shelterscape.process.inputs import Inputs
from shelterscape.process.memory import InputSizes
from shelterscape.runs import Step
from shelterscape.runs.memory import MemoryEstimate

resource = pytest.importorskip("resource")


@pytest.fixture
def limit(monkeypatch):
    """Sets the limit that the system reports, bytes."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", "2")
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")

    def set_limit(size):
        monkeypatch.setattr(resource, "getrlimit", lambda kind: (size, size))

    return set_limit


def test_without_a_limit_nothing_is_refused(limit):
    limit(resource.RLIM_INFINITY)
    assert usable_bytes() == float("inf")
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
    # Measured on Linux: 14 threads more reserve 780 MiB more.
    assert with_two - usable_bytes() >= 780 * MIB


def test_linear_algebra_has_a_thread_for_each_processor_unless_a_number_is_set(limit, monkeypatch):
    limit(8000 * MIB)
    with_one = usable_bytes()
    monkeypatch.setattr("shelterscape.address_space._processors", lambda: 16)
    assert usable_bytes() == with_one
    monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    # Measured with 16 processors in appearance: 1200 MiB more than with one thread.
    assert with_one - usable_bytes() >= 1200 * MIB
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "64")
    assert with_one - usable_bytes() < 64 * 80 * MIB


def test_settings_that_are_no_numbers_count_as_none(limit, monkeypatch):
    limit(8000 * MIB)
    monkeypatch.setattr("shelterscape.address_space._processors", lambda: 2)
    with_two = usable_bytes()
    for text in ("0", "many", "²", ""):
        monkeypatch.setenv("NUMBA_NUM_THREADS", text)
        assert usable_bytes() == with_two


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
    assert limit_for(LIBRARIES_BYTES) in caught.value.value


def test_a_larger_memory_limit_does_not_lift_that_of_the_address_space(limit, monkeypatch):
    limit(1600 * MIB)
    estimate = MemoryEstimate(1000)
    process = registry.find("wind-set")
    step = Step(process, Inputs.model_construct())
    monkeypatch.setattr("shelterscape.runs.memory.input_sizes", lambda params: InputSizes())
    monkeypatch.setattr("shelterscape.runs.memory.work_bytes", lambda *given: 2e9)
    with pytest.raises(InputError) as caught:
        estimate.check(step, step.params)
    assert "needed;" in caught.value.value
    assert f"ulimit -v) to {limit_for(LIBRARIES_BYTES + 2 * 10**9)}" in caught.value.hint
    limit(resource.RLIM_INFINITY)
    MemoryEstimate(1000).check(step, step.params)
