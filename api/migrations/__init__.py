"""How the tables came to be, step by step, with Alembic."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection

__all__ = ["migrate"]


def migrate(connection: Connection) -> None:
    """Bring a database's tables up to date.

    Parameters
    ----------
    connection : Connection
        In a transaction of its own; everything is done in it or nothing is.
    """
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
