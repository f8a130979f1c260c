"""What every test of the analysis needs: compiled motions as an installation has them."""

from __future__ import annotations

import pytest

from analysis.reading.compile_apart import compile_apart


@pytest.fixture(scope="session", autouse=True)
def _compiled_apart() -> None:
    """Compile in a process of its own first, so that the order of tests decides no last digit."""
    compile_apart()
