"""The words of every command that serves a page: where it listens, who opens it."""

from __future__ import annotations

import argparse

from raster2path.errors import UsageError


def add_listening(command: argparse.ArgumentParser, port: int) -> None:
    """`--port` and `--no-browser`.

    Args:
        command: that gets them.
        port: where it listens by default.
    """
    command.add_argument(
        "--port", metavar="N", help=f"on this machine (default {port}, or one that is free)"
    )
    command.add_argument(
        "--no-browser",
        action="store_true",
        help="do not open the browser; open the address that is shown yourself",
    )


def port_of(words: argparse.Namespace, port: int) -> int:
    """Where to listen: as said, or at `port`, or, where that is taken, at any (0).

    Raises:
        UsageError: what was said is no port.
    """
    text: str | None = words.port
    if text is not None:
        if not text.isdecimal() or not int(text) < 65536:
            raise UsageError(f"--port {text}: expected a number from 0 to 65535")
        return int(text)
    from raster2path.bench.guard import listen

    try:
        listen(port).close()
    except UsageError:
        return 0
    return port
