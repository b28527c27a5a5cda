"""The command line itself: what all commands share before they are told apart."""

from __future__ import annotations

import contextlib
import importlib
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


# the modules beside this one, and the commands that each puts on the shelf
HOMES = {
    "answers": ("check", "curves", "next", "tradeoff", "axle"),
    "files": ("demo", "new", "import", "enter", "undo"),
    "kit": ("kit",),
    "papers": ("brief", "sheet"),
}
shelf = typer.Typer()
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
        app(list(words), standalone_mode=False, prog_name="shimopt")


def every_command() -> tuple[Any, ...]:
    """All commands, whatever was called."""
    for home in HOMES:
        importlib.import_module(f"optimizer.commands.{home}")
    return tuple(shelf.registered_commands)


@contextlib.contextmanager
def only_named(words: Sequence[str]) -> Iterator[None]:
    """Load and build the command that is named alone: all of them take longer than `undo`."""
    first = next((word for word in words if not word.startswith("-")), None)
    home = next((home for home, names in HOMES.items() if first in names), None)
    if home is None:
        named = list(every_command())
    else:
        importlib.import_module(f"optimizer.commands.{home}")
        held = shelf.registered_commands
        named = [c for c in held if c.callback and first == (c.name or c.callback.__name__)]
    before, app.registered_commands = app.registered_commands, named
    try:
        yield
    finally:
        app.registered_commands = before
