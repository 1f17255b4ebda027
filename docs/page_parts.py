"""Small pieces of Markdown shared by the generated pages."""

from __future__ import annotations

import math
from typing import Any

STATUS = {
    "S": "seen in the source",
    "S2": "seen in a text that cites it",
    "M": "not verified against the source",
    "D": "arithmetic",
    "E": "assumed",
}
"""How far a source was verified, by the letters that tables of published values use."""


def rows(head: list[str], body: list[list[str]]) -> str:
    """A Markdown table."""
    lines = [head, ["---"] * len(head), *body]
    return "\n".join(
        "| " + " | ".join(c.replace("|", "\\|").replace("\n", " ") for c in line) + " |"
        for line in lines
    )


def bullets(texts: list[str] | tuple[str, ...]) -> str:
    """A list."""
    return "\n".join(f"- {text}" for text in texts)


def span(low: float, high: float) -> str:
    """A range in words; empty where both ends are open."""
    if math.isinf(low) and math.isinf(high):
        return ""
    if math.isinf(high):
        return f"{_number(low)} or more"
    if math.isinf(low):
        return f"up to {_number(high)}"
    return f"{_number(low)} to {_number(high)}"


def allowed_of(schema: dict[str, Any]) -> str:
    """Allowed values of a field in words, from its JSON schema; empty where there is no limit."""
    if "enum" in schema or "const" in schema:
        return ", ".join(f"`{word}`" for word in schema.get("enum", [schema.get("const")]))
    if "anyOf" in schema:
        found = [allowed_of(part) or kind_of(part) for part in schema["anyOf"]]
        return " or ".join(dict.fromkeys(found))
    if "prefixItems" in schema or schema.get("type") == "array":
        return allowed_of(schema.get("items", {}))
    if schema.get("type") == "boolean":
        return "yes, no"
    if schema.get("type") in ("number", "integer"):
        high = schema.get("maximum", math.inf)
        if "exclusiveMinimum" in schema:
            above = f"more than {_number(schema['exclusiveMinimum'])}"
            return above if math.isinf(high) else f"{above}, up to {_number(high)}"
        return span(schema.get("minimum", -math.inf), high)
    return ""


def kind_of(schema: dict[str, Any]) -> str:
    """Kind of value in words, from a JSON schema."""
    if schema.get("format") == "date":
        return "date"
    kinds = {
        "integer": "whole number",
        "number": "number",
        "boolean": "yes or no",
        "string": "text",
        "array": "list",
        "object": "table",
    }
    return kinds.get(str(schema.get("type")), "value")


def value_in_words(value: Any, unit: str = "") -> str:
    """A default as pages show it, with its unit; empty where there is none."""
    if value in (None, "", (), [], {}):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (tuple, list)):
        return ", ".join(map(str, value))
    return f"{_number(value)} {unit}".strip()


def _number(value: Any) -> str:
    """A number as people write it: no exponent, commas from five digits on."""
    if isinstance(value, (int, float)) and math.isfinite(value):
        if value == int(value):
            return f"{value:,.0f}" if abs(value) >= 10_000 else f"{value:.0f}"
        return f"{value:.10f}".rstrip("0")
    return str(value)
