"""The command line, run within the process of a test."""

import click
from click.testing import CliRunner, Result

from service.program import main


def run(*arguments: object, command: click.Command = main) -> Result:
    """Run `rifflebook` with arguments, or one of its commands; its result, whatever it is."""
    return CliRunner().invoke(command, [str(argument) for argument in arguments])


def done(*arguments: object) -> Result:
    """Run it, and make sure that it succeeds."""
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return result
