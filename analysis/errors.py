"""Errors of the analysis side, one tree.

Comes in: nothing. Goes out: exception classes that say what, where and what to do.
Must not: print, exit, or know about the command line (``logger/commands/main.py`` maps
every class of this tree to the exit code for input to correct).

::

    AnalysisError
    ├── TraceError (ValueError)         an array of times and forces that cannot be read
    │   └── TraceFileError              the same, in a file: path and line
    ├── PredictionError (ValueError)    piece, rope or rig from which nothing can be computed
    ├── RuleError (ValueError)          a rule of thumb that cannot be applied to a piece
    └── SourceError (LookupError)       a lowering that a logbook does not hold, or holds without calibration
"""

from __future__ import annotations


class AnalysisError(Exception):
    """Root of every error that ``analysis`` raises on purpose."""


class TraceError(AnalysisError, ValueError):
    """Times and forces that cannot be read as a trace."""


class TraceFileError(TraceError):
    """A file of times and forces that cannot be read.

    Parameters
    ----------
    path : str
        File as the user named it.
    line : int or None
        1-based line, None when the whole file is meant.
    problem : str
        What is wrong and what would be accepted.
    """

    def __init__(self, path: str, line: int | None, problem: str) -> None:
        where = f"{path}:{line}" if line is not None else path
        super().__init__(f"{where}: {problem}")
        self.path = path
        self.line = line
        self.problem = problem


class PredictionError(AnalysisError, ValueError):
    """A piece, rope or rig from which nothing can be computed."""


class SourceError(AnalysisError, LookupError):
    """A lowering that the logbook does not hold, or cannot give in newtons."""


class RuleError(AnalysisError, ValueError):
    """A rule of thumb that cannot be applied to a piece; the message says why."""
