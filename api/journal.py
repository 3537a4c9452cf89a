"""What the service writes down about itself: one JSON object a line, nobody's data.

A message is a fixed text; what varies goes into ``facts`` and is ids, counts and times.
Of an error only its type and where it happened are written: its words may name people.
"""

import json
import logging
import logging.config
import traceback
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

LOG = logging.getLogger("keyround")
# Their messages are about the server itself. Of others', only that there was one.
_SPOKEN = ("keyround", "uvicorn", "alembic")


class Journal(logging.Formatter):
    """Formats records as JSON, one a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return a record as it is written.

        Parameters
        ----------
        record : LogRecord
            Any.

        Returns
        -------
        str
            A JSON object on one line.
        """
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(
                timespec="milliseconds"
            ),
            "level": record.levelname.lower(),
            "from": record.name,
        }
        if record.name.partition(".")[0] in _SPOKEN:
            line["event"] = record.getMessage().strip()
        line |= getattr(record, "facts", {})
        if record.exc_info and record.exc_info[1] is not None:
            line["error"] = _trace(record.exc_info[1])
        return json.dumps(line, ensure_ascii=False)


def _trace(error: BaseException) -> list[dict[str, object]]:
    """Return an error and what caused it: types and places, no words."""
    chain: list[dict[str, object]] = []
    cause: BaseException | None = error
    while cause is not None:
        frames = traceback.extract_tb(cause.__traceback__)
        chain.append(
            {
                "type": type(cause).__qualname__,
                "at": [
                    f"{'/'.join(Path(each.filename).parts[-2:])}:{each.lineno}"
                    for each in frames
                ],
            }
        )
        cause = cause.__cause__ or cause.__context__
    return chain


def say(event: str, level: int = logging.INFO, **facts: object) -> None:
    """Write one line.

    Parameters
    ----------
    event : str
        A fixed text.
    level : int, optional
        As in :mod:`logging`.
    **facts : object
        Ids, counts, times; nobody's data.
    """
    LOG.log(level, event, extra={"facts": facts})


def set_up(environment: Mapping[str, str]) -> None:
    """Write everything to stderr from now on.

    Parameters
    ----------
    environment : mapping of str to str
        The process's; ``KEYROUND_LOG`` may name a level, by default ``info``.
    """
    level = environment.get("KEYROUND_LOG", "info").upper()
    logging.config.dictConfig(
        {
            "version": 1,
            "disable_existing_loggers": False,
            "formatters": {"journal": {"()": Journal}},
            "handlers": {
                "stderr": {"class": "logging.StreamHandler", "formatter": "journal"}
            },
            "root": {
                "handlers": ["stderr"],
                "level": level
                if level in logging.getLevelNamesMapping()
                else logging.INFO,
            },
        }
    )
