"""What several commands share: options for the engine and the language, and a look at what may be written."""

import functools
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from injsound.errors import ParameterError
from injsound.languages import Language

if TYPE_CHECKING:
    from injsound.engine import Engine
    from injsound.show.text import Words


LANGUAGE_VARIABLE = "INJSOUND_LANGUAGE"
# What a picture's name ends in.
PICTURES = (".png", ".svg")
# What may be given beside a case, and where in its file stands what may not.
_BESIDE_CASE = frozenset({"folder", "what", "picture", "force", "words"})
_IN_CASE = {
    "rpm": "rpm = 1500 under its [[recording]]",
    "cylinder": "cylinder = 2 under its [[recording]], or under [repair]",
    "cylinders": "cylinders = 4 under [engine]",
    "firing_order": 'firing_order = "1-3-4-2" under [engine]',
    "firing_angles": "firing_angles = [0, 90, 240, 330, 480, 570] under [engine]",
    "injection": 'injection = "batch" under [engine]',
    "pair": "cylinder = 2 under each [[recording]]",
    "exchanged": "injector and connector labels under each [[recording]]",
    "restarts": "faulty = 3 and made = 5 under [restarts]",
    "clean": "clean_since = 5 under [restarts]",
    "leaks_checked": "leaks = true under [checks]",
    "moved": "moved = [[8, 16], ...] under its [[recording]]",
}


class Number(click.ParamType):  # type: ignore[type-arg]  # generic in later versions of click only
    """A number of an option; what is none is told with one that could be.

    Parameters
    ----------
    kind : type
        ``float`` or ``int``.
    example : float
        One that makes sense there.
    """

    def __init__(self, kind: type[float] | type[int], example: float) -> None:
        self.kind, self.example = kind, example
        self.name = "integer" if kind is int else "float"  # stands in the help

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number.

        Parameters
        ----------
        value : str or number
            As typed, or a default.
        param : click.Parameter or None
            The option.
        ctx : click.Context or None
            Of the command.

        Returns
        -------
        float or int
            Whatever it is; what it may be is told where it is used.

        Raises
        ------
        click.UsageError
            If it is none.
        """
        try:
            return self.kind(value)
        except ValueError:
            named = "the number" if param is None else param.opts[0]
            whole = "a whole number" if self.kind is int else "a number"
            raise click.UsageError(f"{named} is {value!r}; expected {whole} such as {self.example:g}.", ctx) from None


class Name(click.Path):
    """A file's or folder's name; an empty one, which the system takes for the folder one is in, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The name.

        Parameters
        ----------
        value : str or path
            As typed.
        param : click.Parameter or None
            The option or argument.
        ctx : click.Context or None
            Of the command.

        Returns
        -------
        str or path
            The same.

        Raises
        ------
        click.UsageError
            If it is empty, or a folder's where a file is meant, or the other way round.
        """
        if not str(value):
            named = param.opts[0] if isinstance(param, click.Option) else "an argument"
            raise click.UsageError(f"{named} is an empty name; expected a file's or a folder's: check the quotes.", ctx)
        return super().convert(value, param, ctx)


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What was typed of the engine.

    Parameters
    ----------
    rpm : float or None
        Its speed [1/min].
    injection : str
        "sequential" or "batch".
    cylinders, cylinder : int or None
        How many, and whose injector was recorded.
    firing_order : str or None
        Such as "1-5-3-6-2-4".
    firing_angles : str or None
        Of an engine that fires unevenly, in the order of firing, such as "0,90,240,330,480,570" [degrees of 720].

    Raises
    ------
    ParameterError
        If no engine turns at that speed.
    """

    rpm: float | None
    injection: str
    cylinders: int | None
    cylinder: int | None
    firing_order: str | None
    firing_angles: str | None

    def __post_init__(self) -> None:
        from injsound.engine import check_rpm

        if self.rpm is not None:
            check_rpm(self.rpm)

    def engine(self, *, cylinders: int | None = None) -> "Engine":
        """Make the engine of it.

        Parameters
        ----------
        cylinders : int or None
            How many where nothing says so.

        Returns
        -------
        Engine
            What is known.

        Raises
        ------
        ParameterError
            If it cannot be.
        """
        from injsound.engine import Engine, Injection, parse_firing_order

        typed = self.firing_order
        order = None if typed is None else parse_firing_order(typed, cylinders=self.cylinders)
        count = self.cylinders if self.cylinders is not None else cylinders if order is None else None
        injection = Injection(self.injection)
        return Engine(
            cylinders=count,
            cylinder=self.cylinder,
            firing_order=order,
            firing_angles=None if self.firing_angles is None else _angles(self.firing_angles),
            injection=injection,
        )


