"""Codes of calls: set by the office, shown to the van that needs one, then gone."""

from collections.abc import Sequence
from datetime import date, timedelta
from enum import Enum, auto
from zoneinfo import ZoneInfo

from api.course import renew_sheets
from api.desk import Desk, Store, know
from api.problems import NotAllowed, NotFound
from api.security import Principal
from api.store import Transaction
from api.store.codes import (
    Code,
    Line,
    Visit,
    coded_calls,
    drop_code,
    find_code,
    find_visit,
    knows_call,
    list_log,
    log_code,
    put_code,
)
from api.vault import Vault
from shared.facts import CALL_MOVES, CallState, FactKind
from shared.units import DayClock

# How long before and after the planned start a code is shown while nobody has said
# that the van is on its way; own choice.
EARLY_S = 1800
LATE_S = 7200
_UNDER_WAY = {CallState.DRIVING, CallState.THERE, CallState.WORKING}
_GOES = {FactKind.LEFT, FactKind.ARRIVED, FactKind.STARTED}
KEEP_DAYS = 1  # a code's day and the one after it, for visits past midnight


class _Near(Enum):
    YES = auto()
    NOT_NOW = auto()
    NOT_ITS = auto()


def set_code(
    desk: Desk,
    vault: Vault,
    who: Principal,
    call: tuple[str, str],
    code: tuple[str, str],
) -> None:
    """Keep the code of a call, sealed.

    Parameters
    ----------
    desk : Desk
        Whose store keeps it.
    vault : Vault
        That seals it.
    who : Principal
        The office.
    call : tuple of (str, str)
        Day and call.
    code : tuple of (str, str)
        What kind of code it is, and the code.

    Raises
    ------
    NotFound
        When there is no such call.
    """
    what, text = code
    sealed, name = vault.seal(text, _place(call, what))
    with desk.store.write() as transaction:
        if not knows_call(transaction, *call):
            raise NotFound("there is no such call")
        kept = Code(what=what, sealed=sealed, sealed_with=name)
        put_code(transaction, *call, kept, who.key_id)
        log_code(transaction, *call, (who.key_id, None), "set")
        _renew(desk, transaction, call)


def remove_code(desk: Desk, who: Principal, call: tuple[str, str]) -> None:
    """Delete the code of a call.

    Parameters
    ----------
    desk : Desk
        Whose store keeps it.
    who : Principal
        The office.
    call : tuple of (str, str)
        Day and call.

    Raises
    ------
    NotFound
        When it has none.
    """
    with desk.store.write() as transaction:
        if not drop_code(transaction, *call):
            raise NotFound("there is no such code")
        log_code(transaction, *call, (who.key_id, None), "removed")
        _renew(desk, transaction, call)


def _renew(desk: Desk, transaction: Transaction, call: tuple[str, str]) -> None:
    """Let the sheet of the call's van say whether there is a code."""
    visit = find_visit(transaction, *call)
    if visit is not None:
        renew_sheets(transaction, know(desk, transaction, call[0]), [visit.van_id])


def show_code(
    desk: Desk, vault: Vault, who: Principal, call: tuple[str, str]
) -> tuple[str, str]:
    """Show a code to the van that is about to need it; written down either way.

    Parameters
    ----------
    desk : Desk
        Whose store keeps it.
    vault : Vault
        That opens it.
    who : Principal
        Who asks.
    call : tuple of (str, str)
        Day and call.

    Returns
    -------
    tuple of (str, str)
        What kind of code it is, and the code.

    Raises
    ------
    NotAllowed
        When it is not a van, or not yet or no longer the time.
    NotFound
        When there is none, or the call is not this van's by the current plan.
    """
    if who.kind != "van":
        raise NotAllowed("a code is shown to the van that needs it, to nobody else")
    with desk.store.write() as transaction:
        code = find_code(transaction, *call)
        if code is None:
            raise NotFound("there is no such code")
        visit = find_visit(transaction, *call)
        near = _nearness(
            visit, who.van_id, date.fromisoformat(call[0]), transaction.now_ms
        )
        what = "shown" if near is _Near.YES else "refused"
        # Committed before anything goes out.
        log_code(transaction, *call, (who.key_id, who.van_id), what)
    if near is _Near.NOT_ITS:
        raise NotFound("there is no such code")
    if near is _Near.NOT_NOW:
        raise NotAllowed(
            "shown from half an hour before the visit or from driving there on, "
            "until the visit is over"
        )
    return code.what, vault.open(code.sealed, code.sealed_with, _place(call, code.what))


def _nearness(visit: Visit | None, van_id: str | None, day: date, now_ms: int) -> _Near:
    if visit is None or visit.van_id != van_id:
        return _Near.NOT_ITS
    state, driver = CallState.OPEN, None
    for kind, whose in visit.told:
        state = CALL_MOVES.get(FactKind(kind), {}).get(state, state)
        if kind in _GOES:
            driver = whose
    if state in _UNDER_WAY and driver == van_id:
        return _Near.YES
    start = DayClock(day, ZoneInfo(visit.zone)).instant(visit.start_s)
    ahead_s = start.timestamp() - now_ms / 1000
    open_still = state is CallState.OPEN
    return _Near.YES if open_still and -LATE_S <= ahead_s <= EARLY_S else _Near.NOT_NOW


def drop_old_codes(store: Store, today: date) -> int:
    """Delete the codes of days that are over.

    Parameters
    ----------
    store : Store
        That keeps them.
    today : date
        Today.

    Returns
    -------
    int
        How many.
    """
    until = (today - timedelta(days=KEEP_DAYS)).isoformat()
    with store.write() as transaction:
        old = coded_calls(transaction, until=until)
        for call in old:
            drop_code(transaction, *call)
            log_code(transaction, *call, ("keyround", None), "removed")
    return len(old)


def read_log(desk: Desk, limit: int, before: int | None) -> Sequence[Line]:
    """List what was done with codes.

    Parameters
    ----------
    desk : Desk
        Whose store knows it.
    limit : int
        How many lines at most.
    before : int or None
        Only lines with a lower number.

    Returns
    -------
    sequence of Line
        Latest first.
    """
    with desk.store.read() as transaction:
        return list_log(transaction, limit, before)


def _place(call: tuple[str, str], what: str) -> str:
    """Return what binds a sealed code to its call."""
    return "\n".join((*call, what))
