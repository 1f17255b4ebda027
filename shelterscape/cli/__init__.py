"""The command line: turns options into steps, calls the runs, and reports.

Commands of processes are made from their descriptions.
"""

from __future__ import annotations

import contextlib
import copy
import importlib
import io
import json
import os
import sys
import tempfile
import traceback
from typing import Any

import click

from shelterscape import __version__
from shelterscape.address_space import refuse_too_little
from shelterscape.cli.machine import (
    ended_by_interrupt,
    machine_error,
    refuse_lost_folder,
    unreported,
)
from shelterscape.cli.plain import plain
from shelterscape.environment import use_one_linear_algebra_thread
from shelterscape.errors import InternalError, ShelterscapeError
from shelterscape.files.gdal_options import drop_gdal_settings

OTHER_COMMANDS = {
    "run": "shelterscape.cli.plans:run_command",
    "batch": "shelterscape.cli.batch_command:batch_command",
    "report": "shelterscape.cli.report_command:report_command",
    "demo": "shelterscape.cli.plans:demo_command",
    "list": "shelterscape.cli.describing:list_command",
    "describe": "shelterscape.cli.describing:describe_command",
    "check-setup": "shelterscape.cli.check_setup:check_setup_command",
}


SUMMARIES = {
    "run": "Run all steps of a plan file into one folder.",
    "batch": "Run a plan for many holdings, each in a folder of its own.",
    "report": "Write the report of a finished run as one page.",
    "demo": "Run the main job on the sample data.",
    "list": "List the processes.",
    "describe": "Describe the inputs and outputs of a process.",
    "check-setup": "Check this machine: versions, settings, write access.",
}


LIGHT_COMMANDS = {"list", "describe", "check-setup"}
"""Commands that load no large library, or that report what is wrong with the machine."""


def _with_room(command: click.Command) -> click.Command:
    """A copy that starts work with enough address space only; its help needs little."""
    work = command.callback
    assert work is not None

    def callback(**words: Any) -> Any:
        refuse_too_little()
        return work(**words)

    copied = copy.copy(command)
    copied.callback = callback
    return copied


class Commands(click.Group):
    """Commands imported on first use, so that help and errors come quickly."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Processes first, then the rest."""
        from shelterscape import registry

        return [*registry.ids(), *OTHER_COMMANDS]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, which loads no process."""
        from shelterscape import registry
        from shelterscape.cli.describing import title_of

        rows = [(name, title_of(name)) for name in registry.ids()]
        with formatter.section("Processes"):
            formatter.write_dl(rows)
        with formatter.section("Other commands"):
            formatter.write_dl([(name, SUMMARIES[name]) for name in OTHER_COMMANDS])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name; with None click reports the error."""
        from shelterscape import registry

        if cmd_name in OTHER_COMMANDS:
            module, _, attribute = OTHER_COMMANDS[cmd_name].partition(":")
            command: click.Command = getattr(importlib.import_module(module), attribute)
            return command if cmd_name in LIGHT_COMMANDS else _with_room(command)
        if cmd_name in registry.ids():
            from shelterscape.cli.process_command import broken_command, command_of

            try:
                return _with_room(command_of(registry.find(cmd_name)))
            except ShelterscapeError as error:
                return broken_command(cmd_name, error)
        return None


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="shelterscape")
def shelterscape() -> None:
    """Which ground is exposed to wind, how far tree belts shelter it, where new ones help most.

    A screening tool for people who look after land. Start with: shelterscape demo
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end with its exit code.

    0 done, 1 unexpected, 2 usage, 3 input refused, 4 could not write, 5 some holdings failed;
    129, 130 and 143 stopped by a closed terminal, Ctrl-C and a termination signal.
    """
    words = sys.argv[1:] if arguments is None else arguments
    drop_gdal_settings()
    if "numpy" not in sys.modules:
        use_one_linear_algebra_thread(os.environ)
    _make_writable("--json" in words)
    with ended_by_interrupt():
        try:
            code = _exit_code(words, "--json" in words)
        except OSError:  # there is no one to report to
            code = 4
        for stream in filter(None, (sys.stdout, sys.stderr)):
            _flush_or_close(stream)
    sys.exit(code)


