"""Putting the verbs together, and what the shell sees when something is refused."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from functools import cache
from importlib import import_module
from typing import Annotated

import typer

from clipmark import __version__, defects
from clipmark.cli.hang_watch import ended_if_hung
from clipmark.errors import ClipmarkError

# In the order in which help shows them. A verb's module is loaded when the verb is used: what all
# of them need together takes seconds to load.
VERBS = (
    "demo",
    "start",
    "footage",
    "mark",
    "angle",
    "tilt",
    "climb",
    "crawl",
    "lens",
    "plan",
    "attempts",
    "score",
    "report",
    "audit",
    "batch",
)
DONE, DEFECT, REFUSED, INTERRUPTED = 0, 1, 2, 130


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"clipmark {__version__}")
        raise typer.Exit


def root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Angles and low-speed motion of small crawlers, measured from recorded clips."""


def application(verbs: Iterable[str] = VERBS) -> typer.Typer:
    """The command line with so many of its verbs."""
    app = typer.Typer(
        name="clipmark",
        help="Angles and low-speed motion of small crawlers, measured from recorded clips.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=False,
        rich_markup_mode="rich",
    )
    app.callback()(root)
    for verb in verbs:
        module = import_module(f"clipmark.cli.{verb}")
        if hasattr(module, "app"):  # verbs of its own
            app.add_typer(module.app, name=verb)
        else:
            app.command(verb)(module.run)
    return app


@cache
def _made(verb: str) -> typer.Typer:
    if verb == "--version":
        return application(())
    return application((verb,)) if verb in VERBS else application()


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit; never shows a traceback."""
    sys.exit(status_of(sys.argv[1:] if arguments is None else arguments))


def status_of(arguments: list[str]) -> int:
    """Run the command line on `arguments` and return its exit status."""
    verb = arguments[0] if arguments and not arguments[0].startswith("-") else ""
    name = f"clipmark {verb}".strip()
    try:
        with ended_if_hung(name, REFUSED):
            result = typer.main.get_command(_made(arguments[0] if arguments else "")).main(
                args=list(arguments), prog_name="clipmark", standalone_mode=False
            )
    except (KeyboardInterrupt, typer.Abort):
        return _say(name, "stopped; nothing half-written was left", INTERRUPTED)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except Exception as error:
        sentence, status = told_of(name, error)
        return _say(name, sentence, status) if sentence else status
    return result if isinstance(result, int) else DONE


def _say(name: str, sentence: str, status: int) -> int:
    print(f"{name}: {sentence}", file=sys.stderr)  # noqa: T201 - plain, whatever the terminal
    return status


def told_of(name: str, error: Exception) -> tuple[str, int]:
    """What an operator is told when a verb raised this, and the exit status then.

    Of a defect of clipmark itself what is needed to mend it is kept in a file.
    """
    if isinstance(error, ClipmarkError):
        return " ".join(str(error).split()), REFUSED
    if hasattr(error, "format_message"):  # a usage error of the option parser
        message = " ".join(str(error.format_message()).rstrip(".").split())
        # without a message no verb was given: its help is already on the screen
        return (f"{message}; see {name} --help" if message else ""), REFUSED
    return defects.keep(name, error), DEFECT
