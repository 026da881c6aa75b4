"""Steps that are shared among helpers: nothing waits for ever, and what fails does so alike."""

from __future__ import annotations

import threading

import pytest

from siting.kernels import bands


@pytest.fixture(params=["made anew", "kept"])
def helpers(request, monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.setattr(bands, "_standing", None)
    if request.param == "kept":
        bands.keep_helpers()
    yield
    if bands._standing is not None:
        bands._standing.shutdown()


def within_a_while(step):
    """What a step gives; a step that waits for ever fails the test and does not hold it up."""
    found = []
    thread = threading.Thread(target=lambda: found.append(step()), daemon=True)
    thread.start()
    thread.join(20.0)
    assert found, "it waits for ever"
    return found[0]


@pytest.mark.usefixtures("helpers")
def test_steps_within_steps_wait_for_nobody():
    def deeper(level):
        if not level:
            return 1
        parts = bands.of_parts(lambda part: deeper(level - 1), 8, size=2)
        first, second = bands.in_parallel(lambda: deeper(level - 1), lambda: deeper(level - 1))
        return sum(parts) + first + second

    assert within_a_while(lambda: deeper(3)) == 6**3


@pytest.mark.usefixtures("helpers")
def test_of_several_parts_that_fail_the_first_is_told():
    begun = threading.Barrier(2, timeout=60.0)

    def step(part):
        if part.start in (2, 3):
            # Both have begun before either fails, whoever takes which.
            begun.wait()
            raise ValueError(f"part {part.start}")
        return part.start

    for _ in range(20):
        with pytest.raises(ValueError, match="part 2"):
            bands.of_parts(step, 6, size=1)


@pytest.mark.usefixtures("helpers")
def test_parts_come_in_their_order():
    assert bands.of_parts(lambda part: part.start, 50, size=1) == list(range(50))


def test_helpers_that_are_not_kept_are_gone_afterwards(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    monkeypatch.setattr(bands, "_standing", None)
    before = threading.active_count()
    bands.of_parts(lambda part: part.start, 50, size=1)
    # A process with helpers in it is not copied: see `aside`.
    assert threading.active_count() == before
