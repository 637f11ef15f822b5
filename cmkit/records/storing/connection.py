"""A database by its URL: every fault of it is one StoreError, and no password of the URL is in any message.

The one place for secrets: whoever shows a URL, or what a driver says, shows it through here.
"""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from cmkit.errors import CmkitError, StoreError

_SECRET = re.compile(r"pass|pwd|secret|token|key|credential", re.IGNORECASE)
_HIDDEN = "***"
_WAIT_S = 10  # for a server that does not answer


def parsed_url(url: str) -> sa.URL:
    """The URL in parts, PostgreSQL with its driver. StoreError (which does not repeat the text) where it is none."""
    try:
        parsed = sa.make_url(url)
    except (sa.exc.ArgumentError, ValueError):  # ValueError: a port that is no number
        raise StoreError(
            "not a database URL; wanted one such as sqlite:///fleet.db or postgresql://user@host:5432/fleet."
        ) from None
    return parsed.set(drivername="postgresql+psycopg") if parsed.drivername == "postgresql" else parsed


def shown_url(url: sa.URL) -> str:
    """A URL as text without its secrets: the password, and any parameter whose name says that it is one."""
    query = {k: _HIDDEN if _SECRET.search(k) else v for k, v in url.query.items()}
    return url.set(query=query).render_as_string(hide_password=True)


def without_secrets(text: str, url: sa.URL) -> str:
    """A driver's words without the secrets of the URL."""
    values = [url.password, *(v for k, v in url.query.items() if _SECRET.search(k))]
    for secret in (s for v in values for s in (v if isinstance(v, tuple) else (v,)) if s):
        text = text.replace(str(secret), _HIDDEN)
    return text


@contextmanager
def database(url: str, failed: str = "cannot be read", new: bool = False) -> Iterator[sa.Engine]:
    """An engine for the block, closed behind it. failed: what is said where the database gives up half-way.

    new: a SQLite file may be made; else it must be there. Raises StoreError for whatever the database or its driver
    raises.
    """
    parsed = parsed_url(url)
    engine = _engine(parsed, new)
    try:
        yield engine
    except CmkitError:
        raise
    except (sa.exc.SQLAlchemyError, UnicodeError) as error:
        raise StoreError(f"{shown_url(parsed)}: {failed} ({_reason(error, parsed)}).") from None
    finally:
        engine.dispose()


def check_place(url: str) -> None:
    """Raises StoreError where `url` cannot be written to at all, before any work is done for it; makes nothing."""
    parsed = parsed_url(url)
    file = Path(parsed.database or "")
    if parsed.get_backend_name() != "sqlite" or str(file) in (".", ":memory:") or file.exists():
        with database(url):
            return
    if not os.access(file.parent, os.W_OK):
        raise StoreError(
            f"{shown_url(parsed)}: {file.parent} is no folder one can write to; wanted a place for the file."
        )


def _engine(parsed: sa.URL, new: bool) -> sa.Engine:
    file = parsed.database or ""
    if parsed.get_backend_name() == "sqlite" and file not in ("", ":memory:") and not new and not Path(file).is_file():
        raise StoreError(f"{shown_url(parsed)}: no such file; wanted a SQLite database that is there.")
    own = parsed.get_backend_name() == "postgresql"
    settings = {"client_encoding": "utf8", "connect_timeout": _WAIT_S} if own else {}
    try:
        engine = sa.create_engine(parsed, connect_args={k: v for k, v in settings.items() if k not in parsed.query})
        with engine.connect():
            return engine
    except ModuleNotFoundError as error:
        raise StoreError(f"the driver '{error.name}' is not installed; install it (for PostgreSQL: psycopg).") from None
    except (sa.exc.SQLAlchemyError, ValueError, TypeError) as error:
        raise StoreError(
            f"{shown_url(parsed)}: cannot be reached ({_reason(error, parsed)}). Is the server running and the URL "
            f"right?"
        ) from None


def _reason(error: Exception, url: sa.URL) -> str:
    """The first line of what the driver says."""
    lines = str(getattr(error, "orig", None) or error).strip().splitlines()
    return without_secrets(lines[0] if lines else type(error).__name__, url)[:500]
