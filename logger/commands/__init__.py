"""The commands: a table from name to module and help, so that ``--help`` imports none."""

from __future__ import annotations

from typing import Final

COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("logger.commands.demo", "Run the whole job on an invented crew and a simulated cell."),
    "piece": (
        "logger.commands.piece",
        "Weigh a piece on paper: weight, centre, what would narrow it.",
    ),
    "cells": ("logger.commands.cells", "List the ports where a cell may be; ask who answers."),
    "rig": ("logger.commands.rig", "Check a sheet's rigs; draw one to scale with its loads."),
    "plan": ("logger.commands.plan", "One page before the cut: loads, limits, band, hinge."),
    "record": ("logger.commands.record", "Record cells into a logbook."),
    "lowerings": ("logger.commands.lowerings", "List the lowerings of a logbook."),
    "tag": ("logger.commands.tag", "Tie lowerings to job and piece; correct what was written."),
    "review": ("logger.commands.review", "One lowering: measured beside predicted, with a figure."),
    "rules": ("logger.commands.rules", "A crew's own rules of thumb, and how predictions did."),
    "report": ("logger.commands.report", "A whole job on one page that prints."),
    "check": ("logger.commands.check", "Verify a logbook: sums, counts, gaps, windows, keys."),
    "copy": ("logger.commands.copy", "Copy a logbook, also while it records."),
    "trace": ("logger.commands.trace", "Read the features of any time/force CSV."),
    "simcell": ("logger.commands.simcell", "Run a simulated cell behind a pseudo-terminal."),
}
"""Command name -> (module with a ``command``, one line of help)."""
