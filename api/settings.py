"""What the service is told when it starts."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the service runs.

    Parameters
    ----------
    folder : Path
        Where the SQLite file and the key of the codes lie.
    database : str
        URL of another database; empty: a SQLite file in ``folder``.
    roads : str
        An extract, a built road network or the address of a service; empty: straight
        lines.
    """

    folder: Path
    database: str = ""
    roads: str = ""

    @property
    def url(self) -> str:
        """The database's URL.

        Returns
        -------
        str
            As :func:`api.store.open_store` takes it.
        """
        return self.database or f"sqlite:///{self.folder / 'keyround.db'}"


def usual_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Return where the service keeps its files unless it is told otherwise.

    Parameters
    ----------
    environment : mapping of str to str, optional
        The process's.

    Returns
    -------
    Path
        In the user's folder for programs' data.
    """
    data = environment.get("XDG_DATA_HOME") or Path.home() / ".local" / "share"
    return Path(data) / "keyround"
