"""A verb called inside this process: its own option parser, its own measurement, its own JSON.

What comes back is what the verb prints with ``--json``, since the verb itself makes it, or the
sentence with which it refuses. Files are named by parameter, so that a call written down on one
machine can be made on another, where the files lie elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, get_args, get_type_hints

import typer

from clipmark.cli.app import DONE, REFUSED, application, told_of
from clipmark.cli.saving import PutOff, saving_put_off
from clipmark.cli.show import json_text, results_handed_over
from clipmark.errors import MarkError

CLIP = "clip"  # the parameter that every measuring verb calls its clip
OUTPUTS = frozenset({"trace", "chart", "picture"})  # parameters that name a file to be written
AS_JSON = "as_json"


@dataclass(frozen=True)
class Parsed:
    """A command line as its verb reads it.

    Attributes
    ----------
    verb : str
    arguments : tuple of str
        As typed, without the verb.
    paths : mapping of str to str
        Parameters that name a file or folder, as typed.
    given : mapping of str to object
        Every parameter that was typed, as JSON can hold it.
    """

    verb: str
    arguments: tuple[str, ...]
    paths: Mapping[str, str]
    given: Mapping[str, object]


@dataclass(frozen=True)
class Called:
    """What a verb gave.

    Attributes
    ----------
    status : int
        As its exit status: 0 done, 2 refused, 1 a defect.
    text : str
        The JSON object that it prints, or its sentence.
    to_save : tuple of PutOff
        Readings to be saved by the one process that writes.
    """

    status: int
    text: str
    to_save: tuple[PutOff, ...] = ()


def parse_call(verb: str, arguments: Sequence[str]) -> Parsed:
    """Read a command line without running it.

    Raises
    ------
    MarkError
        With the sentence of the option parser, when it cannot be read.
    """
    try:
        context = _context(verb, arguments)
    except Exception as error:
        sentence, status = told_of(f"clipmark {verb}", error)
        if status != REFUSED:
            raise
        raise MarkError(sentence or f"nothing was given; see clipmark {verb} --help") from error
    paths: dict[str, str] = {}
    given: dict[str, object] = {}
    named_files = _file_parameters(verb)
    for parameter in context.command.params:
        name, value = str(parameter.name), context.params.get(str(parameter.name))
        source = context.get_parameter_source(name)
        if source is None or source.name != "COMMANDLINE":
            continue
        if name in named_files:
            paths[name] = str(value)
        given[name] = _plain(value)
    return Parsed(verb, tuple(arguments), paths, given)


def call_verb(verb: str, arguments: Sequence[str], paths: Mapping[str, str]) -> Called:
    """Run a verb and take what it would print.

    Parameters
    ----------
    verb : str
        As typed after ``clipmark``.
    arguments : sequence of str
        Everything after it, ``--json`` or not.
    paths : mapping of str to str
        Where the files that parameters name lie here; others are taken as typed.

    Returns
    -------
    Called
        Whatever goes wrong is its sentence; nothing is raised but what ends the process.
    """
    name = f"clipmark {verb}"
    with results_handed_over() as results, saving_put_off() as later:
        try:
            context = _context(verb, arguments)
            context.params |= {name: Path(path) for name, path in paths.items()}
            context.params[AS_JSON] = True
            with context:
                context.command.invoke(context)
            return Called(DONE, json_text(results[-1]), tuple(later))
        except Exception as error:
            sentence, status = told_of(name, error)
            return Called(status, sentence)


def _context(verb: str, arguments: Sequence[str]) -> Any:
    command, _, below = verb.partition(" ")
    found = _command(command)
    if below:
        found = found.commands[below]
    return found.make_context(f"clipmark {verb}", list(arguments))


@cache
def _command(verb: str) -> Any:
    group: Any = typer.main.get_command(application((verb,)))
    return group.commands[verb]


@cache
def _file_parameters(verb: str) -> frozenset[str]:
    """Parameters of a verb that name a file or folder, by the types of its function."""
    run = import_module(f"clipmark.cli.{verb.replace(' ', '_')}").run
    hints = get_type_hints(run)
    return frozenset(name for name, hint in hints.items() if hint is Path or Path in get_args(hint))


def _plain(value: object) -> object:
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value if value is None or isinstance(value, (bool, int, float, str)) else str(value)
