"""Arbitrary bytes into everything that reads bytes: never more than a typed error."""

from __future__ import annotations

import pytest
from fuzz_targets import TARGETS
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st


@pytest.mark.no_cover
@pytest.mark.parametrize("name", TARGETS)
def test_arbitrary_bytes_give_records_or_a_typed_error(name: str) -> None:
    target, seeds = TARGETS[name]

    @settings(max_examples=60, deadline=2000, suppress_health_check=[HealthCheck.too_slow])
    @given(data=st.binary(max_size=300) | changed(seeds))
    @example(data=b"")
    @example(data=seeds[0])
    def throw(data: bytes) -> None:
        target(data)

    throw()


def changed(seeds: tuple[bytes, ...]) -> st.SearchStrategy[bytes]:
    """A good input with a few bytes changed, cut short or grown."""

    @st.composite
    def build(draw: st.DrawFn) -> bytes:
        data = bytearray(draw(st.sampled_from(seeds)))
        for _ in range(draw(st.integers(0, 6))):
            if data:
                data[draw(st.integers(0, len(data) - 1))] = draw(st.integers(0, 255))
        return bytes(data[: draw(st.integers(0, len(data)))]) + draw(st.binary(max_size=20))

    return build()
