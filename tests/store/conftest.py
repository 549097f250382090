import itertools
import os
import uuid
from datetime import UTC, datetime, timedelta

import pytest

from hotspot.store.jobs import open_store

POSTGRES = os.environ.get("HOTSPOT_TEST_POSTGRES_URL", "")


class Clock:
    """One minute a look, from a fixed time."""

    def __init__(self):
        self.ticks = itertools.count()

    def __call__(self):
        return datetime(2026, 3, 1, 9, 0, tzinfo=UTC) + timedelta(minutes=next(self.ticks))


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def url(request, tmp_path):
    """Address of an empty store on either database."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'jobs.db'}"
        return
    if not POSTGRES:
        pytest.skip("HOTSPOT_TEST_POSTGRES_URL is not set")
    import psycopg

    name = f"test_{uuid.uuid4().hex}"
    plain = POSTGRES.replace("postgresql+psycopg:", "postgresql:")  # as the driver itself has it
    with psycopg.connect(plain, autocommit=True) as server:
        server.execute(f'CREATE SCHEMA "{name}"')
        yield f"{POSTGRES}?options=-csearch_path%3D{name}"
        server.execute(f'DROP SCHEMA "{name}" CASCADE')


@pytest.fixture
def store(url, tmp_path):
    with open_store(url, files_url=str(tmp_path / "files"), clock=Clock(), bench="left") as opened:
        yield opened
