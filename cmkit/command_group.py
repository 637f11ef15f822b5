"""How a command ends and what it prints: errors in one message, a stop that tidies up, text of files without marks a
terminal would obey.
"""

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import click

from cmkit.errors import CmkitError

_LONGEST = 2000  # characters of one message


class CommandGroup(click.Group):
    """Prints an error raised on purpose as one message, without a traceback, and ends with code 2 (nothing was
    started).

    A stop by Ctrl-C ends with code 130, one by the system (SIGTERM) with 143, as is usual; both tidy up behind them.
    """

    def invoke(self, ctx: click.Context) -> None:
        try:
            with _stopped_by_system():
                super().invoke(ctx)
        except CmkitError as error:
            click.echo(f"cmkit: {shown(error)}", err=True)
            sys.exit(2)
        except BrokenPipeError:
            raise
        except KeyboardInterrupt as stop:
            click.echo("\ncmkit: stopped. What was there before stands; run the command again to go on.", err=True)
            sys.exit(143 if isinstance(stop, _Terminated) else 130)
        except OSError as error:  # a folder that cannot be written, a full disk
            click.echo(
                f"cmkit: {shown(error.filename or 'a file')}: {error.strerror or error}; nothing more was done.",
                err=True,
            )
            sys.exit(2)


class _Terminated(KeyboardInterrupt):
    """The system asked the process to end."""


@contextmanager
def _stopped_by_system() -> Iterator[None]:
    """SIGTERM as an exception, so that what is on its way is removed; a process forked from this one (a kernel) ends as
    is usual.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    own = os.getpid()

    def stop(*_: object) -> None:
        if os.getpid() != own:
            os._exit(143)
        raise _Terminated

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def shown(text: object) -> str:
    """What a file says, for a terminal: no marks that it would obey, and no endless line."""
    plain = "".join(c if c.isprintable() or c == "\n" else " " for c in str(text))
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST // 2]} … {plain[-_LONGEST // 2 :]}"


def say(text: str) -> None:
    """Lines for a terminal, each on its own, so that many are no endless one."""
    click.echo("\n".join(map(shown, text.splitlines())))
