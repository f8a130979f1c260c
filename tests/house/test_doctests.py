"""Every docstring example runs, on the installed packages."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import analysis
import logger

MODULES = sorted(
    info.name
    for package in (logger, analysis)
    for info in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
    if not info.name.endswith("__main__")
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_of(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0


def test_some_examples_exist() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    examples = [
        test
        for name in MODULES
        for test in finder.find(importlib.import_module(name))
        if test.examples
    ]
    assert len(examples) >= 5
