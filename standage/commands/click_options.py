"""The options of a run as the command line has them, made from `RunOptions`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import Field
from typing import Any, TypeVar

import click

from standage.commands.run_options import NO_EMERGENCE, OPTIONS, TYPES, choices_of, flag_of

Command = TypeVar("Command", bound=Callable[..., Any])


class Share(click.FloatRange):
    """A number within limits, and a number."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if number != number:  # between any two limits, for all that comparisons say
            self.fail(f"{value} is not a number.", param, ctx)
        return number


def run_option(name: str, **otherwise: Any) -> Callable[[Command], Command]:
    """The option of the command line for the field `name` of `RunOptions`; otherwise: what a
    command says differently of it.
    """
    option = next(each for each in OPTIONS if each.name == name)
    settings: dict[str, Any] = {
        "type": _click_type(option),
        "is_flag": TYPES[name] is bool,
        "default": option.default,
        "help": option.metadata["help"],
    } | otherwise
    if settings["is_flag"]:  # of a type that is named, some versions of click lose the flag
        del settings["type"]
    settings["show_default"] = settings["default"] not in (None, False)
    return click.option(flag_of(option), name, **settings)


def _click_type(option: Field[Any]) -> click.ParamType:
    kind, least, most = TYPES[option.name], option.metadata["least"], option.metadata["most"]
    if choices_of(option):
        return click.Choice(choices_of(option))
    if kind is float:
        return Share(least, most)
    if kind is int:
        return click.IntRange(least, most)
    return click.BOOL if kind is bool else click.Path()


def run_options(command: Command) -> Command:
    """Every option of `RunOptions`, in its order, and one that is refused with its reason."""
    for option in reversed(OPTIONS):
        command = run_option(option.name)(command)
    return click.option("--emergence", hidden=True, expose_value=False, callback=_refuse_emergence)(
        command
    )


def _refuse_emergence(context: click.Context, option: click.Parameter, value: Any) -> None:
    if value is not None:
        raise click.UsageError(NO_EMERGENCE)
