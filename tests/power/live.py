"""A day lived through while a disk is watched: ``python -m tests.power.live FOLDER``.

What was acknowledged is added to a file beside the database, so that its place among
the writes is known.
"""

import os
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from tests.service import DATABASE, plan_demo, service

DAY = "/v1/days/2026-12-04"
ACKNOWLEDGED = "acknowledged"
FACTS = 12


def fact(number: int) -> dict[str, object]:
    """Return a fact: every third one moves stock."""
    van_id = ("mira", "hanno")[number % 2]
    named = {"id": f"fact-{number}", "at": "2026-12-04T07:50:00Z", "van_id": van_id}
    if number % 3 == 0:
        piece = {"part_id": "CELL-20", "quantity": 1}
        return {**named, "kind": "received", "parts": [piece]}
    return {**named, "kind": "late", "late_s": 60 * number}


def check_point(folder: Path) -> None:
    """Do what SQLite does by itself after a thousand pages: begin its log anew."""
    with closing(sqlite3.connect(folder / DATABASE)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)")


def live(folder: Path) -> None:
    """Load, plan and tell; open the store again in the midst of it."""
    acks = os.open(folder / ACKNOWLEDGED, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for first in (0, FACTS // 2):
        with service(folder, load=None) as s:
            if first == 0:
                plan_demo(s.desk, "live_day")
            for number in range(first, first + FACTS // 2):
                body = {"sent_at": "2026-12-04T07:50:00Z", "facts": [fact(number)]}
                answer = s.office.post(f"{DAY}/facts", json=body)
                assert answer.json()["results"][0]["result"] == "taken", answer.text
                os.write(acks, f"fact-{number}\n".encode())
                if number % 3 == 2:
                    s.work()
                    version = s.office.get(DAY).json()["plan_version"]
                    os.write(acks, f"plan {version}\n".encode())
                    check_point(folder)
    os.close(acks)


if __name__ == "__main__":
    live(Path(sys.argv[1]))
