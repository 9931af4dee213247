"""The checkers judge the core, so they must not ask it: from the supervisor they take nouns, never a rule."""

import ast
import dataclasses
import importlib
import inspect
import types
import typing

import pytest

from simulators.bench import checkers, checks, trust_checker
from supervisor.core import decide

JUDGES = [checkers, checks, trust_checker]


def taken_from_supervisor(module):
    """Every name that a module imports from the supervisor, with what it stands for."""
    for node in ast.walk(ast.parse(inspect.getsource(module))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("supervisor"):
            source = importlib.import_module(node.module)
            for name in node.names:
                yield name.name, getattr(source, name.name)


def is_noun(thing):
    """A value without rules of its own, or a name for several of them."""
    if isinstance(thing, types.UnionType):
        return all(map(is_noun, typing.get_args(thing)))
    if not dataclasses.is_dataclass(thing):
        return False
    return all(name.startswith("__") for name, _ in inspect.getmembers(thing, inspect.isfunction))


@pytest.mark.parametrize("judge", JUDGES, ids=lambda module: module.__name__.rpartition(".")[2])
def test_a_judge_takes_values_from_the_supervisor_and_nothing_that_decides(judge):
    taken = dict(taken_from_supervisor(judge))
    assert taken
    assert [name for name, thing in taken.items() if not is_noun(thing)] == []


@pytest.mark.parametrize("judge", JUDGES, ids=lambda module: module.__name__.rpartition(".")[2])
def test_a_judge_does_not_reach_for_the_core_through_the_world(judge):
    """``world.core`` is there for the driver. Nor is a whole module of the supervisor imported."""
    tree = ast.parse(inspect.getsource(judge))
    reached = [n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute) and n.attr == "core"]
    whole = [n.names[0].name for n in ast.walk(tree) if isinstance(n, ast.Import)]
    assert reached == []
    assert [name for name in whole if name.startswith("supervisor")] == []


def test_a_rule_of_the_core_would_be_noticed():
    assert not is_noun(decide.Core)
    assert not is_noun(decide._apply)
    assert is_noun(decide.Decision)
