"""Where typed addresses are: found, asked back about, pinned by hand."""

from datetime import UTC, datetime

from fastapi import APIRouter, Request, Response

from api.answers import SIGNED_IN, refusals
from api.bodies import AddressBody, FoundView, PinBody, PinView, PlaceBody
from api.places import find, pin
from api.problems import NotFound, Slug
from api.routers.days import MAKES
from api.routers.exchange import (
    JSON,
    After,
    Done,
    IdempotencyKey,
    Limit,
    Office,
    TheDesk,
    a_page_of,
    as_bytes,
    once,
    page,
)
from api.store import Transaction
from api.store.places import Pin, drop_pin, list_pins
from dispatch.gazetteer import address_key
from shared.errors import Fault, InvalidInput
from shared.model import Barred, Place

router = APIRouter(tags=["places"])


@router.post(
    "/v1/places",
    summary="Find where an address is",
    response_model=FoundView,
    responses=refusals(
        *SIGNED_IN, Slug.INVALID_INPUT, Slug.WRONG_MEDIA, Slug.TOO_LARGE
    ),
)
def find_place(body: AddressBody, who: Office, desk: TheDesk) -> Response:
    """Find an address; where it may mean several places, these are the candidates."""
    del who
    found, finder = find(desk, body.address)
    if isinstance(found, Barred):
        view = FoundView(
            place=None,
            candidates=tuple(map(_body, found.places)),
            words=f"{found.text}: {found.remedy}",
            credit="",
        )
    else:
        view = FoundView(
            place=_body(found),
            candidates=(),
            words="; ".join(finder.notices),
            credit="; ".join(finder.credits),
        )
    headers = {"Cache-Control": "no-store"}
    return Response(as_bytes(view), media_type=JSON, headers=headers)


def _body(place: Place) -> PlaceBody:
    name = place.name[:200]
    return PlaceBody(name=name, lat_deg=place.lat_deg, lon_deg=place.lon_deg)


@router.get(
    "/v1/pins",
    summary="List the addresses that were pinned by hand",
    responses={**refusals(*SIGNED_IN, Slug.INVALID_INPUT), **a_page_of(PinView)},
)
def show_pins(
    who: Office, desk: TheDesk, limit: Limit = 50, after: After = ""
) -> Response:
    """List the pins."""
    del who
    with desk.store.read() as transaction:
        pins = sorted(list_pins(transaction), key=lambda each: each.id)
    return page(pins, lambda each: each.id, _view, limit, after)


def _view(pinned: Pin) -> PinView:
    return PinView(
        id=pinned.id,
        address=pinned.address,
        lat_deg=pinned.place.lat_deg,
        lon_deg=pinned.place.lon_deg,
        set_by=pinned.set_by,
        set_at=datetime.fromtimestamp(pinned.set_ms / 1000, UTC),
    )


@router.post(
    "/v1/pins",
    status_code=201,
    summary="Pin an address: it is there from now on",
    response_model=PinView,
    responses=refusals(*SIGNED_IN, Slug.INVALID_INPUT, *MAKES, Slug.MOVED_ON),
)
def set_place(
    request: Request,
    body: PinBody,
    who: Office,
    desk: TheDesk,
    idempotency_key: IdempotencyKey = None,
) -> Response:
    """Pin an address; calls whose address nobody knew are planned with it."""
    del idempotency_key
    if not address_key(body.address):
        expected = "an address with letters or digits"
        got = f"'{body.address}'"
        raise InvalidInput([Fault(file="body.address", got=got, expected=expected)])
    place = Place(lat_deg=body.lat_deg, lon_deg=body.lon_deg, name=body.address)

    def make(transaction: Transaction) -> Done:
        name = pin(desk, transaction, body.address, place, who.key_id)
        (made,) = (each for each in list_pins(transaction) if each.id == name)
        return Done(value=_view(made))

    return once(request, desk, who, body, make)


@router.delete(
    "/v1/pins/{pin}",
    status_code=204,
    summary="Take a pin back",
    responses=refusals(*SIGNED_IN, Slug.INVALID_INPUT, Slug.NOT_FOUND),
)
def take_back(pin: str, who: Office, desk: TheDesk) -> Response:
    """Take a pin back: the address is looked up again; planned calls stay."""
    del who
    with desk.store.write() as transaction:
        if not drop_pin(transaction, pin):
            raise NotFound("there is no such pin")
    return Response(status_code=204)