def _angles(text: str) -> tuple[float, ...]:
    """Firing angles as typed; whether they are possible is told where they are used."""
    try:
        return tuple(float(part) for part in text.replace(",", " ").split())
    except ValueError:
        raise ParameterError(f"--firing-angles is {text!r}; expected degrees such as 0,90,240,330,480,570") from None


def engine_options(command: Any) -> Any:
    """Options that say what is known of the engine.

    Parameters
    ----------
    command : callable
        A click command's function with a parameter ``typed``.

    Returns
    -------
    callable
        The same with the options.
    """
    return engine_options_without()(command)


def engine_options_without(*unfit: str) -> Callable[[Any], Any]:
    """As `engine_options`, some of them not offered: the command refuses them and says where they belong.

    Parameters
    ----------
    *unfit : str
        Such as "--cylinder".

    Returns
    -------
    callable
        Adds the options to a command's function.
    """
    settings: dict[str, dict[str, Any]] = {
        "--rpm": {"type": Number(float, 750), "help": "Engine speed by the tachometer or scan tool."},
        "--injection": {
            "type": click.Choice(["sequential", "batch"]),
            "default": "sequential",
            "show_default": True,
            "help": "Each injector once per cycle, or once per revolution with its partners.",
        },
        "--cylinders": {"type": Number(int, 4), "help": "How many cylinders the engine has."},
        "--cylinder": {"type": Number(int, 2), "help": "Whose injector was recorded, counted from 1."},
        "--firing-order": {"help": "Such as 1-5-3-6-2-4."},
        "--firing-angles": {"help": "Of an engine that fires unevenly, in that order: 0,90,240,330,480,570."},
    }

    def add(command: Any) -> Any:
        @functools.wraps(command)
        def with_typed(*args: Any, **given: Any) -> Any:
            typed = Typed(**{field.name: given.pop(field.name) for field in fields(Typed)})
            return command(*args, typed=typed, **given)

        optioned = with_typed
        for name, setting in reversed(settings.items()):
            optioned = click.option(name, hidden=name in unfit, **setting)(optioned)
        return optioned

    return add


def refuse_beside_case(context: click.Context, folder: str) -> None:
    """Say of an option that a case would leave aside where it belongs in the case's file.

    Parameters
    ----------
    context : click.Context
        Of a command that was given a case.
    folder : str
        The case.

    Raises
    ------
    ParameterError
        If one was typed.
    """
    for option in context.command.params:
        name = str(option.name)
        if name not in _BESIDE_CASE and context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            raise ParameterError(
                f"{option.opts[0]} belongs to recordings given by name; {folder} is a case: write "
                f"{_IN_CASE[name]} in its case.toml"
            )


def language_option(command: Any) -> Any:
    """Option for the language; the command gets the words themselves.

    Parameters
    ----------
    command : callable
        A click command's function with a parameter ``words``.

    Returns
    -------
    callable
        The same with the option.
    """
    return click.option(
        "--language",
        "words",
        type=click.Choice([language.value for language in Language]),
        default=Language.ENGLISH.value,
        show_default=True,
        envvar=LANGUAGE_VARIABLE,
        show_envvar=True,
        callback=_words,
        help="Language of what is said.",
    )(command)


def _words(_context: click.Context, _option: click.Parameter, language: str) -> "Words":
    from injsound.show.text import Words

    return Words(Language(language))


def force_option(command: Any) -> Any:
    """Option that lets files be overwritten.

    Parameters
    ----------
    command : callable
        A click command's function with a parameter ``force``.

    Returns
    -------
    callable
        The same with the option.
    """
    return click.option("--force", is_flag=True, help="Overwrite files that exist.")(command)


def may_write(targets: Sequence[Path], force: bool, *, read: Sequence[str | Path] = ()) -> None:
    """Say before the long work what could not be written after it.

    Parameters
    ----------
    targets : sequence of Path
        Files to be written.
    force : bool
        Whether existing ones may be overwritten.
    read : sequence of path
        Files that may not be, whatever is said.

    Raises
    ------
    ParameterError
        If one exists, is read, is another target as well, or its folder may not be written to.
    """
    from injsound.files import keep_apart

    keep_apart(targets, read)
    for target in targets:
        if target.is_dir():
            raise ParameterError(f"cannot write {target}: it is a folder; expected a file's name: name a file in it")
        if target.exists() and not force:
            raise ParameterError(f"{target} exists; give --force to overwrite it or name another")
        folder = target.parent
        while not folder.exists() and folder != folder.parent:  # a drive that is not there has no parent
            folder = folder.parent
        if not folder.is_dir() or not os.access(folder, os.W_OK):
            raise ParameterError(
                f"cannot write {target}: {folder} is not a folder that may be written to; name another"
            )
