"""What the commands share on the way out."""

from __future__ import annotations

import pytest

from logger.commands.output import WIDTH, iso_time, print_json, table


def test_json_never_holds_what_json_does_not_know() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        print_json({"peak_n": float("nan")})


def test_the_last_column_wraps_under_itself() -> None:
    lines = table(("no", "notes"), [("1", "word " * 40), ("2", "")]).splitlines()
    assert max(map(len, lines)) <= WIDTH
    assert all(line.startswith(("no", "1", "2", "    word")) for line in lines)
    assert lines[-1] == "2"


def test_times_for_programs_are_utc() -> None:
    assert iso_time(1_777_890_003_000_000_000) == "2026-05-04T10:20:03.000+00:00"
