"""The `pingfix` command: finds the subcommand, and turns every refusal into a line for each fault and exit code 2."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import warnings
from contextlib import suppress
from functools import cache
from importlib import import_module

import click

from acoustics.base.errors import InputError, PingfixError, on_one_line
from acoustics.base.memory import keep_freed_memory
from acoustics.cli.options import guarded
from acoustics.cli.progress import Progress

# In the order in which a crew needs them. Modules load when used, so that --help answers at once.
_COMMANDS = (
    "new",
    "check",
    "sound-speed",
    "spacing",
    "place",
    "compare",
    "map",
    "budget",
    "stations",
    "waypoints",
    "rehearse",
    "simulate",
    "notes",
    "spectrum",
    "locate",
    "fuse",
    "validate",
    "calibrate",
    "report",
    "checklist",
    "selfcheck",
)
# None: click decides by whether a terminal is there. See no-color.org.
_COLOUR = False if os.environ.get("NO_COLOR") else None


class _Group(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in _COMMANDS:
            return None
        module = name.replace("-", "_")
        command: click.Command = getattr(import_module(f"acoustics.cli.{module}"), f"{module}_command")
        return guarded(command)


_OBJECTS_BEFORE_COLLECTING = 20_000  # peak memory is no more for it
_END_REQUESTED = threading.Event()  # by a signal


@click.group(
    cls=_Group,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="pingfix")
@click.pass_context
def pingfix(context: click.Context) -> None:
    """Plan a hydrophone array that locates a pinger: spacing, sample rate, position error.

    Before the water: start a scenario file (new), see what it implies (check), choose spacing and places (spacing,
    place, compare), see how far off the fix will be and why (map, budget), whether it picks the right station
    (stations), where to stop and listen (waypoints), and how whole runs end (rehearse). Prove an estimator on synthetic
    recordings (simulate, validate).

    In the water: begin a recording's notes (notes), see what it holds (spectrum), turn recordings into bearings
    (locate), several pings into a position (fuse), and pings of a known source into a corrected array (calibrate). For
    the review: everything on one page (report).

    Accuracy is for planning, never for anyone's safety.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def main() -> None:
    """Run the command line."""
    keep_freed_memory()
    # Looking for garbage among all that loads and stays takes a fifteenth of a short command.
    gc.set_threshold(_OBJECTS_BEFORE_COLLECTING)
    warnings.showwarning = lambda message, *_, **__: _one_line_warning(str(message))
    for name in ("SIGTERM", "SIGHUP", "SIGQUIT"):
        number = getattr(signal, name, None)  # not every system has them all
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
            signal.signal(number, _interrupt)
    try:
        code = pingfix.main(standalone_mode=False, color=_COLOUR)  # what a command exits with, or None
        if sys.stdout is not None:  # as when the shell has closed it
            sys.stdout.flush()
    except click.exceptions.Abort as abort:
        _stop(f"interrupted; {str(abort) or 'no result was written'}", 130)
    except click.UsageError as error:
        command = error.ctx.command_path if error.ctx else "pingfix"
        _stop(f"{error.format_message()} (see {command} --help)", 2)
    except click.ClickException as error:
        _stop(error.format_message(), 2)
    except InputError as error:
        *others, last = error.lines
        for line in others:
            _say(line)
        _stop(last, 2)
    except PingfixError as error:
        _stop(str(error), 2)
    except BrokenPipeError:
        _discard_output()  # the reader of a pipe has gone; there is nobody left to tell
        sys.exit(1)
    except OSError as error:
        _discard_output()
        _stop(f"{error.filename or 'output'}: cannot be written or read: {(error.strerror or str(error)).lower()}", 2)
    except Exception:
        # An extension module that was just being loaded makes an error of its own of the interrupt.
        if not _END_REQUESTED.is_set():
            raise
        _stop("interrupted; no result was written", 130)
    sys.exit(code)


def _interrupt(*_: object) -> None:
    """A request to end is as good as an interrupt from the keyboard: what is half-written goes."""
    _END_REQUESTED.set()
    raise click.exceptions.Abort


def _discard_output() -> None:
    """Let what is still to be flushed to standard output go nowhere, so that Python does not complain at its end."""
    with suppress(OSError):  # of a stand-in for standard output
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _stop(line: str, code: int) -> None:
    _say(line)
    sys.exit(code)


def _say(line: str) -> None:
    Progress.end()
    click.echo(f"{click.style('pingfix:', fg='red', bold=True)} {on_one_line(line)}", err=True, color=_COLOUR)


@cache
def _one_line_warning(message: str) -> None:
    """Say a warning, and say it once: studies come by the same place many times."""
    click.echo(f"{click.style('pingfix: warning:', fg='yellow')} {on_one_line(message)}", err=True, color=_COLOUR)


if __name__ == "__main__":
    main()
