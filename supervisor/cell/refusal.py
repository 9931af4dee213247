"""From pydantic's refusals to problems that the author of a file can act on.

Rules of this file:
- Every refusal gets a place, what was expected, what was found and a remedy; none is dropped and none is repeated. A needed key that is
  missing because it was misspelt is one mistake: the misspelt key.
- A validator of ours refuses with ``refuse(expected, remedy)``; ``at`` names the field inside a mapping that it is about.
- For a key that is not known, the keys that are known there come from the model, with the near miss first.
"""

from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from supervisor.cell.model_path import follow, keys_known
from supervisor.cell.problem import Problem, choose_instead, near_miss, one_of
from supervisor.cell.table import Placed, Table, entry, locate, shown

_OURS = "declaration"
_DECIMALS = "decimals have a point (0.008); a comma begins the next key"

# What pydantic's kinds of refusal mean to the author of a file: what was expected, and what to do.
_KINDS = {
    "string_type": ("a text", "put it in quotes"),
    "int_type": ("a whole number", "write digits only, such as 1500"),
    "int_parsing": ("a whole number", "write digits only, such as 1500"),
    "int_from_float": ("a whole number", "leave the fraction out"),
    "float_type": ("a number", "write it with a decimal point, such as 1.5"),
    "float_parsing": ("a number", "write it with a decimal point, such as 1.5"),
    "bool_type": ("true or false", "write true or false without quotes"),
    "list_type": ("a list", "put each entry on a line of its own that begins with `- `"),
    "tuple_type": ("a list", "put each entry on a line of its own that begins with `- `"),
    "too_short": ("at least one entry", "add one, or remove the file if nothing belongs here"),
    "dict_type": ("a mapping", "write `key: value` lines below it"),
    "model_type": ("a mapping", "write `key: value` lines below it"),
    "model_attributes_type": ("a mapping", "write `key: value` lines below it"),
}


def refuse(expected: str, remedy: str, at: str = "") -> PydanticCustomError:
    """The refusal that a validator of ours raises."""
    return PydanticCustomError(
        _OURS, "expected {expected}", {"expected": expected, "remedy": remedy, "at": at}
    )


def explain(error: ValidationError, root: Table, model: type[BaseModel]) -> list[Problem]:
    """One problem for each refusal."""
    details = error.errors(include_url=False, include_input=False)
    misspelt = {
        (*way, meant)
        for *way, written in (each["loc"] for each in details if each["type"] == "extra_forbidden")
        if (meant := near_miss(str(written), keys_known(follow(model, tuple(way))[1])))
    }
    return [
        _explained(detail, root, model)
        for detail in details
        if detail["type"] != "missing" or detail["loc"] not in misspelt
    ]


def _explained(detail: ErrorDetails, root: Table, model: type[BaseModel]) -> Problem:
    match detail["type"]:
        case "missing":
            return _missing(detail, root, model)
        case "extra_forbidden":
            return _unknown_key(detail, root, model)
        case "literal_error" | "union_tag_invalid":
            return _wrong_word(detail, root, model)
        case _:
            return _wrong_value(detail, root, model)


def _missing(detail: ErrorDetails, root: Table, model: type[BaseModel]) -> Problem:
    *way, key = detail["loc"]
    holder, step = locate(root, follow(model, tuple(way))[0])
    inner = entry(holder, step)
    table = inner if isinstance(inner, Placed) else holder
    return table.problem(
        key, expected=f"a value for `{key}`", found="nothing", remedy=f"add `{key}:` here"
    )


def _unknown_key(detail: ErrorDetails, root: Table, model: type[BaseModel]) -> Problem:
    *way, last = detail["loc"]
    path, annotations = follow(model, tuple(way))
    holder, step = locate(root, (*path, last))
    known = keys_known(annotations)
    return holder.problem(
        step,
        expected=one_of(known),
        found=f"the unknown key `{last}`",
        remedy=choose_instead(str(last), known, _DECIMALS if str(last).isdigit() else "remove it"),
    )


def _wrong_word(detail: ErrorDetails, root: Table, model: type[BaseModel]) -> Problem:
    holder, step = locate(root, follow(model, tuple(detail["loc"]))[0])
    context = detail.get("ctx", {})
    listed = str(context.get("expected") or context.get("expected_tags", ""))
    known = [word.strip(" '") for word in listed.replace(" or ", ", ").split(",")]
    found = entry(holder, step)
    return holder.problem(
        step,
        expected=one_of(known),
        found=shown(found),
        remedy=choose_instead(str(found), known, "write one of these"),
    )


def _wrong_value(detail: ErrorDetails, root: Table, model: type[BaseModel]) -> Problem:
    context = detail.get("ctx", {})
    at = (context["at"],) if detail["type"] == _OURS and context["at"] else ()
    holder, step = locate(root, (*follow(model, tuple(detail["loc"]))[0], *at))
    expected, remedy = _expectation(detail, context)
    return holder.problem(step, expected=expected, found=shown(entry(holder, step)), remedy=remedy)


def _expectation(detail: ErrorDetails, context: dict[str, Any]) -> tuple[str, str]:
    if detail["type"] == _OURS:
        return str(context["expected"]), str(context["remedy"])
    said = detail["msg"][:1].lower() + detail["msg"][1:]
    meaning = said.removeprefix("input should be ").removeprefix("value error, ")
    return _KINDS.get(detail["type"], (meaning, "correct the value"))
