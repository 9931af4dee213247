"""States as text and back."""

from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from supervisor.core.state import CellState, Outstanding
from supervisor.store.shape import Shape, shape_of


@pytest.mark.property
@settings(
    max_examples=25, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)  # large, slow to draw
@given(state=st.from_type(CellState))
def test_every_state_of_the_core_comes_back_equal(state):
    shape = Shape(CellState)
    assert shape.decode(shape.encode(state)) == state


@pytest.mark.property
@settings(max_examples=100)
@given(outstanding=st.from_type(Outstanding))
def test_a_goal_comes_back_as_the_same_kind(outstanding):
    shape = Shape(Outstanding)
    assert type(shape.decode(shape.encode(outstanding)).goal) is type(outstanding.goal)


def test_a_shape_names_everything_that_a_state_is_made_of():
    words = shape_of(CellState)
    assert "\nMeasuredValue: number str, value Union[float, NoneType], unit str" in words
    assert "\nSetDoor: order int, station str, door Literal['open', 'closed']" in words


@dataclass
class Inner:
    size: int


@dataclass
class OtherInner:
    size: float


def outer(inner):
    return dataclass(type("Outer", (), {"__annotations__": {"inner": tuple[inner, ...]}}))


def test_a_change_deep_inside_changes_the_fingerprint():
    inner_as_was = type("Inner", (), {"__annotations__": {"size": int}})
    inner_now = type("Inner", (), {"__annotations__": {"size": float}})
    as_was, now = outer(dataclass(inner_as_was)), outer(dataclass(inner_now))
    assert Shape(as_was).fingerprint == Shape(outer(dataclass(inner_as_was))).fingerprint
    assert Shape(as_was).fingerprint != Shape(now).fingerprint


@dataclass
class One:
    a: int


@dataclass
class Two:
    a: int


@dataclass
class Either:
    which: One | Two | None
    many: tuple[One | Two, ...]
    named: dict[str, One | Two]


def test_members_of_a_union_with_equal_fields_stay_apart():
    shape = Shape(Either)
    content = Either(which=Two(a=1), many=(One(a=2), Two(a=3)), named={"x": Two(a=4)})
    assert shape.decode(shape.encode(content)) == content
    assert shape.decode(shape.encode(Either(which=None, many=(), named={}))).which is None


@dataclass
class Unwritable:
    members: set[One | Two]


def test_a_state_that_cannot_be_written_is_refused_when_the_program_starts():
    with pytest.raises(TypeError, match="a state cannot hold set"):
        Shape(Unwritable)
