"""Every error as problem details (RFC 9457): one body, all faults at once.

Errors that only the edge knows are defined here; the others are in
:mod:`shared.errors`.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from http import HTTPStatus

from shared.errors import (
    Conflict,
    Fault,
    InvalidInput,
    KeyroundError,
    Overtaken,
    Unavailable,
)


class NotFound(KeyroundError):  # noqa: N818 - the house's words
    """There is no such thing, or it is somebody else's: nobody can tell which."""


class SignedOut(KeyroundError):  # noqa: N818
    """Nobody is signed in."""


class NotAllowed(KeyroundError):  # noqa: N818
    """Who asks may not do this."""


class Changed(KeyroundError):  # noqa: N818
    """It is no longer as the one who changes it has seen it."""


class PreconditionNeeded(KeyroundError):  # noqa: N818
    """A change has to say, with If-Match, what it changes."""


class KeyNeeded(KeyroundError):  # noqa: N818
    """A request that makes something has to bring an Idempotency-Key."""


class KeyReused(KeyroundError):  # noqa: N818
    """An Idempotency-Key came back with another request."""


class TooMany(KeyroundError):  # noqa: N818
    """Too many requests in a short time.

    Parameters
    ----------
    retry_s : int
        After how many seconds one may come back.
    """

    def __init__(self, retry_s: int) -> None:
        self.retry_s = retry_s
        super().__init__("too many requests in a short time")


class Slug(StrEnum):
    """Names of problems; ``/v1/problems/NAME`` says what each means."""

    INVALID_INPUT = "invalid-input"
    KEY_NEEDED = "key-needed"
    KEY_REUSED = "key-reused"
    SIGNED_OUT = "signed-out"
    NOT_ALLOWED = "not-allowed"
    NOT_FOUND = "not-found"
    WRONG_METHOD = "wrong-method"
    MOVED_ON = "moved-on"
    CHANGED = "changed"
    PRECONDITION_NEEDED = "precondition-needed"
    TOO_LARGE = "too-large"
    WRONG_MEDIA = "wrong-media"
    TOO_MANY = "too-many"
    BAD_REQUEST = "bad-request"
    DEFECT = "defect"
    UNAVAILABLE = "unavailable"


MEANINGS = {
    Slug.INVALID_INPUT: (422, "The request is wrong; every fault is listed."),
    Slug.KEY_NEEDED: (400, "Send an Idempotency-Key with what makes something."),
    Slug.KEY_REUSED: (422, "This Idempotency-Key was sent with another request."),
    Slug.SIGNED_OUT: (401, "Sign in first."),
    Slug.NOT_ALLOWED: (403, "You may not do this."),
    Slug.NOT_FOUND: (404, "There is no such thing."),
    Slug.WRONG_METHOD: (405, "This cannot be done with it."),
    Slug.MOVED_ON: (409, "The request was right, but the day has moved on."),
    Slug.CHANGED: (412, "It has changed: fetch it again, then change it."),
    Slug.PRECONDITION_NEEDED: (428, "Say with If-Match what you have seen."),
    Slug.TOO_LARGE: (413, "The request is too large."),
    Slug.WRONG_MEDIA: (415, "Send JSON."),
    Slug.TOO_MANY: (429, "Too many requests in a short time."),
    Slug.BAD_REQUEST: (400, "The request cannot be read."),
    Slug.DEFECT: (500, "The service is wrong, not the request."),
    Slug.UNAVAILABLE: (503, "Something the service needs does not answer."),
}
"""Status and title of each problem."""

_STATUSES = {
    401: Slug.SIGNED_OUT,
    403: Slug.NOT_ALLOWED,
    404: Slug.NOT_FOUND,
    405: Slug.WRONG_METHOD,
    413: Slug.TOO_LARGE,
    415: Slug.WRONG_MEDIA,
    503: Slug.UNAVAILABLE,
}

_ERRORS: dict[type[KeyroundError], Slug] = {
    InvalidInput: Slug.INVALID_INPUT,
    Conflict: Slug.MOVED_ON,
    Overtaken: Slug.MOVED_ON,
    Unavailable: Slug.UNAVAILABLE,
    NotFound: Slug.NOT_FOUND,
    SignedOut: Slug.SIGNED_OUT,
    NotAllowed: Slug.NOT_ALLOWED,
    Changed: Slug.CHANGED,
    PreconditionNeeded: Slug.PRECONDITION_NEEDED,
    KeyNeeded: Slug.KEY_NEEDED,
    KeyReused: Slug.KEY_REUSED,
    TooMany: Slug.TOO_MANY,
}

RETRY_S = 2  # after which one may ask again what did not answer; own choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """An error as it goes out.

    Parameters
    ----------
    slug : Slug
        Which.
    detail : str
        Plain words about this case.
    faults : tuple of (str, str, str)
        Where, what was got, what would be right.
    headers : dict of str to str
        Headers that go with it.
    """

    slug: Slug
    detail: str = ""
    faults: tuple[tuple[str, str, str], ...] = ()
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def status(self) -> int:
        """The HTTP status.

        Returns
        -------
        int
            The one that is sent.
        """
        return MEANINGS[self.slug][0]

    def body(self) -> dict[str, object]:
        """Return the members of the document.

        Returns
        -------
        dict of str to object
            As RFC 9457 has them, with ``faults`` where there are some.
        """
        body: dict[str, object] = {
            "type": f"/v1/problems/{self.slug}",
            "title": MEANINGS[self.slug][1],
            "status": self.status,
            "detail": self.detail,
        }
        if self.faults:
            names = ("where", "got", "expected")
            body["faults"] = [
                dict(zip(names, each, strict=True)) for each in self.faults
            ]
        return body


def problem_of(error: Exception) -> Problem:
    """Return an error as a problem.

    Parameters
    ----------
    error : Exception
        Any.

    Returns
    -------
    Problem
        What is not known is a defect, about whose inside nothing is said.
    """
    slug = _ERRORS.get(type(error)) if isinstance(error, KeyroundError) else None
    if slug is None:
        return Problem(slug=Slug.DEFECT, detail="it has been written down")
    if isinstance(error, InvalidInput):
        return Problem(slug=slug, faults=tuple(map(_fault, error.faults)))
    headers = {}
    if isinstance(error, SignedOut):
        headers = {"WWW-Authenticate": "Bearer"}
    if isinstance(error, TooMany):
        headers = {"Retry-After": str(error.retry_s)}
    if isinstance(error, (Unavailable, Overtaken)):
        headers = {"Retry-After": str(RETRY_S)}
    return Problem(slug=slug, detail=str(error), headers=headers)


def _fault(fault: Fault) -> tuple[str, str, str]:
    row = "" if fault.row is None else f"line {fault.row}"
    where = ", ".join(filter(None, (fault.file, row, fault.column)))
    return where, fault.got, fault.expected


def problem_of_status(status: int, detail: str) -> Problem:
    """Return a refusal of the framework's as a problem.

    Parameters
    ----------
    status : int
        Its status.
    detail : str
        Its words.

    Returns
    -------
    Problem
        With that status, or one of its class.
    """
    usual = (
        Slug.BAD_REQUEST if status < HTTPStatus.INTERNAL_SERVER_ERROR else Slug.DEFECT
    )
    return Problem(slug=_STATUSES.get(status, usual), detail=detail)
