"""Files that commands write: figures and pages, and the options that ask for them.

Comes in: what a person typed after --figure or --page. Goes out: a path with a fitting end.
Must not: write, or load what draws.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from logger.errors import InputError

_Command = TypeVar("_Command", bound=Callable[..., Any])


class _Target(click.Path):
    """A file to write; refuses another ending before anything is read."""

    def __init__(self, what: str, endings: tuple[str, ...]) -> None:
        super().__init__(dir_okay=False, path_type=Path)
        self.what, self.endings = what, endings

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        if path.suffix.lower() not in self.endings:
            raise InputError(f"{path}: {self.what}")
        return path


FIGURE: Final = _Target("a figure is .png or .svg", (".png", ".svg"))
"""Type of an option that names a figure."""

PAGE: Final = _Target("a page is .html", (".html", ".htm"))
"""Type of an option that names a page."""


def figure_option(drawn: str, name: str = "--figure") -> Callable[[_Command], _Command]:
    """Give the option that asks for a figure.

    Parameters
    ----------
    drawn : str
        What it shows, with its verb: ``Draw the lowering``.
    name : str
        Of the option.

    Returns
    -------
    Callable
        A decorator of a command; the path comes under the option's name.
    """
    return click.option(name, type=FIGURE, help=f"{drawn} into this .png or .svg.")


page_option = click.option(
    "--page", type=PAGE, help="Write one .html page that needs nothing else."
)
