"""The published JSON Schema of the plan document, made from its dataclasses.

Run ``python -m api.schemas`` after changing them; a test holds the file to them.
"""

import json
import re
from dataclasses import is_dataclass
from pathlib import Path
from typing import Any

from dispatch.report import document
from dispatch.report.document import PlanDocument, plan_json

__all__ = ["PUBLISHED", "plan_json", "plan_schema", "publish"]

PUBLISHED = Path(__file__).parent.parent / "shared" / "schema" / "plan.schema.json"

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
    from pydantic import TypeAdapter  # noqa: PLC0415 - slow, and only needed here

    body = TypeAdapter(PlanDocument).json_schema(mode="serialization")
    root = {key: value for key, value in body.items() if key != "$defs"}
    definitions = {
        name.removesuffix("Document"): schema
        for name, schema in body.get("$defs", {}).items()
    }
    for name, schema in [("Plan", root), *definitions.items()]:
        _describe(schema, getattr(document, f"{name}Document", None))
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **root,
        "title": "keyround plan",
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
    for names, text in _ENTRY.findall(words):
        for name in names.split(", "):
            field = schema["properties"][name]
            field["description"] = " ".join(text.split())
            field.pop("title", None)
    schema.pop("title", None)


def publish(path: Path = PUBLISHED) -> None:
    """Write the schema where it is published.

    Parameters
    ----------
    path : Path, optional
        The file.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        json.dumps(plan_schema(), indent=2, ensure_ascii=False) + "\n",
        encoding="utf-8",
    )


if __name__ == "__main__":
    publish()
