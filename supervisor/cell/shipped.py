"""A shipped profile by its name, with everything that it takes over from others.

Rules of this file:
- What is shipped is sound: a test reads every one. Whoever finds one that is not has found our defect.
"""

from supervisor.cell.document import validate
from supervisor.cell.profile import AnyProfile, profile_model, profile_problems, shipped_profiles
from supervisor.cell.profile_extends import extended
from supervisor.cell.reading import read_table
from supervisor.cell.table import Table


def shipped_names() -> list[str]:
    """The names of the profiles that come with Pointsman."""
    return sorted(path.stem for path in shipped_profiles().glob("*.yaml"))


def shipped_table(name: str) -> Table:
    """The whole mapping of a shipped profile.

    Raises:
        AssertionError: it is not sound.
    """
    whole, problems = extended(_own(name), _own, shipped_names())
    assert whole is not None, problems
    return whole


def _own(name: str) -> Table:
    """The mapping of a profile's own file."""
    path = shipped_profiles() / f"{name}.yaml"
    table, problems = read_table(path, path.name)
    assert table is not None, problems
    assert not problems, problems
    return table


def shipped_profile(name: str) -> AnyProfile:
    """A shipped profile.

    Raises:
        AssertionError: it is not sound.
    """
    table = shipped_table(name)
    content, refusals = validate(table, profile_model(table.get("kind")))
    assert isinstance(content, AnyProfile), refusals
    assert not (found := profile_problems(content)), found
    return content
