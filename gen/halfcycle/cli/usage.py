"""Faults of the command line itself, in the words of every other fault: one line each, all at once.

click stops at the first one and says it in its own style, above it the usage.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import click

from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import choice, nearest, printable
from halfcycle.cli.numbers import range_words

WHERE = "(command line)"
WORDS = "halfcycle.words"
"""Key of a context's ``meta``: the words of the command line after the command's name."""


def unknown_command(word: str, known: Sequence[str]) -> InputError:
    """What to raise if there is no command of that name."""
    return InputError([_fault(word, "there is no such command", choice(word, known))])


@contextmanager
def own_words(ctx: click.Context) -> Iterator[None]:
    """Turn click's usage errors into InputError; ``ctx``: of the group of commands."""
    try:
        yield
    except click.UsageError as error:
        raise InputError(_faults(error, error.ctx or _at_work(ctx))) from None


def _at_work(ctx: click.Context) -> click.Context:
    """The context of the command that is asked for: click does not always name it."""
    name = ctx.invoked_subcommand
    command = (
        ctx.command.get_command(ctx, name)
        if isinstance(ctx.command, click.Group) and name
        else None
    )
    return ctx if command is None else click.Context(command, info_name=name, parent=ctx)


def _faults(error: click.UsageError, ctx: click.Context) -> tuple[Fault, ...]:
    """What is wrong with the command line, at least one fault."""
    words = ctx.meta.get(WORDS, [])
    if isinstance(error, click.NoSuchOption):
        return tuple(_with_unknown_options(error, ctx, words))
    if isinstance(error, click.BadOptionUsage):
        option = _option(ctx, error.option_name)
        if option is not None:
            return (_bad_option(option, error.option_name),)
    return tuple(_of_the_words(ctx, words)) or (_other(error, ctx),)


def _fault(key: str, problem: str, remedy: str) -> Fault:
    return Fault(WHERE, printable(key), printable(problem), printable(remedy))


def _other(error: click.UsageError, ctx: click.Context) -> Fault:
    return _fault("usage", error.format_message().rstrip("."), f"see {ctx.command_path} --help")


def _no_such_option(error: click.NoSuchOption, ctx: click.Context, words: Sequence[str]) -> Fault:
    # Of -json click names -j alone, as it takes one letter after the other.
    name = error.option_name
    given = next((word for word in words if word.startswith(name)), name).partition("=")[0]
    known = [option for parameter in ctx.command.get_params(ctx) for option in parameter.opts]
    near = nearest(f"--{given.lstrip('-')}", [name for name in known if name.startswith("--")])
    remedy = f"the nearest is {near}" if near else f"{ctx.command_path} --help lists them"
    return _fault(given, "there is no such option", remedy)


def _with_unknown_options(
    error: click.NoSuchOption, ctx: click.Context, words: Sequence[str]
) -> Iterator[Fault]:
    """The faults of a command line with unknown options. What follows one may be its value, so that
    nothing is said of arguments."""
    yield _no_such_option(error, ctx, words)
    left = [word for word in words if not word.startswith(error.option_name)]
    if isinstance(ctx.command, click.Group) or len(left) == len(words):
        return
    try:
        yield from _of_the_words(ctx, left, arguments=False)
    except click.NoSuchOption as another:
        yield from _with_unknown_options(another, ctx, left)
    except click.UsageError:
        return


def _option(ctx: click.Context, name: str) -> click.Option | None:
    return next(
        (
            parameter
            for parameter in ctx.command.get_params(ctx)
            if isinstance(parameter, click.Option) and name in parameter.opts
        ),
        None,
    )


def _bad_option(option: click.Option, name: str) -> Fault:
    if option.is_flag:
        return _fault(name, "takes no value", "give the option without a value")
    return _fault(name, "its value is missing", _remedy(option, ""))


