"""What the tests of this folder draw where a type is asked for, in whichever of its files hypothesis meets it first.

Rules of this file: no number that is unequal to itself, and none that a database cannot hold; a state that held one never came back equal,
and which file was read first decided whether a test could fail.
"""

from decimal import Decimal

from hypothesis import strategies as st

from supervisor.core.events import HistoryLost
from supervisor.verdict.record import Correction, Evidence, Finding, Record

st.register_type_strategy(float, st.floats(allow_nan=False, allow_infinity=False))
st.register_type_strategy(Decimal, st.decimals(allow_nan=False, allow_infinity=False))
st.register_type_strategy(int, st.integers(min_value=-(2**63), max_value=2**63 - 1))


def at_most(count, cls, **fields):
    """A class whose tuples hold at most ``count``: a record drawn without bounds takes a second to draw."""
    short = {
        name: st.lists(st.from_type(of), max_size=count).map(tuple) for name, of in fields.items()
    }
    st.register_type_strategy(cls, st.builds(cls, **short))


at_most(1, Evidence, corrections=Correction)
at_most(1, Finding, monitored_by=Evidence)
at_most(2, Record, findings=Finding)
at_most(1, HistoryLost, orphans=Record)
