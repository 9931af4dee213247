"""What every test shares.

Rules of this file:
- Values are really frozen under test, so that a forbidden assignment raises (see supervisor/cell/value.py).
- A test that needs a program of the machine asks for it by fixture: skipped on a desk without it, failed in CI.
- No file finds what another one left in its process: which files share one is chance.
"""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

os.environ.setdefault("POINTSMAN_FROZEN", "1")  # before the first import of supervisor

import pytest
from asyncua import ua
from asyncua.ua import uatypes
from hypothesis import settings

IN_CI = os.environ.get("CI") == "true"

settings.register_profile("dev", max_examples=30, deadline=None)
settings.register_profile("ci", max_examples=100, deadline=None, derandomize=True, print_blob=True)
settings.register_profile("nightly", max_examples=5_000, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if IN_CI else "dev"))


LATER = {"integration": 1, "peers": 1, "unit": 2}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first, the shortest last; those between share servers, which cost time from then on until the end."""
    here = Path(__file__).parent
    items.sort(key=lambda item: LATER.get(item.path.relative_to(here).parts[0], 0))


def pytest_report_teststatus(report: pytest.TestReport) -> tuple[str, str, str] | None:
    """Names a failure as soon as it is known: a run that is ended from outside for its time prints no summary."""
    if not (IN_CI and report.failed):
        return None
    category = "failed" if report.when == "call" else "error"
    return category, f"\n{report.nodeid} {category}\n", category.upper()


def _missing(program: str, package: str) -> None:
    reason = f"needs {program}: apt-get install {package}"
    if IN_CI:
        pytest.fail(reason)
    pytest.skip(reason)


TYPES_BY_ID = [
    uatypes.basetype_by_datatype,
    uatypes.basetype_datatypes,
    uatypes.enums_by_datatype,
    uatypes.enums_datatypes,
    uatypes.extension_objects_by_datatype,
    uatypes.extension_objects_by_typeid,
    uatypes.datatype_by_extension_object,
    uatypes.typeid_by_extension_objects,
]


@pytest.fixture(autouse=True, scope="module")
def _types_of_its_own() -> Iterator[None]:
    """Forget which types a file had the library load: it keeps them for the process, by ids that mean others at the next server."""
    kept = [dict(types) for types in TYPES_BY_ID]
    names = set(vars(ua))
    yield
    for types, before in zip(TYPES_BY_ID, kept, strict=True):
        types.clear()
        types.update(before)
    for name in set(vars(ua)) - names:
        delattr(ua, name)


@pytest.fixture(scope="session")
def repository() -> Path:
    """The root of the working tree."""
    return Path(__file__).parent.parent


@pytest.fixture(scope="session")
def chromium() -> Path:
    """Debian's chromium."""
    found = shutil.which("chromium")
    if found is None:
        _missing("chromium", "chromium")
    return Path(found)


@pytest.fixture(scope="session")
def postgres_programs() -> Path:
    """The folder with the PostgreSQL server programs (initdb, postgres), the newest where there are several."""
    folders = sorted(
        (p.parent for p in Path("/usr/lib/postgresql").glob("*/bin/initdb")),
        key=lambda folder: int(folder.parent.name),
    )
    if not folders:
        _missing("the PostgreSQL server programs", "postgresql")
    return folders[-1]
