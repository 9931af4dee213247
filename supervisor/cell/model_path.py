"""Where a pydantic refusal points to in the file, and which keys the model knows there.

Rules of this file:
- pydantic puts the branch of a union into its paths; a file has no such step. The model's annotations tell the two apart.
- A path is followed through all branches that it can mean: a set of annotations goes along with it.
"""

from collections.abc import Iterable, Iterator
from types import NoneType, UnionType
from typing import Annotated, Literal, Union, get_args, get_origin  # pyright: ignore[reportDeprecated]

from pydantic import BaseModel

from supervisor.cell.table import Path, Step

Annotations = tuple[object, ...]


def follow(model: type[BaseModel], location: Path) -> tuple[Path, Annotations]:
    """The path in the file that a pydantic location means, and the annotations at its end."""
    path: list[Step] = []
    here: Annotations = (model,)
    for step in location:
        branches = [branch for one in here for branch in _branches(one)]
        if len(branches) > len(here):
            here = tuple(_chosen(branches, step))
            continue
        path.append(step)
        here = tuple(inner for one in branches for inner in _inner(one, step))
    return tuple(path), here


def keys_known(annotations: Annotations) -> tuple[str, ...]:
    """The keys that the mappings described by these annotations may have, sorted."""
    models = [branch for one in annotations for branch in _branches(one) if _is_model(branch)]
    return tuple(sorted({key for model in models for key, _ in _fields(model)}))


def _branches(annotation: object) -> list[object]:
    """The branches of a union without None, or the annotation itself."""
    plain = _plain(annotation)
    if get_origin(plain) not in {Union, UnionType}:  # pyright: ignore[reportDeprecated]
        return [plain]
    members = [_plain(member) for member in get_args(plain) if member is not NoneType]
    return [branch for member in members for branch in _branches(member)]


def _plain(annotation: object) -> object:
    """An annotation without its metadata."""
    return get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation


def _chosen(branches: Iterable[object], label: Step) -> list[object]:
    """The branches that a union's label means: those with a literal field of that value, else all."""
    branches = list(branches)
    tagged = [branch for branch in branches if label in _tags(branch)]
    return tagged or branches


def _tags(branch: object) -> Iterator[object]:
    for _, annotation in _fields(branch):
        if get_origin(_plain(annotation)) is Literal:
            yield from get_args(_plain(annotation))


def _inner(annotation: object, step: Step) -> Iterator[object]:
    """The annotations of what stands at a step."""
    if _is_model(annotation):
        yield from (inner for key, inner in _fields(annotation) if key == step)
    elif get_origin(annotation) is dict:
        yield get_args(annotation)[1]
    else:
        yield from (inner for inner in get_args(annotation) if inner is not Ellipsis)


def _is_model(annotation: object) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _fields(annotation: object) -> Iterator[tuple[str, object]]:
    """The keys of a model with their annotations; nothing for any other annotation."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, field in annotation.model_fields.items():
            yield field.alias or name, field.annotation
