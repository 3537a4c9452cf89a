"""The published JSON Schemas of all that goes out as JSON, from its dataclasses.

Run ``python -m api.schemas`` after changing them; a test holds the file to them.
"""

import json
import re
from dataclasses import is_dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from dispatch.report import document, livedata, quoting, shelf
from dispatch.report.document import (
    OutlookDocument,
    PlanDocument,
    outlook_json,
    plan_json,
)
from dispatch.report.livedata import (
    RestDocument,
    StoryDocument,
    UrgentDocument,
    rest_json,
    story_json,
    urgent_json,
)
from dispatch.report.quoting import QuoteDocument, quote_json
from dispatch.report.shelf import ShelvesDocument, shelves_json

__all__ = [
    "OUTLOOK",
    "PUBLISHED",
    "QUOTE",
    "REST",
    "SHELVES",
    "STORY",
    "URGENT",
    "outlook_json",
    "outlook_schema",
    "plan_json",
    "plan_schema",
    "publish",
    "quote_json",
    "quote_schema",
    "rest_json",
    "rest_schema",
    "shelves_json",
    "shelves_schema",
    "story_json",
    "story_schema",
    "urgent_json",
    "urgent_schema",
]

_FOLDER = Path(__file__).parent.parent / "shared" / "schema"
PUBLISHED, OUTLOOK = _FOLDER / "plan.schema.json", _FOLDER / "outlook.schema.json"

SHELVES = _FOLDER / "shelves.schema.json"
REST, STORY = _FOLDER / "rest.schema.json", _FOLDER / "story.schema.json"
URGENT = _FOLDER / "urgent.schema.json"
QUOTE = _FOLDER / "quote.schema.json"

_ENTRY = re.compile(
    r"^([a-z0-9_]+(?:, [a-z0-9_]+)*) : .*\n((?:    .*\n?)+)", re.MULTILINE
)


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of the plan document.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12: every field is required, no other is allowed,
        and each is described in the words of its dataclass.
    """
    return _schema(PlanDocument, "keyround plan")


def outlook_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document of several days.

    Returns
    -------
    dict
        As :func:`plan_schema`; each day's plan has that very shape.
    """
    return _schema(OutlookDocument, "keyround outlook")


def shelves_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document of the shelves.

    Returns
    -------
    dict
        As :func:`plan_schema`.
    """
    return _schema(ShelvesDocument, "keyround shelves", shelf)


def rest_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document of the rest of a day.

    Returns
    -------
    dict
        As :func:`plan_schema`.
    """
    return _schema(RestDocument, "keyround rest", livedata)


def story_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document of a day that was lived through.

    Returns
    -------
    dict
        As :func:`plan_schema`.
    """
    return _schema(StoryDocument, "keyround story", livedata)


def urgent_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document of an urgent call's options.

    Returns
    -------
    dict
        As :func:`plan_schema`.
    """
    return _schema(UrgentDocument, "keyround urgent", livedata)


def quote_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document of the windows on offer.

    Returns
    -------
    dict
        As :func:`plan_schema`.
    """
    return _schema(QuoteDocument, "keyround quote", quoting)


def _schema(source: type, title: str, home: ModuleType = document) -> dict[str, Any]:
    from pydantic import TypeAdapter  # noqa: PLC0415 - slow, and only needed here

    body = TypeAdapter(source).json_schema(mode="serialization")
    root = {key: value for key, value in body.items() if key != "$defs"}
    definitions = {
        name.removesuffix("Document"): schema
        for name, schema in body.get("$defs", {}).items()
    }
    _describe(root, source)
    for name, schema in definitions.items():
        _describe(schema, getattr(home, f"{name}Document", None))
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **root,
        "title": title,
        "$defs": dict(sorted(definitions.items())),
    }
    text = json.dumps(schema)
    shortened: dict[str, Any] = json.loads(
        re.sub(r'("#/\$defs/\w+?)Document"', r'\1"', text)
    )
    return shortened


def _describe(schema: dict[str, Any], source: type | None) -> None:
    """Put a dataclass's docstring into its schema, and close it to other fields."""
    if source is None or not is_dataclass(source):
        # An enumeration: its values say it all.
        schema.pop("description", None)
        return
    words = (source.__doc__ or "").replace("\n    ", "\n")
    schema["description"] = words.split("\n", 1)[0]
    schema["additionalProperties"] = False
    # What older documents lack has a default; what is written now has every field.
    schema["required"] = list(schema["properties"])
    for field in schema["properties"].values():
        field.pop("default", None)
    for names, text in _ENTRY.findall(words):
        for name in names.split(", "):
            field = schema["properties"][name]
            field["description"] = " ".join(text.split())
            field.pop("title", None)
    schema.pop("title", None)


def publish() -> None:
    """Write the schemas where they are published."""
    _FOLDER.mkdir(parents=True, exist_ok=True)
    for path, schema in (
        (PUBLISHED, plan_schema()),
        (OUTLOOK, outlook_schema()),
        (SHELVES, shelves_schema()),
        (REST, rest_schema()),
        (STORY, story_schema()),
        (URGENT, urgent_schema()),
        (QUOTE, quote_schema()),
    ):
        path.write_text(
            json.dumps(schema, indent=2, ensure_ascii=False) + "\n", encoding="utf-8"
        )


if __name__ == "__main__":
    publish()
