"""The errors that a maker can act on. Each is one sentence: what was found, what to do.

`cli` catches the base class once and answers with its exit status; nothing else catches it.
"""

from enum import IntEnum

LONGEST = 600
"""Characters of a sentence; what it quotes may come from anywhere and be of any length."""


class ExitStatus(IntEnum):
    """What the command answers to the shell."""

    DONE = 0
    OUR_FAULT = 1
    USAGE = 2
    NOT_READY = 3
    UNREADABLE = 4
    UNWRITABLE = 5
    INTERRUPTED = 130


class Raster2PathError(Exception):
    """Something a maker can mend. The message is one sentence for them.

    As text it is one line that any terminal and page can show: what it quotes of others is cut
    short, and control characters and the like in it become `?`.
    """

    exit_status = ExitStatus.OUR_FAULT

    def __str__(self) -> str:
        told = super().__str__()
        if len(told) > LONGEST:
            told = f"{told[: LONGEST * 2 // 3]} … {told[-LONGEST // 4 :]}"
        return "".join(c if c.isprintable() else "?" for c in told)


class UsageError(Raster2PathError):
    """A setting makes no sense, or not together with another one."""

    exit_status = ExitStatus.USAGE


class NothingFoundError(Raster2PathError):
    """The picture was read but holds nothing to cut; nothing is written."""

    exit_status = ExitStatus.NOT_READY


class UnreadableError(Raster2PathError):
    """A picture or a job file could not be read."""

    exit_status = ExitStatus.UNREADABLE


class UnwritableError(Raster2PathError):
    """A result could not be written; what was there before is still there."""

    exit_status = ExitStatus.UNWRITABLE
