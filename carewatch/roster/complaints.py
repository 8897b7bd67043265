"""What pydantic found wrong, in words a farm manager can act on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from carewatch.errors import Fault
from carewatch.roster.document import ABSENT, Document, Path, advice, shown

TYPE_WORDS = {
    "string": ("is not a text.", "Put it in quotation marks."),
    "float": ("is not a number.", "Write digits with a point for decimals and without quotation marks or units: 36.5."),
    "int": ("is not a whole number.", "Write digits only, without quotation marks: 45."),
    "bool": ("is neither yes nor no.", "Write true or false, in small letters and without quotation marks."),
    "list": ("is not a list.", 'Write square brackets with commas between: ["a", "b"].'),
    "dict": ("is not a table.", "Write a heading in square brackets with its keys below it."),
    "model": ("is not a table.", "Write a heading in square brackets with its keys below it."),
}


def faults_of(error: ValidationError, model: type[BaseModel], document: Document, base: Path) -> list[Fault]:
    """One fault for each thing wrong in a table that stands at `base` of a document."""
    return [_fault(dict(found), model, document, base) for found in error.errors(include_url=False)]


def _fault(found: dict[str, Any], model: type[BaseModel], document: Document, base: Path) -> Fault:
    location: Path = tuple(found["loc"])
    kind = str(found["type"])
    field = field_at(model, location)
    value = ABSENT if kind == "missing" else found["input"]
    problem, fix = _words(kind, found, field, model, location)
    return document.fault(base + location, value, problem, fix)


def _words(
    kind: str, found: dict[str, Any], field: FieldInfo | None, model: type[BaseModel], location: Path
) -> tuple[str, str]:
    context: Mapping[str, Any] = found.get("ctx", {})
    key = str(location[-1]) if location else ""
    if kind == "carewatch":
        return str(context["problem"]), str(context["fix"])
    if kind == "extra_forbidden":
        return "is not a key here.", advice(key, keys_at(model, location[:-1]))
    if kind in ("missing", "too_short", "string_too_short"):
        return "is missing." if kind == "missing" else "is empty.", example_of(key, field)
    if kind in ("too_long", "string_too_long"):
        return f"is longer than {context.get('max_length')}.", "Shorten it."
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        limits = range_of(field) or _limit_in(context)
        return f"is out of range: {limits}.", _slip(key, kind, found["input"]) or "Correct the number."
    if kind == "finite_number":
        return "is not a number one can count with.", "Write digits with a point for decimals: 36.5."
    if kind == "literal_error":
        return "is not known here.", f"Write one of: {context.get('expected')}."
    for prefix, words in TYPE_WORDS.items():
        if kind.startswith(prefix):
            return words
    return f"cannot be used: {found['msg']}.", "Correct it."


def example_of(key: str, field: FieldInfo | None) -> str:
    """`Write home_site = "ridge" (id of a [[site]]).` from what the field says about itself."""
    if field is None or not field.examples:
        return f"Add {field.description if field and field.description else 'it'}."
    meaning = f" ({field.description})" if field.description else ""
    return f"Write {key} = {shown(field.examples[0])}{meaning}."


def range_of(field: FieldInfo | None) -> str:
    """`from 1 to 80` or `above 0, at most 500`, from the limits of a field."""
    low = high = ""
    for limit in field.metadata if field else []:
        match limit:
            case Ge():
                low = f"from {_number(limit.ge)}"
            case Gt():
                low = f"above {_number(limit.gt)}"
            case Le():
                high = f"up to {_number(limit.le)}"
            case Lt():
                high = f"below {_number(limit.lt)}"
            case _:
                pass
    return f"{low} {high}".strip()


def _limit_in(context: Mapping[str, Any]) -> str:
    words = {"ge": "from", "gt": "above", "le": "up to", "lt": "below"}
    return " ".join(f"{words[key]} {_number(limit)}" for key, limit in context.items() if key in words)


def _number(limit: object) -> str:
    return f"{limit:.4g}" if isinstance(limit, float) else str(limit)


OTHER_UNITS = {  # ending of the key -> which side of its range a number in the other unit falls on, and the hint
    "_m": ("less", "Feet? The key ending in _ft takes them."),
    "_kpa": ("greater", "psi? The key ending in _psi takes them."),
    "_l": ("greater", "US gallons? The key ending in _gal takes them."),
    "_ft": ("greater", "Metres? The key ending in _m takes them."),
    "_psi": ("less", "kPa? The key ending in _kpa takes them."),
    "_gal": ("less", "Litres? The key ending in _l takes them."),
}


def _slip(key: str, kind: str, value: object) -> str:
    """A question about the usual slip, where that would put a number out of range in this way."""
    if key == "lat_deg" and isinstance(value, int | float) and abs(value) <= 180:
        return "Are lat_deg and lon_deg exchanged?"
    is_plausible = isinstance(value, int | float) and value > 0
    for ending, (side, hint) in OTHER_UNITS.items():
        if is_plausible and key.endswith(ending) and kind.startswith(side):
            return f"Correct the number. {hint}"
    return ""


def field_at(model: type[BaseModel], location: Path) -> FieldInfo | None:
    """The field a location belongs to, through nested tables; elements of a list share the field of the list."""
    field: FieldInfo | None = None
    inside: type[BaseModel] | None = model
    for key in location:
        if isinstance(key, int):
            continue
        if inside is None:
            return field
        field = inside.model_fields.get(key)
        inside = _model_in(field) if field else inside  # else it is the key of a mapping of tables
    return field


def keys_at(model: type[BaseModel], location: Path) -> list[str]:
    """The keys known at a location."""
    inside: type[BaseModel] | None = model
    for key in location:
        if isinstance(key, int) or inside is None:
            continue
        field = inside.model_fields.get(key)
        inside = _model_in(field) if field else inside
    return [] if inside is None else list(inside.model_fields)


def _model_in(field: FieldInfo | None) -> type[BaseModel] | None:
    """The table type inside a field, be it optional, in a list or in a mapping."""
    waiting: list[Any] = [field.annotation] if field is not None else []
    while waiting:
        kind = waiting.pop()
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
        waiting.extend(getattr(kind, "__args__", ()))
    return None
