"""What a route may answer, as its OpenAPI document declares it."""

from typing import Any

from api.problems import MEANINGS, Slug

_FAULT = {
    "type": "object",
    "properties": {name: {"type": "string"} for name in ("where", "got", "expected")},
    "required": ["where", "got", "expected"],
}
_PROBLEM = {
    "title": "Problem",
    "description": "Problem details, RFC 9457.",
    "type": "object",
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "faults": {"type": "array", "items": _FAULT},
    },
    "required": ["type", "title", "status", "detail"],
}

# Whoever asks signed in may be turned away so.
SIGNED_IN = (Slug.SIGNED_OUT, Slug.NOT_ALLOWED, Slug.TOO_MANY, Slug.UNAVAILABLE)


def refusals(*slugs: Slug) -> dict[int | str, dict[str, Any]]:
    """Return the problems that a route may answer with.

    Parameters
    ----------
    *slugs : Slug
        Which.

    Returns
    -------
    dict
        By status, as FastAPI's ``responses`` takes them.
    """
    found: dict[int | str, dict[str, Any]] = {}
    for slug in slugs:
        status, title = MEANINGS[slug]
        known = found.get(status)
        found[status] = {
            "description": f"{known['description']} Or: {title}" if known else title,
            "content": {"application/problem+json": {"schema": _PROBLEM}},
        }
    return found
