"""How many there are of what the service counts."""

import sqlalchemy as sa

from api.store.engine import Transaction
from api.tables import jobs, keys


def count_jobs(transaction: Transaction) -> dict[str, int]:
    """Count jobs by state.

    Parameters
    ----------
    transaction : Transaction
        Any.

    Returns
    -------
    dict of str to int
        Only states that some job is in.
    """
    query = sa.select(jobs.c.state, sa.func.count()).group_by(jobs.c.state)
    return {row[0]: row[1] for row in transaction.connection.execute(query)}


def count_sessions(transaction: Transaction) -> dict[str, int]:
    """Count sessions that are good by kind.

    Parameters
    ----------
    transaction : Transaction
        Any.

    Returns
    -------
    dict of str to int
        Of the office and of vans.
    """
    query = (
        sa.select(keys.c.kind, sa.func.count())
        .where(
            keys.c.kind != "secret",
            keys.c.revoked_ms.is_(None),
            sa.or_(keys.c.expires_ms.is_(None), keys.c.expires_ms > transaction.now_ms),
        )
        .group_by(keys.c.kind)
    )
    return {row[0]: row[1] for row in transaction.connection.execute(query)}
