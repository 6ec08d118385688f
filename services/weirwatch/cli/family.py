"""A family of commands in its help: each command with its whole first sentence, never cut off."""

from typing import Any

from typer.core import TyperGroup

_WHOLE = 1000  # characters: no first sentence is as long, so that none is cut


class Family(TyperGroup):
    """Lists its commands as the framework does, and wraps what does not fit into a line."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list."""
        rows = [
            (name, command.get_short_help_str(_WHOLE))
            for name in self.list_commands(ctx)
            if (command := self.get_command(ctx, name)) is not None and not command.hidden
        ]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)
