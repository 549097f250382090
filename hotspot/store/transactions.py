"""One transaction at a time, repeated when the database asks for it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session
from sqlalchemy.orm.exc import StaleDataError

from hotspot.errors import StoreError
from hotspot.store.engine import is_passing, told_plainly

T = TypeVar("T")
_TRIES = 4


class Transactions:
    """Read and write transactions on one database."""

    def __init__(self, engine: Engine, *, where: str) -> None:
        self.engine = engine
        self.where = where
        self.writing = engine.execution_options(hotspot_write=True)

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session to read in."""
        with told_plainly(self.engine.url), Session(self.engine, expire_on_commit=False) as session:
            yield session

    def write(self, work: Callable[[Session], T]) -> T:
        """Run `work` in one transaction, again if the database asks for it."""
        for attempt in range(_TRIES):
            try:
                with Session(self.writing, expire_on_commit=False) as session, session.begin():
                    return work(session)
            except (DBAPIError, StaleDataError) as error:
                # Two benches adding the same new customer at once: the second finds the first's.
                again = is_passing(error) or isinstance(error, IntegrityError)
                if not again or attempt == _TRIES - 1:
                    with told_plainly(self.engine.url):
                        raise
                time.sleep(0.02 * 2**attempt)
        raise StoreError("gave up after several tries", where=self.where)
