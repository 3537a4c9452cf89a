"""Typed addresses in the service: found, asked back about, pinned.

Nothing outside is asked while a transaction is open. Which server is asked, the owner
says when the service starts; what a loaded folder names is left aside, or whoever loads
one could have any address of the network asked.
"""

from dataclasses import replace
from datetime import timedelta

from api.bodies import CallBody
from api.course import edited
from api.desk import Desk, know
from api.store import Transaction
from api.store.days import list_briefs, list_rows, put_row
from api.store.places import pins_of, set_pin
from dispatch.gazetteer import address_key
from dispatch.scenario import Finder, Locator, open_lists
from shared.errors import Fault, InvalidInput
from shared.model import Barred, Call, Place, Rule


def locator_of(desk: Desk) -> Locator:
    """Return what the service knows of addresses.

    Parameters
    ----------
    desk : Desk
        The service's.

    Returns
    -------
    Locator
        Its pins, the firm's gazetteer, and the server that the owner has named.
    """
    with desk.store.read() as transaction:
        return replace(desk.locator, pins=pins_of(transaction))


def find(desk: Desk, address: str) -> tuple[Place | Barred, Finder]:
    """Find an address.

    Parameters
    ----------
    desk : Desk
        The service's.
    address : str
        As it was typed.

    Returns
    -------
    (Place or Barred, Finder)
        Where it is, or where it may be; and who found it.
    """
    locator = locator_of(desk)
    # A list of a hundred thousand lines is read once, not for every address.
    lists = desk.cache.get(("lists", locator.gazetteer), lambda: open_lists(locator))
    finder = Finder(pins=locator.pins, lists=lists, look=locator.connect(None))
    return finder.find(address), finder


def located(desk: Desk, body: CallBody, where: str = "body") -> CallBody:
    """Return the description of a call with its place.

    Parameters
    ----------
    desk : Desk
        The service's.
    body : CallBody
        With an address, or with coordinates, which stay.
    where : str
        Where in the request it stands.

    Returns
    -------
    CallBody
        With coordinates.

    Raises
    ------
    InvalidInput
        When nobody knows where the address is, or it may mean several places: these
        are named.
    """
    if body.place.lat_deg is not None:
        return body
    found, _ = find(desk, body.place.name)
    if isinstance(found, Barred):
        choices = "; ".join(
            f"{place.name} ({place.lat_deg:.6f}, {place.lon_deg:.6f})"
            for place in found.places
        )
        expected = f"lat_deg and lon_deg of one of: {choices}"
        raise InvalidInput(
            [
                Fault(
                    file=f"{where}.place",
                    got=found.text,
                    expected=expected if choices else "its lat_deg and lon_deg",
                )
            ]
        )
    at = {"lat_deg": found.lat_deg, "lon_deg": found.lon_deg}
    return body.model_copy(update={"place": body.place.model_copy(update=at)})


def pin(
    desk: Desk, transaction: Transaction, address: str, place: Place, who: str
) -> str:
    """Say where an address is; calls that wait for that are planned anew.

    Parameters
    ----------
    desk : Desk
        The service's.
    transaction : Transaction
        That writes.
    address : str
        As it was typed.
    place : Place
        Where it is.
    who : str
        Who says so.

    Returns
    -------
    str
        The pin's id.
    """
    name = set_pin(transaction, address, place, who)
    key = address_key(address)
    yesterday = desk.clock().date() - timedelta(days=1)  # there it may still be today
    for brief in list_briefs(transaction, (yesterday, None)):
        waiting = [
            row.value
            for row in list_rows(transaction, brief.id, Call)
            if row.value.barred is not None
            and row.value.barred.rule is Rule.ADDRESS
            and address_key(row.value.place.name) == key
        ]
        if not waiting:
            continue
        known = know(desk, transaction, brief.id)
        for call in waiting:
            there = replace(place, name=call.place.name)
            put_row(transaction, brief.id, replace(call, place=there, barred=None))
            told = {"day": brief.id, "call_id": call.id}
            transaction.tell("call", told, day_id=brief.id)
        edited(transaction, known)
    return name
