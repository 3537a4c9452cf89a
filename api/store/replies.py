"""Answers to requests that made something, for those who send them again."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import replies

KEPT_MS = 24 * 3600 * 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """An answer.

    Parameters
    ----------
    route, digest : str
        Of the request: what was asked, and the digest of its body.
    status : int
        Of the answer.
    headers : mapping of str to str
        Those that matter.
    body : bytes
        As it was sent.
    """

    route: str
    digest: str
    status: int
    headers: Mapping[str, str]
    body: bytes


def add_reply(transaction: Transaction, who: str, key: str, reply: Reply) -> None:
    """Write an answer down.

    Parameters
    ----------
    transaction : Transaction
        That made what it tells of.
    who, key : str
        Who asked, and with which key.
    reply : Reply
        The answer.
    """
    transaction.connection.execute(
        sa.insert(replies).values(
            who=who,
            key=key,
            route=reply.route,
            digest=reply.digest,
            status=reply.status,
            headers=json.dumps(dict(reply.headers)),
            body=reply.body,
            at_ms=transaction.now_ms,
        )
    )


def find_reply(transaction: Transaction, who: str, key: str) -> Reply | None:
    """Find the answer to a request.

    Parameters
    ----------
    transaction : Transaction
        That writes: answers that are too old are let go of.
    who, key : str
        Who asked, and with which key.

    Returns
    -------
    Reply or None
        ``None``: it was not asked before.
    """
    trim_replies(transaction)
    row = transaction.connection.execute(
        sa.select(replies).where(replies.c.who == who, replies.c.key == key)
    ).one_or_none()
    if row is None:
        return None
    return Reply(
        route=row.route,
        digest=row.digest,
        status=row.status,
        headers=json.loads(row.headers),
        body=row.body,
    )


def trim_replies(transaction: Transaction) -> None:
    """Let go of answers that are too old: they may name customers.

    Parameters
    ----------
    transaction : Transaction
        That writes.
    """
    old_ms = transaction.now_ms - KEPT_MS
    transaction.connection.execute(sa.delete(replies).where(replies.c.at_ms < old_ms))
