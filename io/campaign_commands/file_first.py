"""The group of commands that stand behind FILE."""

from __future__ import annotations

import click

__all__ = ["FileFirst"]


class FileFirst(click.Group):
    """A group behind FILE that says so when a command stands before it."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command, or say that FILE comes first."""
        file = str(ctx.params.get("file", ""))
        if args and args[0] not in self.commands and file in self.commands:
            words = ["FILE", file, *args] if args[0].startswith("-") else [args[0], file, *args[1:]]
            written = " ".join(["oretally campaign", *words])
            raise click.UsageError(f"FILE comes first: {written}", ctx)
        return super().resolve_command(ctx, args)
