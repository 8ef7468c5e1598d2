"""README.md holds what the program does: its commands, their options, the summary columns."""

import re
import shlex
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from service.answers import summaries
from service.commands.demo_store import FILE_NAME
from service.commands.summary import SUMMARIES
from service.intake.findings import Findings
from service.intake.mapping import Mapping
from service.program import COMMANDS, main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
LINES = [
    line.split("   #")[0].strip()
    for block in BLOCKS
    for line in block.splitlines()
    if line.startswith("rifflebook ")
]


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help(name):
    """`rifflebook COMMAND --help` works for every command that is listed."""
    result = CliRunner().invoke(main, [name, "--help"])
    assert "\\b" not in result.output  # click's own sign, which is not for readers
    assert result.exit_code == 0, result.output
    assert "Usage:" in result.output


@pytest.mark.parametrize("line", LINES)
def test_commands_of_the_readme_exist(line):
    """Each command line of the README names a command, its arguments and its options."""
    words = shlex.split(line)[1:]
    command, given = main.get_command(None, words[0]), words[1:]
    assert command is not None, words[0]
    context = click.Context(command)
    while isinstance(command, click.Group):
        command, given = command.get_command(context, given[0]), given[1:]
        assert command is not None, line
    known = {name for option in command.params for name in (*option.opts, *option.secondary_opts)}
    assert {word for word in given if word.startswith("-")} <= known, line


def test_two_commands_do_all_the_setting_up():
    """Each of the first two commands makes its own environment and does one whole thing."""
    first, second = (block.strip() for block in BLOCKS[:2])
    for line, end in ((first, ".venv/bin/rifflebook demo"), (second, ".venv/bin/pytest")):
        assert "\n" not in line
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install ")
        assert line.endswith(end)


@pytest.mark.skipif(sys.platform != "linux", reason="README names the folder of Linux")
def test_readme_says_where_the_demonstration_lands(monkeypatch):
    """The folder is the one the command takes, and commands after the first can be found."""
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    folder = Path(click.get_app_dir("rifflebook")).relative_to(Path.home())
    assert f"`~/{folder}`" in README
    assert FILE_NAME in README
    assert ". .venv/bin/activate" in README.split("## With your own data")[1].split("```")[0]


def test_continuous_integration_runs_the_readme():
    """.ci/run runs the README's own test command, word for word, and is executable."""
    script = ROOT / ".ci" / "run"
    assert BLOCKS[1].strip() in script.read_text(encoding="utf-8")
    assert script.stat().st_mode & 0o111


def test_columns_of_the_readme_are_those_of_the_functions():
    """The table of summary columns is what the functions promise."""
    section = README.split("## Summaries")[1].split("\n## ")[0]
    table = dict(re.findall(r"^\| `([a-z-]+[^`]*)` \| (.+) \|$", section, re.MULTILINE))
    names = {
        "nearest-reach --per placement": "placement_reaches",
        "nearest-reach --per reach": "reach_summary",
        "sampled-length --by LIST": "sampled_length",
        "occurrence": "occurrence",
        "effort": "effort",
        "coverage": "coverage",
        "gaps": "gaps",
        "next-places --count N --within M": "next_places",
        "depletion": "depletion",
        "detection --unit reach": "detection",
        "richness": "richness",
    }
    assert set(table) == set(names)
    assert {key.split()[0] for key in table} == set(SUMMARIES)
    for key, columns in table.items():
        told = columns.split(", then ")[-1] if "sampled" in key else columns
        assert tuple(told.split(", ")) == summaries.COLUMNS[names[key]], key
    groupings = re.search(r"groupings of LIST \(([^)]+)\)", README)[1]
    assert tuple(groupings.split(", ")) == summaries.GROUPINGS


def test_mapping_of_the_readme_can_be_read(tmp_path):
    """The mapping that README shows holds no fault, and names the columns it says."""
    (shown,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    path = tmp_path / "theirs.toml"
    path.write_text(shown, encoding="utf-8")
    findings = Findings()
    read = Mapping.read(path, findings)
    assert findings.refused == []
    assert read is not None
    assert {"method", "longitude", "minutes"} <= set(read.sheets["placements"])
    assert list(read.sheets["catches"]) == ["placement_id", "species", "count"]
