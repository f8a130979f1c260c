"""The README, CI and the tree agree with each other."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from click.testing import CliRunner

from logger.commands import COMMANDS
from logger.commands.main import cli

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def shell_lines(text: str) -> list[str]:
    blocks = re.findall(r"```(?:sh|bash)\n(.*?)```", text, flags=re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line and line[0] != "#"]


def test_ci_calls_exactly_the_readme_test_command() -> None:
    test_command = next(line for line in shell_lines(README) if "tests.py" in line)
    assert test_command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_readme_opens_with_the_job_then_the_two_commands() -> None:
    lines = shell_lines(README)
    assert "ropetally demo --out" in lines[0]
    assert lines[1] == "python3 .ci/tests.py"


def test_every_command_shown_in_the_docs_exists_with_its_options() -> None:
    for document in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / document).read_text(encoding="utf-8")
        for line in shell_lines(text):
            for call in re.findall(r"\bropetally ([a-z]+)([^&|;#]*)", line):
                name, rest = call
                assert name in COMMANDS, line
                command = cli.get_command(None, name)  # type: ignore[arg-type]
                assert command is not None
                known = {option for parameter in command.params for option in parameter.opts}
                known |= {
                    option for parameter in command.params for option in parameter.secondary_opts
                }
                used = set(re.findall(r"(?<!\S)--[a-z-]+", rest))
                assert used <= known | {"--help"}, f"{line}: {used - known}"


def test_readme_names_every_command() -> None:
    for name in COMMANDS:
        assert f"`{name}`" in README, name


def test_readme_pictures_exist() -> None:
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)
    assert pictures
    for picture in pictures:
        assert (ROOT / picture).is_file(), picture


def test_top_level_is_what_the_design_says() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True
    )
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    expected = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "logger", "analysis",
        "firmware_notes", "tests", "sample_logs", "LICENSE",
    }  # fmt: skip
    assert {name for name in top if not name.startswith(".")} <= expected


def test_developers_follows_one_sample_through_files_that_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## One sample, ten lines")[1].split("\n## ")[0]
    named = re.findall(r"`((?:logger|analysis)/[\w/]+\.py)`", section)
    assert len(set(named)) >= 8
    for name in named:
        assert (ROOT / name).is_file(), name


def test_unknown_command_says_what_to_do() -> None:
    result = CliRunner().invoke(cli, ["nosuch"])
    assert result.exit_code == 2
    assert "No such command" in result.output