def _of_the_words(
    ctx: click.Context, words: Sequence[str], *, arguments: bool = True
) -> Iterator[Fault]:
    """The faults of words that a command's parser lets through: missing ones, bad values, too many,
    and those of the spec that they name. click's own run stopped at the first. Without
    ``arguments`` those of options alone."""
    command = ctx.command
    if isinstance(command, click.Group):
        return
    fresh = click.Context(command, info_name=ctx.info_name, parent=ctx.parent)
    given, extra, _ = command.make_parser(fresh).parse_args(list(words))
    usage = " ".join([ctx.command_path, *command.collect_usage_pieces(fresh)])
    if extra and arguments:
        problem = "is one argument too many"
        if len(extra) > 1:
            problem = f"this and what follows are {len(extra)} arguments too many"
        yield _fault(extra[0], problem, f"the usage is {usage}")
    for parameter in command.get_params(fresh):
        if parameter.is_eager or not (arguments or isinstance(parameter, click.Option)):
            continue  # --help is eager.
        try:
            parameter.handle_parse_result(fresh, given, [])
        except click.MissingParameter:
            needed = isinstance(parameter, click.Option)
            remedy = f"give {_shown(parameter)}" if needed else f"the usage is {usage}"
            if parameter.name == "name":
                remedy += f"; for example {ctx.command_path} gauge_hut"
            yield _fault(_name(parameter), "is missing", remedy)
        except click.BadParameter:
            value = given[parameter.name or ""]
            for each in value if isinstance(value, list | tuple) else [value]:
                problem = _problem(parameter, each)
                if problem:
                    yield _fault(_name(parameter), problem, _remedy(parameter, each))
    if arguments:
        yield from _of_the_spec(command, given)


def _of_the_spec(command: click.Command, given: Mapping[str, Any]) -> Iterator[Fault]:
    """The faults of the spec that is named, if a command takes one."""
    for parameter in command.params:
        value = given.get(parameter.name or "")
        is_spec = isinstance(parameter, click.Argument) and _name(parameter).upper() == "SPEC"
        if is_spec and isinstance(value, str) and value:
            from halfcycle.spec.load import load_spec  # noqa: PLC0415 (pydantic: for this alone)

            try:
                load_spec(value)
            except InputError as error:
                yield from error.faults


def _name(parameter: click.Parameter) -> str:
    """What the user knows a parameter by: its option, or SPEC."""
    if isinstance(parameter, click.Option):
        return parameter.opts[0]
    return parameter.human_readable_name


def _shown(parameter: click.Parameter) -> str:
    """A parameter as it is given: "--out DIR", or SPEC."""
    if isinstance(parameter, click.Option):
        return f"{parameter.opts[0]} {parameter.metavar or ''}".rstrip()
    return parameter.human_readable_name


def _problem(parameter: click.Parameter, value: str) -> str:
    """What is wrong with a value; "" if nothing is."""
    kind = parameter.type
    try:
        kind.convert(value, parameter, None)
    except click.BadParameter as error:
        if isinstance(kind, click.Choice):
            return f"there is no {value!r}"
        if isinstance(kind, click.IntRange):
            return _outside(kind, value)
        if isinstance(kind, click.types.FloatParamType):
            return f"{value!r} is not a number"
        return error.message.rstrip(".")
    return ""


def _outside(kind: click.IntRange, value: str) -> str:
    try:
        number = int(value)
    except ValueError:
        return f"{value!r} is not a whole number"
    low = kind.min is not None and number < kind.min
    return f"{number} is too {'small' if low else 'large'}"


def _remedy(parameter: click.Parameter, value: str) -> str:
    """What a value must be."""
    kind, name = parameter.type, _name(parameter)
    if isinstance(kind, click.Choice):
        return choice(value, kind.choices)
    if isinstance(kind, click.IntRange):
        return f"{name} must be {range_words(kind)}"
    if isinstance(kind, click.types.FloatParamType):
        return "give a number"
    return f"give {_shown(parameter)}"
