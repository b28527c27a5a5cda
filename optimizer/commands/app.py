"""The command line itself: what all commands share before they are told apart."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator, Sequence
from typing import Annotated, Any

import typer
import typer.core

from optimizer import __version__
from optimizer.errors import EXIT_INTERRUPTED
from optimizer.terminal import columns, say


class _Commands(typer.core.TyperGroup):
    """The commands; Ctrl-C or the end of input at a prompt interrupts, as anywhere else."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except typer.Abort:
            say("")
            raise typer.Exit(EXIT_INTERRUPTED) from None

    def format_help(self, ctx: Any, formatter: Any) -> None:
        from optimizer.overview import overview

        formatter.write(f"{overview(columns())}\n")


app = typer.Typer(
    name="shimopt",
    cls=_Commands,
    rich_markup_mode=None,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(show: bool) -> None:
    if show:
        typer.echo(f"shimopt {__version__}")
        raise typer.Exit


@app.callback()
def _all(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show a traceback on an error.")] = False,
) -> None:
    pass


def run(words: Sequence[str]) -> None:
    """Another command, as if it had been typed."""
    with only_named(words):
        app(list(words), standalone_mode=False)


@functools.cache
def _every() -> tuple[Any, ...]:
    """All commands, as they stood before any was left out."""
    return tuple(app.registered_commands)


@contextlib.contextmanager
def only_named(words: Sequence[str]) -> Iterator[None]:
    """Leave the other commands unbuilt where one is named: their flags take longer than `undo`."""
    every, before = _every(), app.registered_commands
    first = next((word for word in words if not word.startswith("-")), None)
    named = [c for c in every if c.callback and first == (c.name or c.callback.__name__)]
    app.registered_commands = named or list(every)
    try:
        yield
    finally:
        app.registered_commands = before
