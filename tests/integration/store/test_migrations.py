"""The schema, from nothing to the present one."""

import subprocess
import sys

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect

from supervisor.store import StoreError, open_archive
from supervisor.store.database import place_of, writing_engine
from supervisor.store.migration import NEWEST, migrate, present
from supervisor.store.schema import METADATA
from supervisor.store.writer import Writer

pytestmark = pytest.mark.integration


def asked(store, question):
    with store._reader.asking() as connection:
        return question(connection)


def test_an_empty_database_gets_exactly_the_declared_tables(address, opened):
    store = opened(address)
    assert asked(store, present) == NEWEST
    differences = asked(store, lambda c: compare_metadata(MigrationContext.configure(c), METADATA))
    assert differences == []


def test_the_newest_schema_is_the_last_file_in_an_unbranched_line_of_numbers():
    config = Config()
    config.set_main_option("script_location", "supervisor.store:migrations")
    line = [step.revision for step in ScriptDirectory.from_config(config).walk_revisions()]
    assert line[0] == NEWEST
    assert line == sorted(line, reverse=True)
    assert all(len(revision) == 4 for revision in line)


LOADED = """
import sys
from supervisor.store import open_store
open_store(sys.argv[1]).close()
print("alembic" in sys.modules)
"""


def test_a_supervisor_whose_database_is_up_to_date_does_not_load_the_migrations(sqlite):
    def loaded():
        command = [sys.executable, "-c", LOADED, sqlite]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()

    assert [loaded(), loaded()] == ["True", "False"]


def test_migrating_again_changes_nothing(address, opened, make):
    store = opened(address)
    head = store.journal.append(make.entries(1, 3))
    store.close()
    again = opened(address)
    assert again.journal.head() == head
    assert asked(again, present) == NEWEST


@pytest.mark.hazard(35)
def test_a_migration_that_dies_in_the_middle_leaves_the_database_as_it_was(address, opened):
    place = place_of(address)
    engine = writing_engine(place, "power-safe")
    writer = Writer(engine, place)

    def dies(connection):
        migrate(connection)
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        writer.run(dies)
    with engine.connect() as connection:
        assert inspect(connection).get_table_names() == []
    engine.dispose()
    assert asked(opened(address), present) == NEWEST


@pytest.mark.hazard(35)
def test_a_database_of_a_newer_version_is_left_alone(address, opened):
    store = opened(address)
    store._writer.run(
        lambda c: c.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    )
    store.close()
    with pytest.raises(StoreError) as caught:
        opened(address)
    assert caught.value.code == "database-newer"
    with pytest.raises(StoreError) as caught:
        open_archive(address)
    assert caught.value.code == "schema-other"