def _make_writable(as_json: bool) -> None:
    """Write JSON in UTF-8, and characters that the terminal lacks as escapes."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            encoding = "utf-8" if as_json else stream.encoding
            # A closed pipe fails here already; writing to it reports that.
            with contextlib.suppress(OSError):
                stream.reconfigure(encoding=encoding, errors="backslashreplace")


def _exit_code(words: list[str], as_json: bool) -> int:
    """Run a command, report its error, and return its exit code."""
    try:
        refuse_lost_folder()
        # Outside its standalone mode click returns the exit code of a command.
        code = shelterscape.main(args=words, prog_name="shelterscape", standalone_mode=False)
    except click.ClickException as error:
        _report_error({"code": "usage", "what": error.format_message()}, as_json, error)
        return 2
    except (click.Abort, KeyboardInterrupt) as error:
        if isinstance(error.__cause__, EOFError):  # click takes it for Ctrl-D
            _report_error(_unexpected(error.__cause__), as_json)
            return 1
        return 130
    except InternalError as error:
        _report_error(_unexpected(error), as_json)
        return error.exit_code
    except ShelterscapeError as error:
        _report_error(error.fields(), as_json)
        return error.exit_code
    except BrokenPipeError:
        return 1
    except Exception as error:
        known = _known_cause(error)
        _report_error(known.fields() if known else _unexpected(error), as_json)
        return known.exit_code if known else 1
    return int(code or 0)


def _known_cause(error: Exception) -> ShelterscapeError | None:
    """The error of ours for an exception that is caused by the machine."""
    # Runs convert errors of their files; other commands write to standard output only.
    if isinstance(error, OSError) and error.filename is None:
        return unreported(error)
    return machine_error(error)


def _fault_of(stream: Any) -> OSError | None:
    """The error of a stream that cannot be written to, or is closed."""
    if stream is None:
        return OSError("closed")
    try:
        stream.flush()
    except OSError as error:
        return error
    return None


def _flush_or_close(stream: Any) -> None:
    """Write what is left, or drop it: Python would end with an error of its own."""
    if _fault_of(stream) is not None:
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


def _unexpected(error: Exception) -> dict[str, Any]:
    """Write the traceback to a file, and name the file."""
    from shelterscape.files.libraries import stray_settings

    try:
        # An unpredictable name: the temporary folder may be shared.
        handle, kept = tempfile.mkstemp(prefix="shelterscape-error-", suffix=".txt")
        with open(handle, "w", encoding="utf-8") as stream:
            stream.write("".join(traceback.format_exception(error)))
        hint = f"Please report it with the file {kept}."
    except OSError:
        hint = "Please report it."
    if stray := stray_settings():
        hint = f"Clear {', '.join(stray)} and try again: it may be the cause. {hint}"
    if isinstance(error, ShelterscapeError):
        fields = error.fields()
        return fields | {"hint": f"{fields['hint']} {hint}".strip()}
    what = f"Something unexpected happened ({type(error).__name__}: {error})."
    return {"code": "internal", "what": what, "where": "", "value": None, "hint": hint}


def _report_error(
    fields: dict[str, Any], as_json: bool, usage: click.ClickException | None = None
) -> None:
    if as_json and _fault_of(sys.stdout) is None:
        whole = {"event": "error", "code": "", "what": "", "where": "", "value": None, "hint": ""}
        try:
            click.echo(json.dumps(whole | fields, ensure_ascii=False))
            return
        except OSError:  # people may still read the error
            pass
    if isinstance(usage, click.UsageError):
        usage.show()
        return
    click.secho(f"Error: {plain(fields['what'])}", fg="red", err=True)
    for key, word in (("where", "Where"), ("value", "Found"), ("hint", "What to do")):
        if fields.get(key) not in (None, ""):
            click.echo(f"  {word}: {plain(fields[key])}", err=True)
    if fields["code"] != "usage":
        click.echo(f"  Code: {fields['code']}", err=True)
